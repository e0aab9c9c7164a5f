"""CSV in: encodings, separators, line numbers, and a fast way for a million lines.

The fast way is pyarrow's reader with dictionary-encoded columns. Whenever it stumbles (rows of
unequal length, stray quotes) the file is read again by the standard library's reader, which
knows the line of every row.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Callable

import numpy as np

from transfer.records.problems import Problems
from transfer.records.raw import REPORTED, RawColumn, RawTable, drop_blank_rows, encode_cells

__all__ = ["decode_text", "from_text", "header_of", "separator_of"]

#: Characters within which the header must end; copying a whole large file for it costs time.
_HEAD = 1 << 18
_SEPARATORS = (",", ";", "\t")
_SAVE_AS = "save the file as CSV in UTF-8 (in a spreadsheet: save as, CSV UTF-8)"


def decode_text(data: bytes, place: tuple[str, str], problems: Problems) -> str | None:
    """Text of the file, or None with a problem that says where decoding stopped."""
    if data.startswith((b"PK\x03\x04", b"PAR1", b"\xd0\xcf\x11\xe0")):
        problems.add(
            place,
            "the file holds a workbook or Parquet table, not text",
            "give it its true ending (.xlsx, .parquet), or " + _SAVE_AS,
        )
        return None
    utf16 = data.startswith((b"\xff\xfe", b"\xfe\xff"))
    try:
        text = data.decode("utf-16" if utf16 else "utf-8-sig")
    except UnicodeDecodeError as error:
        bad = data[error.start : error.start + 1]
        positions = None if utf16 else data.count(b"\n", 0, error.start) + 1
        problems.add(
            place,
            "the file is not in UTF-8 (wrong encoding)",
            _SAVE_AS,
            row=positions,
            value=f"byte 0x{bad.hex()}" if bad else "cut-off character",
        )
        return None
    if "\x00" in text:
        problems.add(
            place,
            "the file holds zero bytes: UTF-16 without its mark, or not a text file "
            "(wrong encoding)",
            _SAVE_AS,
            row=text.count("\n", 0, text.index("\x00")) + 1,
        )
        return None
    return text


def separator_of(text: str) -> str:
    """The separator that occurs most in the first line that is not blank."""
    first = next((line for line in io.StringIO(text[:_HEAD]) if line.strip()), "")
    return max(_SEPARATORS, key=first.count)


def header_of(text: str, separator: str) -> tuple[list[str], int]:
    """Header cells and the number of physical lines up to the header's end."""
    reader = csv.reader(io.StringIO(text[:_HEAD], newline=""), delimiter=separator)
    for cells in reader:
        if any(cell.strip() for cell in cells):
            return cells, reader.line_num
    return [], reader.line_num


def _offset(body: bytes, lines: int) -> int:
    """Byte offset after the given number of lines."""
    start = 0
    for _ in range(lines):
        found = body.find(b"\n", start)
        if found < 0:
            return len(body)
        start = found + 1
    return start


def _fast(
    body: bytes, start: int, headers: list[str], separator: str
) -> tuple[list[RawColumn], int] | None:
    """Read the rows from the byte `start` on with pyarrow, or None when it stumbles."""
    import pyarrow as pa
    from pyarrow import csv as arrow_csv

    names = [f"c{number}" for number in range(len(headers))]
    kind = pa.dictionary(pa.int32(), pa.string())
    try:
        table = arrow_csv.read_csv(
            pa.BufferReader(pa.py_buffer(body)[start:]),
            arrow_csv.ReadOptions(column_names=names, block_size=4 << 20),
            arrow_csv.ParseOptions(
                delimiter=separator, newlines_in_values=body.find(b'"', start) >= 0
            ),
            arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(names, kind), null_values=[], strings_can_be_null=False
            ),
        )
    except pa.ArrowException:
        return None
    columns = []
    for header, name in zip(headers, names, strict=True):
        chunked = table.column(name).unify_dictionaries()
        codes = [chunk.indices.to_numpy(zero_copy_only=False) for chunk in chunked.chunks]
        values = chunked.chunk(0).dictionary.to_pylist() if chunked.num_chunks else []
        joined = np.concatenate(codes) if codes else np.zeros(0, np.int32)
        columns.append(RawColumn(header, joined, values))
    return columns, table.num_rows


