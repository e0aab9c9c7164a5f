"""A season folder's CSV of one table as text: rows added or taken out, every other byte kept."""

from __future__ import annotations

import csv
import io
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from transfer.errors import RecordsError
from transfer.records.exports import restored_cell, safe_cell
from transfer.records.headers import normal_header
from transfer.records.problems import Problems
from transfer.records.schema import TABLES
from transfer.records.season import header_line
from transfer.records.text_file import decode_text, separator_of
from transfer.records.values import BLANKS

__all__ = ["RecordFile", "open_record_file", "row_key", "text_rows"]


@dataclass(frozen=True)
class RecordFile:
    """One record file as it stands.

    Parameters
    ----------
    path : Path
        Where it is, or will be.
    table : str
        Its table.
    text : str
        The whole file, lines ended by a line feed.
    separator : str
        Between cells.
    headers : tuple of str
        As they stand.
    rows : tuple of tuple of str
        Cells as they stand.
    """

    path: Path
    table: str
    text: str
    separator: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]

    @property
    def frame(self) -> pd.DataFrame:
        """Cells by the schema's names, blanks empty; columns that are not known are left out."""
        names = [normal_header(header) for header in self.headers]
        known = [at for at, name in enumerate(names) if name in TABLES[self.table].names]
        cells = [[_plain(row[at]) for at in known] for row in self.rows]
        return pd.DataFrame(cells, columns=[names[at] for at in known], dtype=object)

    @property
    def dicts(self) -> list[dict[str, str]]:
        """The rows of `frame`."""
        return text_rows(self.frame)

    def with_rows(self, rows: pd.DataFrame) -> str:
        """The file with rows at its end; columns it lacks are added at the right.

        Parameters
        ----------
        rows : DataFrame
            Texts by the schema's names.
        """
        names = [normal_header(header) for header in self.headers]
        new = [str(name) for name in rows if name not in names and rows[name].ne("").any()]
        lines = [[str(row.get(name, "")) for name in [*names, *new]] for row in text_rows(rows)]
        if new:
            old = [[*row, *[""] * len(new)] for row in self.rows]
            head = [[*self.headers, *new]]
            return _csv([*head, *old], self.separator) + _csv(_safe(lines), self.separator)
        gap = "" if self.text.endswith("\n") or not self.text else "\n"
        return self.text + gap + _csv(_safe(lines), self.separator)

    def without_rows(self, rows: pd.DataFrame) -> tuple[str, int]:
        """The file without rows that were added once, and how many of them were not found.

        Parameters
        ----------
        rows : DataFrame
            Texts by the schema's names, as they were added.
        """
        wanted = Counter(_cells(row) for row in text_rows(rows))
        own = self.dicts
        gone = set()
        for at in range(len(own) - 1, -1, -1):
            cells = _cells(own[at])
            if wanted[cells] > 0:
                wanted[cells] -= 1
                gone.add(at)
        kept = [row for at, row in enumerate(self.rows) if at not in gone]
        return _csv([self.headers, *kept], self.separator), wanted.total()


def text_rows(frame: pd.DataFrame) -> list[dict[str, str]]:
    """Rows of a frame of texts, column to text."""
    return [
        {str(name): str(text) for name, text in row.items()}
        for row in frame.to_dict(orient="records")
    ]


def _plain(cell: str) -> str:
    text = restored_cell(cell.strip())
    return "" if text.lower() in BLANKS else text


def _cells(row: dict[str, str]) -> frozenset[tuple[str, str]]:
    return frozenset((str(name), str(text)) for name, text in row.items() if text)


def _safe(lines: list[list[str]]) -> list[list[str]]:
    return [[str(safe_cell(cell)) for cell in line] for line in lines]


def _csv(lines: list[list[str]] | list[tuple[str, ...]], separator: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=separator, lineterminator="\n").writerows(lines)
    return out.getvalue()


def row_key(row: dict[str, str], table: str) -> tuple[str, ...]:
    """What makes a row one row of its table, spelt alike for numbers written in two ways.

    Parameters
    ----------
    row : dict of str to str
        Texts by the schema's names.
    table : str
        Name of the table.
    """
    spec = TABLES[table]
    key = [_spelt(row.get(name, ""), spec.column(name).type) for name in spec.key]
    if table == "games":  # a row without attempts holds a game's minutes, beside its shots
        key.append(str(_spelt(row.get("attempts", ""), "count") == "0"))
    return tuple(key)


def _spelt(text: str, kind: str) -> str:
    if kind in ("count", "number"):
        try:
            return f"{float(text):g}" if text else ""
        except ValueError:
            return text
    return text.lower().replace(" ", "_") if kind == "level" else text


def open_record_file(path: Path, table: str) -> RecordFile:
    """Read a season folder's record file so that rows can be added.

    Parameters
    ----------
    path : path
        The file; where there is none, one with the template's header is begun.
    table : str
        Its table.

    Raises
    ------
    RecordsError
        When rows cannot be added to it: no CSV, one row per attempt, damaged, unreadable.
    """
    if path.suffix.lower() != ".csv":
        raise RecordsError(
            f"{path.name} is no CSV file",
            rule="rows are added to record files in CSV",
            next_step=f"save it as {path.stem}.csv and name that under [files] in transfer.toml",
        )
    problems = Problems()
    try:
        data = path.read_bytes() if path.exists() else b""
    except OSError as error:
        raise RecordsError(
            f"{path.name} cannot be opened ({error.strerror or type(error).__name__})",
            rule="the record file may be read",
            next_step="check the right to read it",
        ) from error
    text = decode_text(data, (path.name, ""), problems)
    problems.raise_errors()
    text = (text or "").replace("\r\n", "\n").replace("\r", "\n")
    if not text.strip():
        text = header_line(TABLES[table])
    separator = separator_of(text)
    try:
        lines = [tuple(cells) for cells in csv.reader(io.StringIO(text, newline=""),
                                                      delimiter=separator)]  # fmt: skip
    except csv.Error as error:
        raise _damaged(path, str(error)) from error
    lines = [line for line in lines if any(cell.strip() for cell in line)]
    headers, rows = lines[0], lines[1:]
    if any(len(row) != len(headers) for row in rows):
        raise _damaged(path, "a row has another number of cells than the header")
    if "made" in [normal_header(header) for header in headers]:
        raise RecordsError(
            f"{path.name} has one row per attempt",
            rule="added rows hold makes and attempts, which do not stand beside such rows",
            next_step="begin another season folder with: transfer init DIR",
        )
    return RecordFile(path, table, text, separator, headers, tuple(rows))


def _damaged(path: Path, what: str) -> RecordsError:
    return RecordsError(
        f"{path.name} cannot be added to: {what}",
        rule="a record file is whole before rows are added",
        next_step="run transfer check, mend what it lists, then add again",
    )
