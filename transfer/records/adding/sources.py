"""A foreign file as sheets of text: every cell as it stands, with its row number.

Unlike the readers of record files, nothing is known yet about headers. A title above the
header, and a header in two lines (drills above, makes and attempts below), are told apart here.
"""

from __future__ import annotations

import csv
import hashlib
import io
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from transfer.errors import RecordsError
from transfer.records.adding.words import COUNT_WORDS, plain_words
from transfer.records.problems import Problems
from transfer.records.raw import REPORTED, RawTable, from_parquet
from transfer.records.sheet_file import sheet_grids
from transfer.records.text_file import decode_text, separator_of

__all__ = ["Sheet", "Source", "read_source"]

_TEXT = (".csv", ".tsv", ".txt")
_BOOK = (".xlsx", ".xlsm")
_PARQUET = (".parquet", ".pq")


@dataclass(frozen=True)
class Sheet:
    """One table of a foreign file.

    Parameters
    ----------
    file : str
        Name of the file, without folders.
    name : str
        Name of the sheet; empty for a file that has none.
    frame : DataFrame
        Texts, blanks empty; headers as they stand, possibly repeated.
    rows : int array, shape (N,)
        Row number of every line of the frame, as a person sees it.
    """

    file: str
    name: str
    frame: pd.DataFrame
    rows: np.ndarray

    @property
    def headers(self) -> tuple[str, ...]:
        """Headers in file order."""
        return tuple(str(header) for header in self.frame.columns)

    @property
    def place(self) -> tuple[str, str]:
        """File and sheet, as problems name them."""
        return self.file, self.name

    def column(self, header: str) -> pd.Series:
        """The texts under a header; the first one when it repeats."""
        return self.frame.iloc[:, self.headers.index(header)]


@dataclass(frozen=True)
class Source:
    """A foreign file: its sheets that hold rows, and the hash of its bytes."""

    path: Path
    sha256: str
    sheets: tuple[Sheet, ...] = field(default_factory=tuple)

    @property
    def name(self) -> str:
        """File name without folders."""
        return self.path.name


def read_source(path: Path | str) -> Source:
    """Read every sheet of a CSV, Excel or Parquet file.

    Parameters
    ----------
    path : path
        The file.

    Raises
    ------
    RecordsError
        When the file cannot be opened, is of no known kind, is damaged, or holds no row.
    """
    path = Path(path)
    problems = Problems()
    try:
        data = path.read_bytes()
    except OSError as error:
        raise RecordsError(
            f"{path.name} cannot be opened ({error.strerror or type(error).__name__})",
            rule="the file exists and may be read",
            next_step="check the name, the folder and the right to read it",
        ) from error
    grids = _grids(data, path, problems)
    sheets = [_sheet(path.name, name, grid, problems) for name, grid in grids]
    problems.raise_errors()
    filled = tuple(sheet for sheet in sheets if sheet is not None and len(sheet.rows))
    if not filled:
        raise RecordsError(
            f"{path.name} holds no row below a header",
            rule="a table has a line of headers and rows below it",
            next_step="export the table again, header row included",
        )
    return Source(path, hashlib.sha256(data).hexdigest(), filled)


Line = tuple[int, list[str]]


def _grids(data: bytes, path: Path, problems: Problems) -> list[tuple[str, list[Line]]]:
    ending = path.suffix.lower()
    if ending in _BOOK:
        return sheet_grids(data, path.name, problems)
    if ending in _PARQUET:
        raw = from_parquet(data, path.name, problems)
        return [] if raw is None else [("", _raw_lines(raw))]
    if ending in _TEXT:
        return [("", _text_lines(data, path.name, problems))]
    raise RecordsError(
        f"{path.name} is of no kind that is read here",
        rule="a file ends in .csv, .tsv, .txt, .xlsx or .parquet",
        next_step="save the table as .csv (UTF-8) or .xlsx",
    )


def _text_lines(data: bytes, name: str, problems: Problems) -> list[Line]:
    text = decode_text(data, (name, ""), problems)
    if text is None:
        return []
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator_of(text))
    lines, number = [], 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells):
                lines.append((number, [cell.strip() for cell in cells]))
            number = reader.line_num + 1
    except csv.Error as error:
        problems.add(
            (name, ""),
            f"the text cannot be split into cells ({error})",
            "look for a quotation mark that is not closed",
            row=number,
        )
    return lines


def _raw_lines(raw: RawTable) -> list[Line]:
    columns = [np.array([*c.values, ""], dtype=object)[c.codes] for c in raw.columns]
    numbers = raw.row_numbers(np.arange(raw.n))
    cells = [[str(cell).strip() for cell in row] for row in zip(*columns, strict=True)]
    return [(0, [c.header for c in raw.columns]), *zip(numbers, cells, strict=True)]


def _sheet(file: str, name: str, lines: list[Line], problems: Problems) -> Sheet | None:
    """The table below its header; None for a sheet without rows."""
    start = next(
        (at for at, (_, cells) in enumerate(lines) if sum(map(bool, cells)) > 1), len(lines)
    )
    if start + 1 >= len(lines):
        return None
    headers, body = lines[start][1], lines[start + 1 :]
    if _is_second_header(headers, body[0][1]):
        headers, body = _joined(headers, body[0][1]), body[1:]
    while headers and not headers[-1]:
        headers = headers[:-1]
    width = len(headers)
    for number, cells in body:
        if any(cells[width:]):
            problems.add(
                (file, name),
                f"the row has more cells than the header ({width})",
                "give these cells a header or clear them; put text that holds the separator in "
                "quotation marks",
                row=number,
                cause="a row has more cells than the header",
            )
    rows = [[*cells[:width], *[""] * (width - len(cells))] for _, cells in body]
    frame = pd.DataFrame(rows, columns=pd.Index(headers, dtype=object), dtype=object)
    return Sheet(file, name, frame, np.array([number for number, _ in body], dtype=np.int64))


def _is_second_header(first: list[str], second: list[str]) -> bool:
    """Whether drills stand in one line and makes and attempts in the next."""
    marks = [plain_words(cell) in COUNT_WORDS for cell in second if cell]
    gaps = sum(1 for cell in first if not cell) + max(0, len(second) - len(first))
    return gaps > 0 and sum(marks) >= 2 and sum(marks) >= len(marks) - 2


def _joined(first: list[str], second: list[str]) -> list[str]:
    """One header a column from two lines; the upper one holds until the next."""
    width = max(len(first), len(second))
    upper = [*first, *[""] * (width - len(first))]
    lower = [*second, *[""] * (width - len(second))]
    headers, above = [], ""
    for over, under in zip(upper, lower, strict=True):
        above = over or above
        headers.append(f"{above} {under}".strip() if under else over)
    return headers


def is_reported(texts: pd.Series) -> pd.Series:
    """Cells whose problem was told already."""
    return texts == REPORTED
