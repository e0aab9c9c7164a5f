"""Cells from files too large for memory: counted file by file, each distinct text parsed once.

Every file (a week, or a program) is counted once into a small table, checked, and kept in a cache
under its size, its time of change and samples of its bytes; adding a week reads the week only. The
small tables then go through the rules of small files and `transfer.records.cells.build_cells`, so
that the cells are those that reading everything at once would give.
"""

from __future__ import annotations

import datetime
import hashlib
import io
import os
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import astuple, dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from transfer.errors import ArgumentError, StorageError
from transfer.files import write_bytes
from transfer.provenance import hash_frames
from transfer.records.bulk_checks import (
    check_labels,
    check_season,
    counted_table,
    read_drills,
)
from transfer.records.bulk_count import Counted, count_file
from transfer.records.bulk_join import joined_table, require_whole_days
from transfer.records.bulk_read import DEFAULTS, Part
from transfer.records.cells import Cells, build_cells
from transfer.records.checked import Checked
from transfer.records.geometry import court
from transfer.records.problems import Problem, Problems
from transfer.records.reading import Records, load_table

__all__ = ["NOT_CHECKED", "BulkCells", "bulk_cells"]

#: What `read_records` checks and this path does not.
NOT_CHECKED = (
    "rows entered twice (no attempt numbers are compared)",
    "first-to-k sets against their targets",
    "players against the roster",
    "the columns that no cell is made of",
    "spots far from a charted distance",
)
#: Raised when a counted file would come out differently for the same bytes.
_CACHE_VERSION = 2
_SAMPLE = 1 << 16
_ENDINGS = (".parquet", ".pq", ".csv")


@dataclass(frozen=True)
class BulkCells:
    """Cells of many files, with what was read for them.

    Parameters
    ----------
    cells : Cells
        As `build_cells` gives them.
    table : DataFrame
        One row per file: ``table``, ``file``, ``rows``, ``attempts``, ``makes``, ``first``,
        ``last``, ``from_cache``.
    problems : tuple of Problem
        Warnings and notes (never errors).
    not_checked : tuple of str
        Rules of `read_records` that were not applied.
    """

    cells: Cells
    table: pd.DataFrame
    problems: tuple[Problem, ...] = ()
    not_checked: tuple[str, ...] = NOT_CHECKED

    @property
    def text(self) -> str:
        """One sentence on what was read, and what was not checked."""
        read = int((~self.table["from_cache"]).sum())
        return (
            f"{int(self.table['rows'].sum()):,} rows of {len(self.table)} files "
            f"({read} read now, {len(self.table) - read} from the cache) are "
            f"{len(self.cells.table):,} cells of {len(self.cells.units):,} player-seasons. "
            f"{self._told()}"
            f"Not checked in this way of reading: {'; '.join(self.not_checked)}."
        )

    def _told(self) -> str:
        warnings = sum(p.severity == "warning" for p in self.problems)
        notes = len(self.problems) - warnings
        return f"Warnings: {warnings}, notes: {notes}. " if self.problems else ""

    def to_dict(self) -> dict[str, Any]:
        """Return files, counts and hash as plain values (not the cells)."""
        files = self.table.to_dict(orient="records")
        for row in files:
            row["first"], row["last"] = str(row["first"])[:10], str(row["last"])[:10]
        return {
            "files": files,
            "cells": len(self.cells.table),
            "player_seasons": len(self.cells.units),
            "data_hash": self.cells.data_hash,
            "problems": [p.to_dict() for p in self.problems],
            "not_checked": list(self.not_checked),
            "text": self.text,
        }


def bulk_cells(
    practice: Sequence[Path | str] = (),
    games: Sequence[Path | str] = (),
    settings: Sequence[str] | str = ("mode", "contest"),
    *,
    drills: Path | str | pd.DataFrame | None = None,
    distance: bool = False,
    game_contest: bool = False,
    defenders: bool = False,
    fouled_miss_counts: bool = False,
    season_start: datetime.date | None = None,
    season_end: datetime.date | None = None,
    rule_body: str = "NFHS",
    cache: Path | str | None = None,
    memory_mb: int = 1200,
    threads: int | None = None,
) -> BulkCells:
    """Count the attempts of many Parquet or CSV files into cells.

    Parameters
    ----------
    practice, games : sequence of path
        Files of one table each, one row per attempt (``made``) or rows of counts. A file holds
        whole days of a program when minutes are charted, because a drill's minutes stand on each
        of its rows.
    settings, distance, game_contest, defenders, fouled_miss_counts
        As in `build_cells`.
    drills : path or DataFrame, optional
        The drills table, whose defaults fill blanks of practice rows.
    season_start, season_end : date, optional
        First and last day on which an attempt may lie.
    rule_body : str
        Court whose geometry turns spots into distances.
    cache : path, optional
        Folder for the counted files; nothing is kept when omitted.
    memory_mb : int
        Memory of the tables that rows are counted in; beyond it, they lie on disk.
    threads : int, optional
        Files counted at the same time; all cores of this process when omitted.

    Returns
    -------
    BulkCells

    Raises
    ------
    ArgumentError
        No file, an unknown ending, or days in two files whose minutes would count twice.
    RecordsError
        When a file breaks a rule that is checked here.
    StorageError
        When a file cannot be read.
    """
    court(rule_body)
    problems = Problems()
    defaults = None if drills is None else _defaults(drills, problems)
    parts = _parts(
        practice, games, settings, defaults, distance, (defenders, game_contest),
        fouled_miss_counts,
    )  # fmt: skip
    _require_files(parts)
    tables: dict[Part, pd.DataFrame] = {}
    rows = []
    for part, (counted, cached) in zip(parts, _all(parts, cache, memory_mb, threads), strict=True):
        problems.found.extend(counted.problems.found)
        if counted.table.empty:
            continue
        check_season(counted.table, part, season_start, season_end, problems)
        rows.append(_row(part, counted.table, cached))
        tables[part] = counted.table
    labels = {part: counted_table(part, table) for part, table in tables.items()}
    check_labels(labels, defaults, rule_body, problems)
    problems.raise_errors()
    require_whole_days(tables, labels)
    records = Records(
        joined_table("practice", tables, labels, fouled_miss_counts),
        joined_table("games", tables, labels, fouled_miss_counts), None, None, problems.sorted(),
        hash_frames(parts=pd.DataFrame(rows)[["table", "file", "rows"]]), (), rule_body,
        season_start, season_end,
    )  # fmt: skip
    cells = build_cells(
        records, settings if isinstance(settings, str) else tuple(settings), distance=distance,
        game_contest=game_contest, defenders=defenders, fouled_miss_counts=fouled_miss_counts,
    )  # fmt: skip
    return BulkCells(cells, pd.DataFrame(rows), problems.sorted())


