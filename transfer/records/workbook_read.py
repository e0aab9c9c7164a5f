"""A charted workbook in, one CSV per table out, after the same checks as for any other file."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import RecordsError, StorageError
from transfer.files import read_plain, write_text
from transfer.records.exports import csv_text, restored_cell
from transfer.records.headers import match_headers
from transfer.records.limits import FILE_BYTES
from transfer.records.problems import Problems
from transfer.records.raw import RawTable
from transfer.records.reading import Records, load_table, read_records
from transfer.records.schema import TABLES
from transfer.records.settings import DEFAULTS
from transfer.records.sheet_file import from_workbook, sheet_names
from transfer.records.text_file import from_text
from transfer.records.values import BLANKS

__all__ = [
    "WorkbookRecords",
    "charted_frame",
    "read_charted",
    "read_workbook",
    "refuse_other_rows",
    "write_tables",
]


@dataclass(frozen=True)
class WorkbookRecords:
    """A workbook that passed the checks.

    Parameters
    ----------
    records : Records
        Checked records of all filled sheets.
    sheets : dict of str to DataFrame
        Table name to its cells as charted (texts; columns of the schema only, in its order),
        before drill defaults and spot distances are filled in.
    left_out : tuple of str
        Tables whose sheet holds no row.
    """

    records: Records
    sheets: dict[str, pd.DataFrame]
    left_out: tuple[str, ...]

    @property
    def text(self) -> str:
        """One sentence on what the workbook holds."""
        rest = f" Without rows: {', '.join(self.left_out)}." if self.left_out else ""
        return f"{self.records.text}{rest}"

    def to_dict(self) -> dict[str, Any]:
        """Return plain values (not the rows)."""
        rows = {name: len(sheet) for name, sheet in self.sheets.items()}
        return {**self.records.to_dict(), "rows": rows, "left_out": list(self.left_out)}


def read_workbook(
    path: Path | str,
    *,
    season_start: datetime.date | str | None = None,
    season_end: datetime.date | str | None = None,
    rule_body: str = DEFAULTS.rule_body,
) -> WorkbookRecords:
    """Read and check every filled sheet of a record workbook.

    Parameters
    ----------
    path : path
        The ``.xlsx`` file.
    season_start, season_end, rule_body
        As in `transfer.records.reading.read_records`.

    Raises
    ------
    RecordsError
        When the file is no workbook, holds no charted row, or any sheet has an error; ``problems``
        lists all of all sheets.
    """
    path = Path(path)
    raws = _raw_tables(path)
    filled = {name: raw for name, raw in raws.items() if raw is None or raw.n}
    if not {"practice", "games"} & set(filled):
        raise RecordsError(
            f"{path.name} holds no charted row in its sheets practice and games",
            rule="there is at least one row of attempts; the row marked as example is not read",
            next_step="fill in the sheet practice or games from its third row on",
        )
    inputs: dict[str, Any] = dict.fromkeys(filled, path)
    records = read_records(
        **inputs, season_start=season_start, season_end=season_end, rule_body=rule_body
    )
    sheets = {name: charted_frame(raw, name) for name, raw in filled.items() if raw is not None}
    return WorkbookRecords(records, sheets, tuple(n for n in TABLES if n not in filled))


def _raw_tables(path: Path) -> dict[str, RawTable | None]:
    """Cells of every sheet that is named like a table; None for a sheet that cannot be read."""
    problems = Problems()
    try:
        data = read_plain(path, FILE_BYTES)
    except OSError as error:
        raise RecordsError(
            f"{path.name} cannot be opened ({error.strerror or type(error).__name__})",
            rule="the workbook is a file that may be read",
            next_step="check the name, the folder and the right to read it",
        ) from error
    names = sheet_names(data, path.name, problems)
    problems.raise_errors()
    tables = [table for table in TABLES if table in names]
    if not tables:
        raise RecordsError(
            f"{path.name} has no sheet named {', '.join(TABLES)}; it has {', '.join(names)}",
            rule="a record workbook has one sheet per table, named like it",
            next_step="rename the sheets, or begin with: transfer workbook new FILE.xlsx",
        )
    # Problems of sheets and cells are found again, with all others, when the records are read.
    return {table: from_workbook(data, path.name, table, problems) for table in tables}


def charted_frame(raw: RawTable, table: str) -> pd.DataFrame:
    """A table's cells as texts, its known columns only, in schema order.

    Parameters
    ----------
    raw : RawTable
        Cells as they stand in the source.
    table : str
        Name of the table.

    Returns
    -------
    DataFrame
        Texts; blanks are empty texts. Columns in which nothing stands are left out, unless every
        row needs them.
    """
    spec = TABLES[table]
    cells = match_headers(raw, spec, Problems())
    columns: dict[str, np.ndarray] = {}
    for column in spec.columns:
        if column.name not in cells:
            continue
        own = cells[column.name]
        texts = [restored_cell(text.strip()) for text in own.values]
        texts = ["" if text.lower() in BLANKS else text for text in texts]
        values = np.array([*texts, ""], dtype=object)[own.codes]
        if column.required != "no" or any(values):
            columns[column.name] = values
    return pd.DataFrame(columns, dtype=object)


def read_charted(path: Path | str, table: str) -> pd.DataFrame:
    """One table's cells as charted, from a file of any kind, without the checks.

    Parameters
    ----------
    path : path
        CSV, Parquet or ``.xlsx``.
    table : str
        Name of the table.

    Returns
    -------
    DataFrame
        See `charted_frame`.

    Raises
    ------
    RecordsError
        When the file cannot be read, or holds no column of the table.
    """
    problems = Problems()
    raw = load_table(path, table, problems)
    problems.raise_errors()
    if raw is None:
        raise RecordsError(
            f"{Path(path).name} cannot be read",
            rule="a record file is CSV, Parquet or .xlsx",
            next_step="save it again as CSV in UTF-8",
        )
    frame = charted_frame(raw, table)
    if frame.shape[1] == 0:
        raise RecordsError(
            f"{Path(path).name} holds no column of the table {table}",
            rule=f"columns are {', '.join(TABLES[table].names)}",
            next_step="rename the columns",
        )
    return frame


def refuse_other_rows(
    sheets: dict[str, pd.DataFrame], folder: Path | str, *, replace: bool = False
) -> dict[Path, str]:
    """Contents of the files to write, once it is sure that no other rows are lost by it.

    Parameters
    ----------
    sheets, folder, replace
        As in `write_tables`.

    Raises
    ------
    StorageError
        When a file holds other rows already.
    """
    contents = {Path(folder) / f"{name}.csv": csv_text(sheet) for name, sheet in sheets.items()}
    held = [
        path.name
        for path, text in contents.items()
        if not replace and _holds_other_rows(path, text)
    ]
    if held:
        raise StorageError(
            f"{folder} holds records already: {', '.join(held)}",
            rule="records are not overwritten unless that is asked for",
            next_step="choose another folder, or pass --replace",
        )
    return contents


def write_tables(
    sheets: dict[str, pd.DataFrame], folder: Path | str, *, replace: bool = False
) -> tuple[Path, ...]:
    """Write one CSV per table; record files that hold rows are kept unless told otherwise.

    Parameters
    ----------
    sheets : dict of str to DataFrame
        Table name to its rows.
    folder : path
        Where ``practice.csv`` and so on shall be.
    replace : bool
        Whether files that hold other rows may be written over.

    Returns
    -------
    tuple of Path
        The files.

    Raises
    ------
    StorageError
        When a file holds other rows already (nothing is written), or cannot be written.
    """
    contents = refuse_other_rows(sheets, folder, replace=replace)
    return tuple(write_text(path, text) for path, text in contents.items())


def _holds_other_rows(path: Path, text: str) -> bool:
    if not path.exists():
        return False
    data = read_plain(path, FILE_BYTES)
    if not data or data == text.encode("utf-8"):
        return False
    raw = from_text(data, path.name, Problems())
    return raw is None or raw.n > 0
