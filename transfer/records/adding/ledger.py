"""What was added to a season folder, file by file: nothing enters twice, and one step back works.

``added/additions.json`` lists the additions; the rows of each stand beside it as they were added.
An addition is written down as begun before any record file changes, and as done afterwards; one
that was interrupted is taken back by the next command.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import pandas as pd

from transfer.errors import RecordsError, StorageError
from transfer.files import write_text
from transfer.records.adding.record_file import open_record_file
from transfer.records.exports import csv_text
from transfer.records.season import SeasonConfig
from transfer.records.workbook_read import read_charted

__all__ = ["FOLDER", "Addition", "additions", "take_back", "table_path", "write_addition"]

#: Folder of the list and of the added rows, inside the season folder.
FOLDER = "added"
_LIST = "additions.json"
_FORMAT = "transfer additions, version 1"


@dataclass(frozen=True)
class Addition:
    """One file that was added.

    Parameters
    ----------
    number : int
        Counted from 1.
    day : str
        When, year first.
    file : str
        Name of the file, without folders.
    sha256 : str
        Of its bytes.
    mapping : str
        Name of the mapping file.
    mapping_sha256 : str
        Of the mapping's text.
    table : str
        Record table.
    read, kept : int
        Rows of the file that hold anything, and those that were converted.
    left_out : dict of str to int
        Reason to rows.
    added : int
        Rows added to the table (rows of one key are one).
    already : int
        Converted rows that were in the table before.
    attempts, makes : int
        Of the added rows.
    drills : int
        Lines added to the drills table.
    settings : dict of str to str
        What selected and converted the rows (band, types, court), in words.
    done : bool
        Whether every file was written.
    """

    number: int
    day: str
    file: str
    sha256: str
    mapping: str
    mapping_sha256: str
    table: str
    read: int
    kept: int
    left_out: dict[str, int]
    added: int
    already: int
    attempts: int
    makes: int
    drills: int = 0
    settings: dict[str, str] = field(default_factory=dict)
    done: bool = False

    def rows_file(self, table: str) -> str:
        """Name of the file that holds its rows of a table."""
        return f"{self.number:04d}-{table}.csv"


def additions(season: SeasonConfig) -> tuple[Addition, ...]:
    """Read the list of additions.

    Parameters
    ----------
    season : SeasonConfig
        The season folder.

    Returns
    -------
    tuple of Addition
        Oldest first; empty where nothing was added yet.

    Raises
    ------
    StorageError
        When the list cannot be read.
    """
    path = season.folder / FOLDER / _LIST
    if not path.exists():
        return ()
    try:
        found = json.loads(path.read_text("utf-8"))
        if found["format"] != _FORMAT:
            raise ValueError(f"format {found['format']!r}")
        listed = tuple(Addition(**entry) for entry in found["additions"])
        if not all(isinstance(entry.number, int) for entry in listed):
            raise TypeError("number")
    except (OSError, ValueError, TypeError, KeyError, RecursionError) as error:
        raise StorageError(
            f"{FOLDER}/{_LIST} cannot be read: {error}",
            rule="the list of additions is as transfer add wrote it",
            next_step=f"bring it back from a backup, or move the folder {FOLDER} away; the "
            "records stay as they are, but what they were made from is then not known",
        ) from error
    return listed


def _keep(season: SeasonConfig, entries: tuple[Addition, ...]) -> None:
    told = {"format": _FORMAT, "additions": [asdict(entry) for entry in entries]}
    text = json.dumps(told, indent=1, ensure_ascii=False) + "\n"
    write_text(season.folder / FOLDER / _LIST, text)


def table_path(season: SeasonConfig, table: str) -> Path:
    """Where the season folder's file of a table is, or would be."""
    return season.files.get(table, season.folder / f"{table}.csv")


def write_addition(
    season: SeasonConfig, entry: Addition, tables: Mapping[str, pd.DataFrame]
) -> None:
    """Add rows to record files; every file is whole at every moment.

    Parameters
    ----------
    season : SeasonConfig
        The season folder.
    entry : Addition
        Its line in the list.
    tables : mapping of str to DataFrame
        Table to the rows to add, texts.

    Raises
    ------
    StorageError
        When a file cannot be written; what was begun is taken back by the next command.
    """
    before = additions(season)
    texts = {}
    for table, rows in tables.items():
        file = open_record_file(table_path(season, table), table)
        texts[file.path] = file.with_rows(rows)
        write_text(season.folder / FOLDER / entry.rows_file(table), csv_text(rows))
    _keep(season, (*before, entry))
    for path, text in texts.items():
        write_text(path, text)
    _keep(season, (*before, replace(entry, done=True)))


def take_back(season: SeasonConfig) -> Addition | None:
    """Undo the last addition.

    Parameters
    ----------
    season : SeasonConfig
        The season folder.

    Returns
    -------
    Addition or None
        What was taken back; None where nothing was added.

    Raises
    ------
    RecordsError
        When rows of the addition were changed since; nothing is taken out then.
    StorageError
        When a file cannot be read or written.
    """
    entries = additions(season)
    if not entries:
        return None
    last = entries[-1]
    texts = {}
    for table in dict.fromkeys((last.table, "drills")):
        kept = season.folder / FOLDER / last.rows_file(table)
        if not kept.exists():
            continue
        file = open_record_file(table_path(season, table), table)
        text, missing = file.without_rows(read_charted(kept, table))
        # Lines of drills that were answered since stay; so do rows of an interrupted addition.
        if missing and table == last.table and last.done:
            raise RecordsError(
                f"{missing} of the {last.added} rows that {last.file} added to {file.path.name} "
                "were changed since",
                rule="an addition is taken back whole or not at all",
                next_step=f"take the rows out of {file.path.name} by hand; they are listed in "
                f"{FOLDER}/{kept.name}",
            )
        texts[file.path] = text
    _keep(season, (*entries[:-1], replace(last, done=False)))
    for path, text in texts.items():
        write_text(path, text)
    _keep(season, entries[:-1])
    for table in (last.table, "drills"):
        (season.folder / FOLDER / last.rows_file(table)).unlink(missing_ok=True)
    return last
