"""Small groups hidden so that no subtraction of shown figures brings them back.

A cell of fewer than `SMALLEST_GROUP` players is hidden. That alone is undone where its row or
column total is shown, so further cells or totals are hidden until no linear combination of shown
figures concerns fewer players than that (secondary suppression, common practice in official
statistics, from memory; the rule on ranks below is worked out here and checked by tests that try
to solve for the hidden cells). What remains open: counts are never negative, so a hidden count can
still be bounded from above by a shown total.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError

__all__ = ["SMALLEST_GROUP", "TOTAL", "Suppressed", "suppress"]

#: Groups of fewer players are hidden (common practice, no source).
SMALLEST_GROUP = 5
#: Label of a total in place of a row or a column.
TOTAL = "all"

Key = tuple[str, str]


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
    """

    table: pd.DataFrame
    smallest: int

    @property
    def text(self) -> str:
        """How much is hidden, and why."""
        hidden = int((~self.table["shown"]).sum())
        return (
            f"{hidden} of {len(self.table)} figures are hidden: groups of fewer than "
            f"{self.smallest} players, and what would allow to work them out by subtraction."
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
) -> Suppressed:
    """Sum counts by row and column with totals, and hide small groups for good.

    Parameters
    ----------
    frame : DataFrame
        One row per person and cell; rows whose first measure is zero count nobody.
    row, column, who : str
        Columns of `frame`: the two sides of the table, and the person.
    measures : tuple of str
        Columns to sum; never negative.
    smallest : int
        Smallest group of people that may be shown.

    Returns
    -------
    Suppressed

    Raises
    ------
    ArgumentError
        When a column is missing, a label is `TOTAL`, or `smallest` is below 1.
    """
    _check(frame, (row, column, who, *measures), smallest)
    present = frame[frame[measures[0]] > 0]
    cells = {
        (str(key[0]), str(key[1])): frozenset(part[who])
        for key, part in present.groupby([row, column], sort=True, observed=True)
    }
    if any(TOTAL in key for key in cells):
        raise ArgumentError(
            f"{TOTAL!r} is the label of a row or column",
            rule=f"{TOTAL!r} stands for the totals",
            next_step="rename the program or setting",
        )
    covered = _figures(cells)
    shown = _shown(cells, covered, smallest)
    sums = {(str(k[0]), str(k[1])): v for k, v in _sums(present, row, column, measures).items()}
    rows = []
    for key, parts in covered.items():
        open_ = key in shown
        people = len(frozenset().union(*(cells[p] for p in parts)))
        values = np.sum([sums[p] for p in parts], axis=0)
        rows.append(
            [*key, people if open_ else None]
            + [int(v) if open_ else None for v in values]
            + [open_]
        )
    names = ["row", "column", "players", *measures, "shown"]
    table = pd.DataFrame(rows, columns=names)
    whole = dict.fromkeys(("players", *measures), "Int64")
    return Suppressed(table.astype({**whole, "shown": bool}), smallest)


def _check(frame: pd.DataFrame, needed: tuple[str, ...], smallest: int) -> None:
    missing = [name for name in needed if name not in frame]
    if missing or smallest < 1:
        raise ArgumentError(
            f"columns missing: {missing}" if missing else f"smallest={smallest}",
            rule="every named column exists; the smallest group has at least one person",
            next_step="correct the names, or leave smallest at its default",
        )


def _sums(
    frame: pd.DataFrame, row: str, column: str, measures: tuple[str, ...]
) -> dict[Any, np.ndarray]:
    grouped = frame.groupby([row, column], sort=True, observed=True)[list(measures)].sum()
    return {key: values.to_numpy() for key, values in grouped.iterrows()}


def _figures(cells: Mapping[Key, frozenset[Any]]) -> dict[Key, list[Key]]:
    """Every figure of the table, totals included, with the cells that it adds up."""
    rows = list(dict.fromkeys(r for r, _ in cells))
    columns = list(dict.fromkeys(c for _, c in cells))
    figures = {key: [key] for key in cells}
    figures |= {(r, TOTAL): [k for k in cells if k[0] == r] for r in rows}
    figures |= {(TOTAL, c): [k for k in cells if k[1] == c] for c in columns}
    return {**figures, (TOTAL, TOTAL): list(cells)} if cells else figures


def _shown(
    cells: Mapping[Key, frozenset[Any]], figures: Mapping[Key, list[Key]], smallest: int
) -> set[Key]:
    """Figures that may be shown together."""
    order = {key: i for i, key in enumerate(cells)}
    people = {f: len(frozenset().union(*(cells[p] for p in ps))) for f, ps in figures.items()}
    shown = [f for f in figures if people[f] >= smallest]
    for group in _small_groups(set(cells.values()), smallest):
        inside = np.array([members <= group for members in cells.values()], bool)
        while shown:
            matrix = np.zeros((len(shown), len(order)))
            for i, figure in enumerate(shown):
                matrix[i, [order[p] for p in figures[figure]]] = 1.0
            weights = _disclosing(matrix, inside)
            if weights is None:
                break
            used = [f for f, w in zip(shown, weights, strict=True) if abs(w) > 1e-8]
            # Cells go before totals, small before large: the least is lost.
            shown.remove(min(used, key=lambda f: (TOTAL in f, people[f], f)))
    return set(shown)


def _small_groups(members: set[frozenset[Any]], smallest: int) -> list[frozenset[Any]]:
    """Largest unions of cells' people that stay below the smallest group."""
    base = [m for m in members if len(m) < smallest]
    groups, fresh = set(base), set(base)
    while fresh:
        fresh = {g | b for g in fresh for b in base if len(g | b) < smallest} - groups
        groups |= fresh
    return sorted((g for g in groups if not any(g < other for other in groups)), key=sorted)


def _disclosing(matrix: np.ndarray, inside: np.ndarray) -> np.ndarray | None:
    """Weights of shown figures whose combination holds the group's cells alone; None if there are
    none.

    Such a combination exists if and only if leaving the group's columns out lowers the rank.
    """
    rest = matrix[:, ~inside]
    left, sizes, _ = np.linalg.svd(rest, full_matrices=True)
    rank = int((sizes > 1e-9).sum())
    null = left[:, rank:]
    seen = null.T @ matrix[:, inside]
    if seen.size == 0 or np.abs(seen).max() < 1e-9:
        return None
    return null[:, int(np.abs(seen).max(axis=1).argmax())]
