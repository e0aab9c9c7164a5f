"""Small groups hidden so that no figure that is shown, or was shown before, brings them back.

A figure of fewer than `SMALLEST_GROUP` players, of which one player has more than half, or that is
nothing at all, is hidden (primary suppression). That alone is undone where totals are shown, so
further figures are hidden until the audit of `transfer.page.disclosure` finds no hidden count that
the rest pins down (secondary suppression). What was published before is part of that audit and
cannot be hidden any more.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.page.disclosure import Exposed, Figures, exposed, secrets

__all__ = ["SMALLEST_GROUP", "TOTAL", "Published", "Suppressed", "given_away", "suppress"]

#: Groups of fewer players are hidden (common practice, no source).
SMALLEST_GROUP = 5
#: Label of a total in place of a row or a column.
TOTAL = "all"

Key = tuple[str, str]
#: Columns of `Published.counts` that say whose and which count a row is.
_ATOM = ["who", "row", "fine"]


@dataclass(frozen=True)
class Published:
    """A table that was published, as its owner keeps it.

    Parameters
    ----------
    counts : DataFrame
        ``who``, ``row``, ``fine`` (the finest setting that can be charted) and the measures.
    figures : tuple
        Each shown figure as its rows and its fine settings.
    """

    counts: pd.DataFrame
    figures: tuple[tuple[tuple[str, ...], tuple[str, ...]], ...]


@dataclass(frozen=True)
class Suppressed:
    """A table of counts with totals from which no small group can be worked out.

    Parameters
    ----------
    table : DataFrame
        One row per cell and total: ``row``, ``column``, ``players``, then the measures; missing
        where hidden. ``shown`` says which.
    smallest : int
        Smallest group shown.
    published : Published
        The table as it must be kept, to be held against later ones.
    """

    table: pd.DataFrame
    smallest: int
    published: Published

    @property
    def text(self) -> str:
        """How much is hidden, and why."""
        hidden = int((~self.table["shown"]).sum())
        return (
            f"{hidden} of {len(self.table)} figures are hidden: groups of fewer than "
            f"{self.smallest} players, groups in which one player has more than half, empty "
            "groups, and what would allow to work them out."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the table as plain values."""
        rows = self.table.astype(object).where(self.table.notna(), None)
        return {"smallest": self.smallest, "text": self.text, "cells": rows.to_dict("records")}


def suppress(
    frame: pd.DataFrame,
    row: str,
    column: str,
    who: str,
    measures: tuple[str, ...],
    smallest: int = SMALLEST_GROUP,
    *,
    fine: str | None = None,
    before: Sequence[Published] = (),
) -> Suppressed:
    """Sum counts by row and column with totals, and hide small groups for good.

    Parameters
    ----------
    frame : DataFrame
        One row per person and cell; rows whose first measure is zero count nobody.
    row, column, who : str
        Columns of `frame`: the two sides of the table, and the person.
    measures : tuple of str
        One or two columns to sum, never negative; the second is part of the first.
    smallest : int
        Smallest group of people that may be shown.
    fine : str, optional
        Column of `frame` with the finest setting, by which tables of other settings meet; `column`
        when omitted.
    before : sequence of Published
        What was published from these records or from an earlier state of them.

    Raises
    ------
    ArgumentError
        When a column is missing, a label is `TOTAL`, or `smallest` is below 1.
    """
    fine = fine or column
    _check(frame, tuple(dict.fromkeys((row, column, who, fine, *measures))), smallest)
    present = frame[frame[measures[0]] > 0].astype({row: str, column: str, who: str, fine: str})
    if TOTAL in {*present[row], *present[column]}:
        raise ArgumentError(
            f"{TOTAL!r} is the label of a row or column",
            rule=f"{TOTAL!r} stands for the totals",
            next_step="rename the program or setting",
        )
    counts = present.groupby([who, row, fine], as_index=False, observed=True)[list(measures)].sum()
    counts.columns = pd.Index([*_ATOM, *measures])
    figures = _figures(present, row, column, fine)
    shown = _shown(counts, figures, measures, smallest, before)
    rows = []
    for key, (inside, parts) in figures.items():
        part = counts[counts["row"].isin(inside) & counts["fine"].isin(parts)]
        values = [part["who"].nunique(), *(int(part[m].sum()) for m in measures)]
        rows.append([*key, *(values if key in shown else [None] * len(values)), key in shown])
    names = ["row", "column", "players", *measures, "shown"]
    whole = dict.fromkeys(("players", *measures), "Int64")
    table = pd.DataFrame(rows, columns=names).astype({**whole, "shown": bool})
    kept = tuple(figures[key] for key in figures if key in shown)
    return Suppressed(table, smallest, Published(counts, kept))


def given_away(
    table: Published, before: Sequence[Published] = (), smallest: int = SMALLEST_GROUP
) -> Exposed | None:
    """What a table, all of whose figures are shown, tells about too few people; None if nothing.

    Parameters
    ----------
    table : Published
    before : sequence of Published
        What was published from these records or from an earlier state of them. What that gives
        away by itself is not told again.
    smallest : int
        Smallest group of people that a figure may concern.
    """
    measures = tuple(str(name) for name in table.counts if name not in _ATOM)
    system = _system((*before, table), measures)
    kept = _still_secret(system, len(system.weights) - len(table.figures), smallest)
    found = (exposed(system, few, inside) for few, inside in kept)
    return next((one for one in found if one is not None), None)


def _still_secret(system: Figures, fixed: int, smallest: int) -> Iterator[tuple[int, np.ndarray]]:
    """Secrets that the first, fixed figures, published before, do not give away by themselves."""
    before = system.only(range(fixed))
    for few, inside in secrets(system, smallest):
        if not fixed or exposed(before, few, inside) is None:
            yield few, inside


