"""One large file counted by a database engine: the query, and running it inside a memory limit."""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from transfer.errors import StorageError
from transfer.records.schema import TABLES

__all__ = ["Part", "count_file", "keys_of"]

_WHO = ("program", "season", "player")
#: Rows that share one block of minutes.
_BLOCKS = {
    "practice": ("date", "session", "player", "drill", "set", "second_chart"),
    "games": ("date", "game", "player"),
}
_NEEDED = {"practice": ("date", "session", "player", "drill"), "games": ("date", "game", "player")}
_TRUE = "('1', 'true', 'yes', '1.0', 'y', 't')"
_FALSE = "('0', 'false', 'no', '0.0', 'n', 'f')"


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
    rule_body : str
        Court whose geometry turns spots into distances.
    """

    table: str
    path: Path
    settings: tuple[str, ...] = ()
    split: bool = False
    distance: bool = False
    fouled_miss_counts: bool = False
    rule_body: str = "NFHS"


def keys_of(part: Part, held: set[str]) -> list[str]:
    """Columns that a file is grouped by, of those it holds."""
    keys = [*_WHO, *part.settings]
    if part.split:
        keys.append("defender" if part.table == "practice" else "contest")
    if part.distance:
        keys.append("spot")
    if part.table == "practice":
        keys.append("second_chart")
    return [k for k in dict.fromkeys(keys) if k in held]


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _count(name: str, held: set[str]) -> str:
    """SQL of a count: blank is zero, anything unreadable is null."""
    if name not in held:
        return "0"
    return f"CASE WHEN {_quoted(name)} IS NULL THEN 0 ELSE TRY_CAST({_quoted(name)} AS BIGINT) END"


def _made(types: dict[str, str]) -> str:
    if "CHAR" not in types["made"]:
        return "CASE WHEN made IN (0, 1) THEN CAST(made AS INTEGER) END" if (
            types["made"] != "BOOLEAN"
        ) else "CAST(made AS INTEGER)"  # fmt: skip
    text = "lower(trim(made))"
    return f"CASE WHEN made = '1' OR {text} IN {_TRUE} THEN 1 WHEN {text} IN {_FALSE} THEN 0 END"


def _row_query(part: Part, source: str, columns: dict[str, str], types: dict[str, str]) -> str:
    """SQL of the file's rows with typed counts, one select."""
    held = set(columns)
    single = "made" in held
    if single:
        made, fouled = _made(types), _count("fouled", held)
        counts = [
            f"{made} AS y",
            f"({fouled}) * (1 - ({made})) AS f",
            f"1 - ({fouled}) * (1 - ({made})) AS n",
        ]
        if "fouled" not in held:
            counts = [f"{made} AS y", "0 AS f", "1 AS n"]
    else:
        counts = [f"{_count('makes', held)} AS y", f"{_count('fouled', held)} AS f",
                  f"{_count('attempts', held)} AS n"]  # fmt: skip
    counts.append(f"{_count('blocked', held)} AS b")
    counts.append(f"{_count('fouled', held)} AS raw_f")
    texts = [
        f"{_quoted(columns[k])} AS {_quoted(k)}"
        for k in dict.fromkeys((*keys_of(part, held), *_BLOCKS[part.table]))
        if k in held and k != "date"
    ]
    day = _quoted(columns["date"]) if "date" in held else "NULL"
    numbers = [
        f"TRY_CAST({_quoted(columns[k])} AS DOUBLE) AS {k}"
        for k in ("minutes", "distance_ft")
        if k in held
    ]
    renamed = ", ".join(f"{_quoted(c)} AS {_quoted(k)}" for k, c in columns.items() if k != c)
    inner = f"(SELECT *{', ' + renamed if renamed else ''} FROM {source})"
    listed = ", ".join([*texts, f"TRY_CAST({day} AS DATE) AS date", *counts, *numbers])
    return f"SELECT {listed} FROM {inner}"


def _bad(part: Part, single: bool, held: set[str]) -> dict[str, str]:
    """SQL conditions that no row may meet, by the name under which they are counted."""
    bad = {"bad_date": "date IS NULL"}
    for name in _NEEDED[part.table]:
        if name not in ("date", "player") and name in held:
            bad[f"blank_{name}"] = f"{_quoted(name)} IS NULL"
    if single:
        bad["bad_made"] = "y IS NULL"
        if "fouled" in held:
            bad["bad_fouled"] = "raw_f IS NULL OR raw_f NOT IN (0, 1)"
        if "blocked" in held:
            bad["bad_blocked"] = "b IS NULL OR b NOT IN (0, 1) OR (b = 1 AND y = 1)"
            bad["bad_both"] = "b > 0 AND raw_f > 0"
    else:
        bad["bad_attempts"] = "n IS NULL OR n < 0 OR n > 10000"
        bad["bad_makes"] = "y IS NULL OR y < 0"
        bad["bad_counts"] = "y + b > n"
    if "minutes" in held:
        high = TABLES[part.table].column("minutes").high
        bad["bad_minutes"] = f"minutes < 0 OR minutes > {high}"
    if part.distance and "distance_ft" in held:
        bad["bad_distance_ft"] = "distance_ft < 0 OR distance_ft > 94"
    return bad