def _defaults(drills: Path | str | pd.DataFrame, problems: Problems) -> Checked | None:
    raw = load_table(drills, "drills", problems)
    return None if raw is None else read_drills(raw, problems)


def _parts(
    practice: Sequence[Path | str],
    games: Sequence[Path | str],
    settings: Sequence[str] | str,
    drills: Checked | None,
    distance: bool,
    split: tuple[bool, bool],
    fouled_miss_counts: bool,
) -> list[Part]:
    """Every file with what it is counted by."""
    asked = settings.split(",") if isinstance(settings, str) else list(settings)
    columns = tuple(dict.fromkeys(["mode", *(s.strip() for s in asked)]))
    supplied = tuple(n for n in DEFAULTS if drills is not None and drills.has(n))
    # Spots are respelled, and give the side, only together with their distances.
    spots = distance or bool({"spot", "side"} & set(columns))
    return [
        *(Part("practice", Path(f), columns, split[0], spots, fouled_miss_counts, supplied)
          for f in practice),
        *(Part("games", Path(f), (), split[1], distance, fouled_miss_counts) for f in games),
    ]  # fmt: skip


def _all(
    parts: Sequence[Part], cache: Path | str | None, memory_mb: int, threads: int | None
) -> list[tuple[Counted, bool]]:
    """Count all files, several at the same time."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    many = max(1, min(threads or cores or 1, len(parts)))
    limits = {"memory_mb": max(1, memory_mb // many), "threads": many == 1 and threads != 1}
    with ThreadPoolExecutor(many) as pool:
        return list(pool.map(lambda part: _counted(part, cache, limits), parts))


def _require_files(parts: Sequence[Part]) -> None:
    if not parts:
        raise ArgumentError(
            "no file was given",
            rule="there is at least one file of attempts",
            next_step="pass practice=[FILES], games=[FILES] or both",
        )
    named = [(part.table, part.path.resolve()) for part in parts]
    for i, part in enumerate(parts):
        if named[i] in named[:i]:
            raise ArgumentError(
                f"{part.path.name} is named twice",
                rule="every file is counted once",
                next_step="name the file once",
            )
        if part.path.suffix.lower() not in _ENDINGS:
            raise ArgumentError(
                f"{part.path.name} ends in {part.path.suffix or 'nothing'}",
                rule=f"large files are read as {', '.join(_ENDINGS)}",
                next_step="export the table as Parquet",
            )


def _fingerprint(part: Part) -> str:
    """Name of the counted file: what it holds depends on nothing else."""
    try:
        stat = part.path.stat()
        with open(part.path, "rb") as stream:
            head = stream.read(_SAMPLE)
            stream.seek(max(0, stat.st_size - _SAMPLE))
            tail = stream.read(_SAMPLE)
    except OSError as error:
        raise StorageError(
            f"{part.path.name} cannot be opened: {error.strerror or error}",
            rule="every file named is readable",
            next_step="check the name, the folder and the right to read it",
        ) from error
    asked = [*astuple(replace(part, path=Path())), _CACHE_VERSION]
    digest = hashlib.sha256(repr([*asked, stat.st_size, stat.st_mtime_ns]).encode())
    digest.update(head)
    digest.update(tail)
    return digest.hexdigest()[:32]


def _counted(
    part: Part, cache: Path | str | None, limits: Mapping[str, Any]
) -> tuple[Counted, bool]:
    """Return the counted file, from the cache where it is, and whether it was."""
    name = _fingerprint(part)
    kept = None if cache is None else Path(cache) / f"{part.table}-{name}.parquet"
    if kept is not None and kept.is_file():
        return Counted(pd.read_parquet(kept)), True
    counted = count_file(part, **limits)
    if kept is not None and not counted.problems.found:
        held = io.BytesIO()
        counted.table.to_parquet(held)
        write_bytes(kept, held.getvalue())
    return counted, False


def _row(part: Part, table: pd.DataFrame, cached: bool) -> dict[str, Any]:
    return {
        "table": part.table,
        "file": part.path.name,
        "rows": int(table["rows"].sum()),
        "attempts": int(table["attempts"].sum()),
        "makes": int(table["makes"].sum()),
        "first": table["first"].min(),
        "last": table["last"].max(),
        "from_cache": cached,
    }