def _check(frame: pd.DataFrame, needed: tuple[str, ...], smallest: int) -> None:
    missing = [name for name in needed if name not in frame]
    if missing or smallest < 1:
        raise ArgumentError(
            f"columns missing: {missing}" if missing else f"smallest={smallest}",
            rule="every named column exists; the smallest group has at least one person",
            next_step="correct the names, or leave smallest at its default",
        )


def _figures(
    present: pd.DataFrame, row: str, column: str, fine: str
) -> dict[Key, tuple[tuple[str, ...], tuple[str, ...]]]:
    """Every figure of the table, totals included, with the rows and fine settings it adds up."""
    if present.empty:
        return {}
    rows = {r: (r,) for r in sorted(present[row].unique())}
    columns = {
        str(c): tuple(sorted(part[fine].unique()))
        for c, part in present.groupby(column, sort=True, observed=True)
    }
    rows[TOTAL] = tuple(rows)
    columns[TOTAL] = tuple(sorted(present[fine].unique()))
    # Cells by row, then totals of rows, then totals of columns.
    order = sorted(
        ((r, c) for r in rows for c in columns),
        key=lambda key: (key[0] == TOTAL, key[0] != TOTAL and key[1] == TOTAL),
    )
    return {(r, c): (rows[r], columns[c]) for r, c in order}


def _shown(
    counts: pd.DataFrame,
    figures: Mapping[Key, tuple[tuple[str, ...], tuple[str, ...]]],
    measures: tuple[str, ...],
    smallest: int,
    before: Sequence[Published],
) -> set[Key]:
    """Figures that may be shown together, and beside what was published before."""
    if smallest == 1:  # nobody is to be hidden
        return set(figures)
    new = Published(counts, tuple(figures.values()))
    system = _system((*before, new), measures)
    fixed = len(system.weights) - len(figures)
    names = dict(enumerate(figures, start=fixed))
    people = {key: _concerns(counts, parts, measures[0]) for key, parts in figures.items()}
    shown = [at for at, key in names.items() if people[key] >= smallest]
    frozen = list(range(fixed))
    # Hiding a figure widens every range, so a count that is safe once stays safe.
    for few, inside in _still_secret(system, fixed, smallest):
        while (found := exposed(system.only([*frozen, *shown]), few, inside)) is not None:
            used = {[*frozen, *shown][at] for at in found.used} & set(shown) or set(shown)
            # Cells go before totals, small before large: the least is lost.
            shown.remove(
                min(used, key=lambda at: (TOTAL in names[at], people[names[at]], names[at]))
            )
    return {names[at] for at in shown}


def _concerns(
    counts: pd.DataFrame, parts: tuple[tuple[str, ...], tuple[str, ...]], measure: str
) -> int:
    """People that a figure may be said to concern: nobody where one has more than half of it."""
    inside = counts[counts["row"].isin(parts[0]) & counts["fine"].isin(parts[1])]
    each = inside.groupby("who")[measure].sum()
    return 0 if each.empty or each.max() > each.sum() / 2 else len(each)


def _system(published: Sequence[Published], measures: tuple[str, ...]) -> Figures:
    """All figures over their common atoms.

    The first table's counts are atoms; a later table's counts are the earlier ones with what was
    added and what was taken away since. Atoms that stand in the same figures are one.
    """
    columns: list[np.ndarray] = []
    values: list[np.ndarray] = []
    owners: list[str] = []
    tables = [p.counts.set_index(_ATOM)[list(measures)].astype(float) for p in published]
    every = tables[0].index
    for table in tables[1:]:
        every = every.union(table.index)
    tables = [table.reindex(every, fill_value=0.0) for table in tables]
    who, row, fine = (every.get_level_values(name).to_numpy() for name in _ATOM)
    inside = [
        [np.isin(row, parts[0]) & np.isin(fine, parts[1]) for parts in p.figures] for p in published
    ]
    steps = [tables[0].to_numpy()]
    steps += [b.to_numpy() - a.to_numpy() for a, b in itertools.pairwise(tables)]
    for since, step in enumerate(steps):
        # Each count that changed stands in all figures from that table on.
        member = np.array(
            [
                mask if number >= since else np.zeros(len(every), bool)
                for number, masks in enumerate(inside)
                for mask in masks
            ],
            dtype=float,
        ).reshape(sum(map(len, inside)), len(every))
        for sign in (1.0, -1.0):
            part = np.maximum(sign * step, 0.0)
            for at in np.flatnonzero(part.any(axis=1)):
                columns.append(sign * member[:, at])
                values.append(part[at])
                owners.append(str(who[at]))
    return _merged(columns, values, owners)


def _merged(columns: list[np.ndarray], values: list[np.ndarray], owners: list[str]) -> Figures:
    """Atoms that no figure tells apart, added up."""
    if not columns:
        return Figures(np.zeros((0, 0)), np.zeros((0, 1)), (), np.zeros(0, bool))
    weights, place = np.unique(np.array(columns), axis=0, return_inverse=True)
    counts = np.array(values)
    summed = np.zeros((len(weights), counts.shape[1]))
    np.add.at(summed, place, counts)
    people, dominated = [], []
    for atom in range(len(weights)):
        own = pd.Series(counts[place == atom, 0]).groupby(
            np.array(owners, dtype=object)[place == atom]
        )
        total = own.sum()
        people.append(frozenset(map(str, total.index)))
        dominated.append(bool(total.max() > total.sum() / 2))
    return Figures(weights.T, summed, tuple(people), np.array(dominated))
