"""One large file read batch by batch: its header against the schema, its columns as arrays."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from transfer.errors import StorageError
from transfer.records.headers import normal_header
from transfer.records.schema import PRACTICE, TABLES
from transfer.records.text_file import header_of, separator_of

__all__ = ["BLOCKS", "DEFAULTS", "NEEDED", "LargeFile", "Part", "keys_of", "open_part"]

_WHO = ("program", "season", "player")
#: Rows that share one block of minutes.
BLOCKS = {
    "practice": ("program", "season", "date", "session", "player", "drill", "set", "second_chart"),
    "games": ("program", "season", "date", "game", "player"),
}
NEEDED = {"practice": ("date", "session", "player", "drill"), "games": ("date", "game", "player")}
#: Drill defaults that a cell can be made of.
DEFAULTS = tuple(n for n in TABLES["drills"].names if n in PRACTICE.names)
#: Bytes within which a CSV header must end; bytes of text and rows of Parquet read at once.
_HEAD, _BYTES, _ROWS = 1 << 18, 4 << 20, 1 << 19


@dataclass(frozen=True)
class Part:
    """One file and what it is counted by.

    Parameters
    ----------
    table : str
        ``practice`` or ``games``.
    path : Path
    settings : tuple of str
        Practice columns that make a setting; empty for games.
    split : bool
        Also by defender (practice) or by contest (games), where charted.
    distance : bool
        Also keep distances, and spots that stand for them.
    fouled_miss_counts : bool
        Whether a fouled miss weighs in the mean distance.
    defaults : tuple of str
        Columns that the drills table supplies; counted by drill when there are any.
    """

    table: str
    path: Path
    settings: tuple[str, ...] = ()
    split: bool = False
    distance: bool = False
    fouled_miss_counts: bool = False
    defaults: tuple[str, ...] = ()


def keys_of(part: Part, held: set[str]) -> list[str]:
    """Columns that a file is grouped by, of those it holds."""
    keys = [*_WHO, *part.settings]
    if part.split:
        keys.append("defender" if part.table == "practice" else "contest")
    if part.distance:
        keys.append("spot")
    if part.table == "practice":
        keys.append("second_chart")
    if part.defaults:
        keys.append("drill")
    return [k for k in dict.fromkeys(keys) if k in held]


@dataclass(frozen=True)
class LargeFile:
    """A file whose header was read.

    Parameters
    ----------
    path : Path
    columns : dict of str to int
        Schema name to the column's place in the file.
    width : int
        Number of columns in the file.
    separator, skip, encoding : str, int, str
        How a CSV file is cut; `skip` lines end its header. Empty for Parquet.
    """

    path: Path
    columns: dict[str, int]
    width: int
    separator: str = ""
    skip: int = 0
    encoding: str = "utf-8"

    def batches(self, names: list[str], threads: bool) -> Iterator[list[Any]]:
        """Yield the named columns as Arrow arrays of one length, in file order.

        Parameters
        ----------
        names : list of str
            Schema names; the empty name stands for all other columns of the file.
        threads : bool
            Whether Arrow may use threads of its own.
        """
        named = {self.columns[n] for n in names if n}
        rest = [i for i in range(self.width) if i not in named]
        places = [i for n in names for i in (rest if n == "" else [self.columns[n]])]
        if self.separator:
            yield from self._text(places, threads)
        else:
            yield from self._parquet(places, threads)

    def _text(self, places: list[int], threads: bool) -> Iterator[list[Any]]:
        import pyarrow as pa
        from pyarrow import csv as arrow_csv

        names = [f"c{i}" for i in range(self.width)]
        wanted = list(dict.fromkeys(names[i] for i in places))
        kind = pa.dictionary(pa.int32(), pa.string())
        reader = arrow_csv.open_csv(
            str(self.path),
            arrow_csv.ReadOptions(
                column_names=names, skip_rows=self.skip, block_size=_BYTES, use_threads=threads,
                encoding=self.encoding,
            ),
            arrow_csv.ParseOptions(delimiter=self.separator, newlines_in_values=True),
            arrow_csv.ConvertOptions(
                column_types=dict.fromkeys(wanted, kind), include_columns=wanted, null_values=[],
                strings_can_be_null=False,
            ),
        )  # fmt: skip
        with reader:
            for batch in reader:
                yield [batch.column(wanted.index(names[i])) for i in places]

    def _parquet(self, places: list[int], threads: bool) -> Iterator[list[Any]]:
        import pyarrow as pa
        from pyarrow import parquet

        # Headers may hold dots or repeat; leaf columns of flat tables are found by place.
        schema = parquet.read_schema(self.path)
        texts = [
            f.name for f in schema if pa.types.is_string(f.type) or pa.types.is_large_string(f.type)
        ]
        with parquet.ParquetFile(self.path, read_dictionary=texts) as file:
            wanted = list(dict.fromkeys(schema.names[i] for i in places))
            for batch in file.iter_batches(_ROWS, columns=wanted, use_threads=threads):
                yield [batch.column(batch.schema.get_field_index(schema.names[i])) for i in places]

    def row_numbers(self, positions: set[int]) -> dict[int, int]:
        """Rows as a person sees them: lines of a CSV file, 1-based positions in Parquet.

        Parameters
        ----------
        positions : set of int
            0-based positions of rows in the file.
        """
        if not self.separator or not positions:
            return {p: p + 1 for p in positions}
        found, last = {}, max(positions)
        with open(self.path, encoding=self.encoding, newline="") as stream:
            for _ in range(self.skip):
                stream.readline()
            reader, line, at = csv.reader(stream, delimiter=self.separator), 1, 0
            for cells in reader:
                if cells and at in positions:
                    found[at] = self.skip + line
                at, line = at + bool(cells), reader.line_num + 1
                if at > last:
                    break
        return found


def open_part(part: Part) -> LargeFile:
    """Read a file's header and match it with the schema.

    Parameters
    ----------
    part : Part

    Returns
    -------
    LargeFile

    Raises
    ------
    StorageError
        When a column is missing or stands twice, or both forms of a table are mixed.
    """
    if part.path.suffix.lower() == ".csv":
        headers, cut = _text_header(part.path)
    else:
        from pyarrow import parquet

        headers, cut = list(parquet.read_schema(part.path).names), {}
    columns: dict[str, int] = {}
    for place, header in enumerate(headers):
        name = normal_header(header)
        if name in columns:
            raise StorageError(
                f"{part.path.name} holds the header {name!r} more than once",
                rule="a header stands once",
                next_step="keep one of the columns, or rename the other",
            )
        if name in TABLES[part.table].names:
            columns[name] = place
    _require_columns(part, set(columns))
    return LargeFile(part.path, columns, len(headers), **cut)


def _text_header(path: Path) -> tuple[list[str], dict[str, Any]]:
    """Header cells of a CSV file, and how it is cut."""
    with open(path, "rb") as stream:
        head = stream.read(_HEAD)
    utf16 = head.startswith((b"\xff\xfe", b"\xfe\xff"))
    encoding = "utf-16" if utf16 else "utf-8-sig"
    text = head.decode(encoding, errors="ignore").replace("\r\n", "\n").replace("\r", "\n")
    separator = separator_of(text)
    try:
        headers, skip = header_of(text, separator)
    except csv.Error as error:
        raise StorageError(
            f"{path.name} has a header that cannot be read ({error})",
            rule="a CSV file begins with a header row",
            next_step="look for a quotation mark that is not closed",
        ) from error
    cut = {"separator": separator, "skip": skip, "encoding": "utf-16" if utf16 else "utf-8"}
    return headers, cut


def _require_columns(part: Part, held: set[str]) -> None:
    supplied = {*part.defaults, *(("side",) if "spot" in held | set(part.defaults) else ())}
    missing = [
        k
        for k in dict.fromkeys((*NEEDED[part.table], *part.settings))
        if k not in held and k not in supplied
    ]
    counts = {"attempts", "makes"} & held
    if "made" not in held and len(counts) < 2:
        missing.append("made")
    if missing:
        raise StorageError(
            f"{part.path.name} lacks the column {', '.join(missing)}",
            rule=f"a large file of {part.table} carries {', '.join(NEEDED[part.table])}, made (or "
            "attempts and makes) and what makes a setting, in every row or as the drill's default",
            next_step="add the columns, or read the records the ordinary way",
        )
    if "made" in held and counts:
        raise StorageError(
            f"{part.path.name} holds made and {', '.join(sorted(counts))}",
            rule="a table has either attempts and makes, or made with one row per attempt",
            next_step="delete the columns of one form",
        )