def _group_query(part: Part, rows: str, held: set[str]) -> str:
    """SQL that counts the rows by the keys, a block's minutes taken once."""
    single = "made" in held
    keys = [_quoted(k) for k in keys_of(part, held)]
    known = part.distance and "distance_ft" in held
    if known:
        keys.append("known")
        rows = f"SELECT *, distance_ft IS NOT NULL AS known FROM ({rows})"
    weight = "n + f" if part.fouled_miss_counts else "n"
    sums = {"rows": "count(*)", "attempts": "sum(n)", "makes": "sum(y)", "fouled": "sum(f)",
            "first": "min(date)", "last": "max(date)"}  # fmt: skip
    sums |= {k: f"count(*) FILTER (WHERE {v})" for k, v in _bad(part, single, held).items()}
    if known:
        sums |= {"reach": f"sum(distance_ft * ({weight}))", "weight": f"sum({weight})"}
    blocks = "minutes" in held and (single or part.table == "games")
    if not blocks:
        if "minutes" in held:
            sums["minutes"] = "CASE WHEN count(minutes) = count(*) THEN sum(minutes) END"
        listed = ", ".join([*keys, *(f"{v} AS {k}" for k, v in sums.items())])
        return f"SELECT {listed} FROM ({rows}) GROUP BY ALL"
    block = [
        _quoted(k) for k in dict.fromkeys(("program", "season", *_BLOCKS[part.table]))
        if k in held
    ]  # fmt: skip
    by = ", ".join(dict.fromkeys([*keys, *block]))
    inner = {**sums, "most": "max(minutes)", "least": "min(minutes)"}
    first = f"SELECT {by}, {', '.join(f'{v} AS {k}' for k, v in inner.items())} FROM ({rows}) GROUP BY {by}"  # noqa: E501
    over = f"OVER (PARTITION BY {', '.join(block)})"
    share = (
        f"rows / sum(rows) {over}" if part.table == "practice"
        else f"(row_number() {over} = 1)::INTEGER"
    )  # fmt: skip
    second = (
        f"SELECT *, max(most) {over} * {share} AS part_minutes, "
        f"(max(most) {over} IS DISTINCT FROM min(least) {over})::INTEGER AS differs FROM ({first})"
    )
    outer = {k: f"sum({k})" for k in sums if k not in ("first", "last")}
    outer |= {
        "first": "min(first)",
        "last": "max(last)",
        "bad_same_minutes": "sum(differs)",
        "minutes": "CASE WHEN count(part_minutes) = count(*) THEN sum(part_minutes) END",
    }
    listed = ", ".join([*keys, *(f"{v} AS {k}" for k, v in outer.items())])
    return f"SELECT {listed} FROM ({second}) GROUP BY ALL"


def count_file(part: Part, *, memory_mb: int, threads: int | None) -> pd.DataFrame:
    """Count one file.

    Parameters
    ----------
    part : Part
    memory_mb : int
        Memory of the engine; beyond it, it works in a temporary folder.
    threads : int, optional
        All cores of this process when omitted.

    Returns
    -------
    DataFrame
        One row per combination of the keys: the keys as they stand in the file, ``rows``,
        ``attempts``, ``makes``, ``fouled``, ``first``, ``last``; ``minutes``, ``reach`` and
        ``weight`` (sums for the mean distance) where charted; and counts of rows that break a
        rule, in columns named ``bad_...`` and ``blank_...``.

    Raises
    ------
    StorageError
        When the file cannot be read as what its ending says.
    """
    import duckdb

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    with tempfile.TemporaryDirectory() as spill:
        settings: dict[str, Any] = {
            "memory_limit": f"{memory_mb}MB",
            "threads": threads or cores or 1,
            "temp_directory": spill,
            "preserve_insertion_order": False,
        }
        engine = duckdb.connect(config=settings)
        try:
            return _count_with(engine, part)
        except duckdb.Error as error:
            raise StorageError(
                f"{part.path.name} could not be counted: {str(error).splitlines()[0]}",
                rule="the file is Parquet, or CSV with a header row and one delimiter",
                next_step="export the table again, as Parquet",
            ) from error
        finally:
            engine.close()


def _count_with(engine: Any, part: Part) -> pd.DataFrame:
    file = "'" + str(part.path).replace("'", "''") + "'"
    csv = part.path.suffix.lower() == ".csv"
    source = f"read_csv({file}, header=true, all_varchar=true)" if csv else f"read_parquet({file})"
    described = engine.execute(f"DESCRIBE SELECT * FROM {source}").fetchall()
    found = {name: kind for name, kind, *_ in described}
    columns = {name.strip().lower().replace(" ", "_").replace("-", "_"): name for name in found}
    columns = {k: v for k, v in columns.items() if k in TABLES[part.table].names}
    types = {k: found[v] for k, v in columns.items()}
    missing = [k for k in (*_NEEDED[part.table], *part.settings) if k not in columns]
    if not ({"made"} <= set(columns) or {"attempts", "makes"} <= set(columns)):
        missing.append("made")
    if missing:
        raise StorageError(
            f"{part.path.name} lacks the column {', '.join(missing)}",
            rule=f"a large file of {part.table} carries {', '.join(_NEEDED[part.table])}, made (or "
            "attempts and makes) and what makes a setting, in every row",
            next_step="add the columns, or read the records the ordinary way",
        )
    query = _group_query(part, _row_query(part, source, columns, types), set(columns))
    frame: pd.DataFrame = engine.execute(query).df()
    # Threads add up in any order; in a fixed order and rounded far below what is charted, equal
    # files give equal sums.
    sums = {k: 8 for k in ("minutes", "reach") if k in frame}
    keys = [k for k in (*keys_of(part, set(columns)), "known") if k in frame]
    return frame.round(sums).sort_values(keys, ignore_index=True)
