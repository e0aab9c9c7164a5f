"""What was published from a season folder, kept so that the next table can be held against it.

``published.jsonl`` holds the counts behind every bundle and shared page, by player and by all
that was charted: it belongs to the folder as the record files do and is never passed on. It is
added to before anything is written, so that nothing is out that it does not know.
"""

from __future__ import annotations

import json
import os
from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from transfer.errors import ArgumentError, StorageError
from transfer.files import read_plain
from transfer.page.suppression import SMALLEST_GROUP, Published, given_away
from transfer.records.cells import GAME, build_cells
from transfer.records.settings import SETTING_COLUMNS
from transfer.records.units import practice_rows, setting_labels

if TYPE_CHECKING:
    from transfer.records.reading import Records
    from transfer.terminal.inputs import StudyRun

__all__ = ["PUBLISHED", "counts_to_publish", "hold_page", "keep_published", "read_published"]

PUBLISHED = "published.jsonl"
_FORMAT = "practice-transfer published table, 1"


def counts_to_publish(records: Records, settings: tuple[str, ...]) -> pd.DataFrame:
    """Counts of each player-season by setting, and by the finest setting that the records carry.

    Parameters
    ----------
    records : Records
    settings : tuple of str
        Columns that split practice in the table to publish.

    Returns
    -------
    DataFrame
        ``unit``, ``program``, ``setting``, ``fine``, ``attempts``, ``makes``.
    """
    practice = practice_rows(records)
    charted = tuple(c for c in SETTING_COLUMNS if c in practice and (practice[c] != "").any())
    fine = setting_labels(practice, charted)[0].astype(str)
    coarse = setting_labels(practice, settings)[0].astype(str)
    found = build_cells(records, charted).table
    label = {GAME: GAME, **dict(zip(fine, coarse, strict=True))}
    return pd.DataFrame(
        {
            "unit": found["unit"].astype(str),
            "program": found["program"].astype(str).replace({"": "(one program)"}),
            "setting": found["setting"].astype(str).map(label),
            "fine": found["setting"].astype(str),
            "attempts": found["n"],
            "makes": found["y"],
        }
    )


def read_published(folder: Path) -> tuple[Published, ...]:
    """What a season folder has published so far, oldest first.

    Raises
    ------
    StorageError
        When the list is there and cannot be read.
    """
    path = folder / PUBLISHED
    if not path.exists():
        return ()
    try:
        # A line without its end was cut off by a kill, before anything was published.
        whole = read_plain(path).decode("utf-8").rpartition("\n")[0]
        return tuple(_table(json.loads(line)) for line in whole.splitlines())
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise StorageError(
            f"{path} cannot be read: {error}",
            rule="what was published is known before more is published",
            next_step="restore the file from a copy; without it two tables may tell about one "
            "player",
        ) from error


def _table(held: dict[str, Any]) -> Published:
    if held["format"] != _FORMAT:
        raise ValueError("another form")
    figures = tuple((tuple(rows), tuple(parts)) for rows, parts in held["figures"])
    return Published(pd.DataFrame(held["rows"], columns=held["columns"]), figures)


def keep_published(folder: Path, table: Published) -> None:
    """Add a table to the folder's list, unless the same one stands there.

    Raises
    ------
    StorageError
        When the list cannot be read or written.
    """
    if any(_plain(one) == _plain(table) for one in read_published(folder)):
        return
    line = json.dumps(_plain(table)) + "\n"  # ASCII: no code of a player ends a line
    path = folder / PUBLISHED
    try:
        if path.exists():
            os.truncate(path, read_plain(path).rfind(b"\n") + 1)  # what a kill cut off
        # One appended line: two pages that are made at once do not lose each other's.
        with open(path, "ab", buffering=0) as stream:
            stream.write(line.encode("utf-8"))
    except OSError as error:
        raise StorageError(
            f"{path} could not be written: {error.strerror or error}",
            rule="what is published is kept, to be held against later tables",
            next_step="free disk space, or make the season folder writable",
        ) from error


def _plain(table: Published) -> dict[str, object]:
    figures = [[list(rows), list(parts)] for rows, parts in table.figures]
    rows = json.loads(table.counts.to_json(orient="values"))
    return {
        "format": _FORMAT,
        "columns": list(table.counts.columns),
        "rows": rows,
        "figures": figures,
    }


def hold_page(study: StudyRun, hidden: Collection[str]) -> None:
    """Refuse a shared page from which a hidden count could be worked out; else keep its figures.

    A page states the attempts of every setting that is not hidden, of each mode and of games.

    Parameters
    ----------
    study : StudyRun
        Records and options behind the page.
    hidden : collection of str
        Settings whose counts the page hides.

    Raises
    ------
    ArgumentError
        When the page, with what the season folder has published before, would tell about too few
        players. Nothing is written then.
    StorageError
        When the list of what was published cannot be read or written.
    """
    counts = counts_to_publish(study.records, study.request.settings)
    modes = study.cells.table.drop_duplicates("setting").set_index("setting")["mode"]
    rows = tuple(sorted(counts["program"].unique()))
    fine = {str(s): tuple(sorted(p["fine"].unique())) for s, p in counts.groupby("setting")}
    figures = [fine[s] for s in fine if s not in hidden]
    for mode in modes.unique():
        of_mode = [fine[s] for s in fine if modes[s] == mode]
        figures.append(tuple(sorted(label for labels in of_mode for label in labels)))
    table = Published(
        counts.rename(columns={"unit": "who", "program": "row"})[
            ["who", "row", "fine", "attempts", "makes"]
        ],
        tuple((rows, parts) for parts in dict.fromkeys(figures)),
    )
    season = study.request.season
    before = () if season is None else read_published(season.folder)
    told = given_away(table, before)
    if told is not None:
        raise ArgumentError(
            f"the page would tell a count of {told.people} player(s) to between {told.low:.0f} "
            f"and {told.high:.0f}",
            rule=f"no figures together tell about fewer than {SMALLEST_GROUP} players, or about a "
            "group of which one player has more than half",
            next_step="share the page with --settings mode, which pools small groups, or wait for "
            "more players",
        )
    if season is not None:
        keep_published(season.folder, table)
