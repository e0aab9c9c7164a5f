"""Cells from files too large for memory: counted file by file by a database engine.

Every file (a week, or a program) is counted once into a small table, checked, and kept in a cache
under its size, its time of change and samples of its bytes; adding a week reads the week only. The
small tables then go through `transfer.records.cells.build_cells`, so that the cells are those that
reading everything at once would give.
"""

from __future__ import annotations

import datetime
import hashlib
import io
from collections.abc import Mapping, Sequence
from dataclasses import astuple, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError, MissingPackageError, StorageError
from transfer.files import write_bytes
from transfer.provenance import hash_frames
from transfer.records.bulk_checks import check_part
from transfer.records.bulk_sql import Part, count_file
from transfer.records.cells import Cells, build_cells
from transfer.records.problems import Problems
from transfer.records.reading import Records

__all__ = ["NOT_CHECKED", "BulkCells", "bulk_cells"]

#: What `read_records` checks and this path does not.
NOT_CHECKED = (
    "rows entered twice (no attempt numbers are compared)",
    "first-to-k sets against their targets",
    "players against the roster",
    "drills against the drills table, whose defaults are not filled in",
    "the columns that no cell is made of",
    "spots far from a charted distance",
)
#: Raised when a counted file would come out differently for the same bytes.
_CACHE_VERSION = 1
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
    not_checked : tuple of str
        Rules of `read_records` that were not applied.
    """

    cells: Cells
    table: pd.DataFrame
    not_checked: tuple[str, ...] = NOT_CHECKED

    @property
    def text(self) -> str:
        """One sentence on what was read, and what was not checked."""
        read = int((~self.table["from_cache"]).sum())
        return (
            f"{int(self.table['rows'].sum()):,} rows of {len(self.table)} files "
            f"({read} read now, {len(self.table) - read} from the cache) are "
            f"{len(self.cells.table):,} cells of {len(self.cells.units):,} player-seasons. "
            f"Not checked in this way of reading: {'; '.join(self.not_checked)}."
        )

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
            "not_checked": list(self.not_checked),
            "text": self.text,
        }


def bulk_cells(
    practice: Sequence[Path | str] = (),
    games: Sequence[Path | str] = (),
    settings: Sequence[str] | str = ("mode", "contest"),
    *,
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
        Files of one table each, one row per attempt (``made``) or rows of counts. Column names
        are those of the schema, in lower case. A file holds whole days of a program when minutes
        are charted, because a drill's minutes stand on each of its rows.
    settings, distance, game_contest, defenders, fouled_miss_counts
        As in `build_cells`.
    season_start, season_end : date, optional
        First and last day on which an attempt may lie.
    rule_body : str
        Court whose geometry turns spots into distances.
    cache : path, optional
        Folder for the counted files; nothing is kept when omitted.
    memory_mb : int
        Memory of the database engine; beyond it, it works on disk.
    threads : int, optional
        All cores of this process when omitted.

    Returns
    -------
    BulkCells

    Raises
    ------
    ArgumentError
        No file, or an unknown ending.
    RecordsError
        When a file breaks a rule that is checked here.
    StorageError
        When a file cannot be read.
    MissingPackageError
        When the database engine is not installed.
    """
    asked = settings.split(",") if isinstance(settings, str) else list(settings)
    columns = tuple(dict.fromkeys(["mode", *(s.strip() for s in asked)]))
    common = (distance, fouled_miss_counts, rule_body)
    parts = [
        *(Part("practice", Path(f), columns, defenders, *common) for f in practice),
        *(Part("games", Path(f), (), game_contest, *common) for f in games),
    ]
    _require_files(parts)
    limits = {"memory_mb": memory_mb, "threads": threads}
    problems = Problems()
    frames: dict[str, list[pd.DataFrame]] = {"practice": [], "games": []}
    rows = []
    for part in parts:
        counted, cached = _counted(part, cache, limits)
        frame = check_part(counted, part, season_start, season_end, problems)
        rows.append(_row(part, counted, cached))
        if not problems.errors:
            frames[part.table].append(frame)
    problems.raise_errors()
    _require_whole_days(frames)
    records = Records(
        _joined(frames["practice"]), _joined(frames["games"]), None, None, problems.sorted(),
        hash_frames(parts=pd.DataFrame(rows)[["table", "file", "rows"]]), (), rule_body,
        season_start, season_end,
    )  # fmt: skip
    cells = build_cells(
        records, columns, distance=distance, game_contest=game_contest, defenders=defenders,
        fouled_miss_counts=fouled_miss_counts,
    )  # fmt: skip
    return BulkCells(cells, pd.DataFrame(rows))