def _records(text: str, separator: str, skip: int) -> list[tuple[int, list[str]]]:
    """(line, cells) of every row below the header that has any text; raises csv.Error."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    rows, line = [], 1
    for cells in reader:
        if line > skip and any(cell.strip() for cell in cells):
            rows.append((line, cells))
        line = reader.line_num + 1
    return rows


def _slow(
    text: str,
    headers: list[str],
    separator: str,
    skip: int,
    place: tuple[str, str],
    problems: Problems,
) -> tuple[list[RawColumn], np.ndarray] | None:
    """Read with the standard library; report rows of another length than the header."""
    try:
        rows = _records(text, separator, skip)
    except csv.Error as error:
        problems.add(
            place,
            f"the text cannot be split into cells ({error})",
            "look for a quotation mark that is not closed",
        )
        return None
    width = len(headers)
    padded = []
    for line, cells in rows:
        extra = [cell for cell in cells[width:] if cell.strip()]
        if not extra and len(cells) >= width:
            padded.append(cells[:width])
        else:
            padded.append([REPORTED] * width)  # which cell is which cannot be told
            problems.add(
                place,
                f"the row has {len(cells)} cells, the header {width}",
                "give every row as many separators as the header; put text that holds the "
                "separator in quotation marks",
                row=line,
                value=f"{len(cells)} cells",
                cause=f"every row has as many cells as the header ({width})",
            )
    columns = [
        encode_cells(header, [row[position] for row in padded], frozenset())
        for position, header in enumerate(headers)
    ]
    return columns, np.array([line for line, _ in rows], dtype=np.int64)


def _line_lookup(
    body: bytes, separator: str, skip: int, kept: np.ndarray, straight: bool
) -> Callable[[np.ndarray], list[int]]:
    """Positions to lines; the slow count happens only when a problem asks for it."""

    def straight_lines(positions: np.ndarray) -> list[int]:
        return [int(position) + skip + 1 for position in kept[positions]]

    counted: list[int] = []

    def counted_lines(positions: np.ndarray) -> list[int]:
        lines = counted
        if not lines:
            text = body.decode()
            lines.extend(line for line, _ in _records(text, separator, skip))
        return [
            lines[int(position)] if int(position) < len(lines) else -1 for position in positions
        ]

    return straight_lines if straight else counted_lines


def from_text(data: bytes, name: str, problems: Problems) -> RawTable | None:
    """Read the bytes of a CSV file (comma, semicolon or tab).

    Parameters
    ----------
    data : bytes
        The whole file: UTF-8 with or without its mark, or UTF-16 with its mark.
    name : str
        File name for problems.
    problems : Problems
        Takes what is found.

    Returns
    -------
    RawTable or None
        None when nothing can be read; the reason is in the collector.
    """
    place = (name, "")
    text = decode_text(data, place, problems)
    if text is None:
        return None
    same = "\r" not in text and len(text) == len(data)  # plain ASCII without a mark
    if not same:
        text = text.replace("\r\n", "\n").replace("\r", "\n")
    if not text or text.isspace():
        problems.add(place, "the file is empty", "export the table again, header row included")
        return None
    separator = separator_of(text)
    try:
        headers, skip = header_of(text, separator)
    except csv.Error as error:
        problems.add(place, f"the header cannot be read ({error})", _SAVE_AS, row=1)
        return None
    digest = hashlib.sha256(data).hexdigest()
    body = data if same else text.encode("utf-8")
    del text  # a large file is held once
    start = _offset(body, skip)
    if not body[start : start + _HEAD].strip() and not body[start:].strip():
        return RawTable(
            place,
            [RawColumn(header, np.zeros(0, np.int64), []) for header in headers],
            0,
            lambda positions: [],
            digest,
        )
    fast = _fast(body, start, headers, separator) if len(headers) > 1 else None
    if fast is not None:
        columns, rows = fast
        columns, kept = drop_blank_rows(columns, rows)
        straight = body.count(b"\n", start) + (not body.endswith(b"\n")) == rows
        lookup = _line_lookup(b"" if straight else body, separator, skip, kept, straight)
        return RawTable(place, columns, len(kept), lookup, digest)
    slow = _slow(body.decode(), headers, separator, skip, place, problems)
    if slow is None:
        return None
    columns, lines = slow
    return RawTable(
        place,
        columns,
        len(lines),
        lambda positions: [int(line) for line in lines[positions]],
        digest,
    )
