"""Counted files of all weeks as one table, in the form that cells are made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.records.bulk_checks import CountedTable
from transfer.records.bulk_groups import combine
from transfer.records.bulk_read import Part
from transfer.records.values import Parsed

__all__ = ["joined_table", "require_whole_days"]


def require_whole_days(
    tables: Mapping[Part, pd.DataFrame], labels: Mapping[Part, CountedTable]
) -> None:
    """Refuse two files with days of one program in common when minutes are charted.

    A drill's or a game's minutes repeat on its rows, so two files that share one would count
    them twice.

    Parameters
    ----------
    tables : mapping of Part to DataFrame
        Counted files.
    labels : mapping of Part to CountedTable
        Their labels after the rules.

    Raises
    ------
    ArgumentError
        When two files share a day.
    """
    for name in ("practice", "games"):
        parts = [p for p in tables if p.table == name]
        if not any(tables[p]["minutes"].notna().any() for p in parts):
            continue
        program, programs = _stacked([labels[p].get("program") for p in parts])
        season, _ = _stacked([labels[p].get("season") for p in parts])
        file = np.repeat(np.arange(len(parts)), [len(tables[p]) for p in parts])
        first, last = (
            np.concatenate([tables[p][day].to_numpy().astype(np.int64) for p in parts])
            for day in ("first", "last")
        )
        span, size = combine([program, season, file], len(file))
        start, end = np.full(size, np.iinfo(np.int64).max), np.full(size, np.iinfo(np.int64).min)
        np.minimum.at(start, span, first)
        np.maximum.at(end, span, last)
        at = np.zeros(size, dtype=np.int64)
        at[span] = np.arange(len(span))
        spans = np.flatnonzero(np.bincount(span, minlength=size))
        order = spans[np.lexsort((start[spans], season[at[spans]], program[at[spans]]))]
        # Spans of one program in the order of their first days overlap only if neighbours do.
        here, before = at[order[1:]], at[order[:-1]]
        same = (program[here] == program[before]) & (season[here] == season[before])
        shared = np.flatnonzero(same & (start[order[1:]] <= end[order[:-1]]))
        if len(shared):
            where = here[shared[0]]
            raise ArgumentError(
                f"{len(set(zip(program[here[shared]], season[here[shared]], strict=True)))} "
                "program-seasons have days in more than one file, for example "
                f"program {programs[program[where]]!r} on "
                f"{np.datetime64(int(start[order[1:]][shared[0]]), 's').astype('M8[D]')}",
                rule="with charted minutes a file holds whole days of a program",
                next_step="split the files by week or by program, or leave out the minutes",
            )


def joined_table(
    name: str,
    tables: Mapping[Part, pd.DataFrame],
    labels: Mapping[Part, CountedTable],
    fouled_miss_counts: bool,
) -> pd.DataFrame | None:
    """All counted files of one table as one, equal labels once.

    Files go in by name: sums of minutes must not depend on the order in which they were given.

    Parameters
    ----------
    name : str
        ``practice`` or ``games``.
    tables : mapping of Part to DataFrame
        Counted files.
    labels : mapping of Part to CountedTable
        Their labels after the rules.
    fouled_miss_counts : bool
        Whether a fouled miss weighs in the mean distance.

    Returns
    -------
    DataFrame or None
        As the canonical records have it, as far as cells are made of it; None without a file.
    """
    parts = sorted((p for p in tables if p.table == name), key=lambda p: str(p.path))
    if not parts:
        return None
    columns = {n: _stacked([labels[p].get(n) for p in parts]) for n in _names(parts, labels)}
    numbers = {
        n: np.concatenate([tables[p][n].to_numpy() for p in parts])
        for n in ("attempts", "makes", "fouled", "minutes")
    }
    distance = np.concatenate([labels[p].get("distance_ft").numbers() for p in parts])
    known = ~np.isnan(distance)
    combined, size = combine([*(codes for codes, _ in columns.values()), known], len(known))
    at = np.zeros(size, dtype=np.int64)
    at[combined] = np.arange(len(known))
    there = np.flatnonzero(np.bincount(combined, minlength=size))

    def total(values: np.ndarray) -> np.ndarray:
        summed: np.ndarray = np.bincount(combined, values, minlength=size)[there]
        return summed

    frame: dict[str, Any] = {
        n: pd.Series(values[codes[at[there]]], dtype="str")
        for n, (codes, values) in columns.items()
    }
    frame |= {n: total(numbers[n]).astype(np.int64) for n in ("attempts", "makes", "fouled")}
    lacking = total(np.isnan(numbers["minutes"])) > 0
    frame["minutes"] = np.where(lacking, np.nan, total(np.nan_to_num(numbers["minutes"])))
    weight = numbers["attempts"] + numbers["fouled"] * fouled_miss_counts
    # Distances of rows without an attempt weigh nothing; any of them stands for such a row.
    weight = np.where(total(weight)[np.searchsorted(there, combined)] > 0, weight, 1)
    mean = total(np.nan_to_num(distance) * weight) / total(weight)
    frame["distance_ft"] = np.where(known[at[there]], mean, np.nan)
    # A running number stands for the game: its minutes were counted once already.
    frame["game"] = pd.Series(np.arange(len(there)).astype("str"), dtype="str")
    return pd.DataFrame(frame).assign(date=min(tables[p]["first"].min() for p in parts))


def _names(parts: Sequence[Part], labels: Mapping[Part, CountedTable]) -> list[str]:
    """Label columns that cells are made of, of those that any file carries."""
    names = ["program", "season", "player", *parts[0].settings, "second_chart"]
    if parts[0].split:
        names.append("defender" if parts[0].table == "practice" else "contest")
    always = {"program", "season"}
    return [n for n in dict.fromkeys(names) if n in always or any(labels[p].has(n) for p in parts)]


def _stacked(columns: Sequence[Parsed]) -> tuple[np.ndarray, np.ndarray]:
    """Columns one below the other: codes (0 blank), and labels by code."""
    index: dict[object, int] = {"": 0}
    codes = []
    for column in columns:
        known = [index.setdefault(v, len(index)) for v in column.values]
        codes.append(np.array([*known, 0], dtype=np.int64)[column.codes])
    return np.concatenate(codes), np.array(list(index), dtype=object)