def _require_files(parts: Sequence[Part]) -> None:
    if not parts:
        raise ArgumentError(
            "no file was given",
            rule="there is at least one file of attempts",
            next_step="pass practice=[FILES], games=[FILES] or both",
        )
    for part in parts:
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
) -> tuple[pd.DataFrame, bool]:
    """Return the counted file, from the cache where it is, and whether it was."""
    name = _fingerprint(part)
    kept = None if cache is None else Path(cache) / f"{part.table}-{name}.parquet"
    if kept is not None and kept.is_file():
        return pd.read_parquet(kept), True
    try:
        import duckdb  # noqa: F401
    except ImportError as error:
        raise MissingPackageError(
            "the package duckdb is not installed",
            rule="large files are counted by a database engine",
            next_step="install the extra: pip install 'practice-transfer[bulk]'",
        ) from error
    counted = count_file(part, **limits)
    if kept is not None:
        held = io.BytesIO()
        counted.to_parquet(held)
        write_bytes(kept, held.getvalue())
    return counted, False


def _row(part: Part, counted: pd.DataFrame, cached: bool) -> dict[str, Any]:
    return {
        "table": part.table,
        "file": part.path.name,
        "rows": int(counted["rows"].sum()),
        "attempts": int(counted["attempts"].sum()),
        "makes": int(counted["makes"].sum()),
        "first": counted["first"].min(),
        "last": counted["last"].max(),
        "from_cache": cached,
    }


def _require_whole_days(frames: Mapping[str, list[pd.DataFrame]]) -> None:
    """Refuse two files with days of one program in common when minutes are charted.

    A drill's or a game's minutes repeat on its rows, so two files that share one would count
    them twice.
    """
    for parts in frames.values():
        if not any("minutes" in f and f["minutes"].notna().any() for f in parts):
            continue
        spans = [
            f.groupby(["program", "season"], as_index=False)
            .agg(first=("first", "min"), last=("last", "max"))
            .assign(part=i)
            for i, f in enumerate(parts)
        ]
        table = pd.concat(spans, ignore_index=True).sort_values(["program", "season", "first"])
        before = table.groupby(["program", "season"])["last"].transform(
            lambda last: last.cummax().shift()
        )
        shared = table[before.notna() & (table["first"] <= before)]
        if len(shared):
            where = shared.iloc[0]
            raise ArgumentError(
                f"{len(shared)} program-seasons have days in more than one file, for example "
                f"program {where['program']!r} on {str(where['first'])[:10]}",
                rule="with charted minutes a file holds whole days of a program",
                next_step="split the files by week or by program, or leave out the minutes",
            )


def _joined(frames: list[pd.DataFrame]) -> pd.DataFrame | None:
    """One table of all counted files; columns that only some files carry are blank elsewhere."""
    if not frames:
        return None
    table = pd.concat(frames, ignore_index=True)
    for name in table.columns:
        if isinstance(table[name].dtype, pd.StringDtype) or table[name].dtype == object:
            table[name] = table[name].fillna("").astype("str")
    # A running number stands for the game: its minutes were counted once already.
    table["game"] = np.arange(len(table)).astype("str")
    counts = [n for n in ("attempts", "makes", "fouled") if n in table]
    return table.assign(**{n: table[n].fillna(0).astype(np.int64) for n in counts})
