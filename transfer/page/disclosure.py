"""What a reader can work out about hidden figures, by linear programming.

A published table is a set of equations on counts that are not below zero. Whoever reads it can
bound any hidden count by solving for its least and greatest value under these equations; where the
two lie close together the count is as good as published. (Auditing of suppressed tables: Hundepool
and others 2012, *Statistical Disclosure Control*, from memory.) The reader is taken to know who was
charted where, and every figure that was published before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["LEAST_WIDTH", "WIDTH_SHARE", "Exposed", "Figures", "audit", "exposed", "secrets"]

#: A hidden count is safe where its feasible range is at least as wide as this share of it, and at
#: least this many attempts or makes (judgement, no source; the usual rules ask for 10 to 20 %).
WIDTH_SHARE = 0.5
LEAST_WIDTH = 5.0
_SLACK = 1e-6


@dataclass(frozen=True)
class Figures:
    """Published sums over atoms, the smallest sets of counts that they tell apart.

    Parameters
    ----------
    weights : array, shape (F, A)
        What each of F figures adds up.
    values : array, shape (A, M)
        True counts of each atom, M measures; the second, where there is one, is part of the first.
    people : tuple of frozenset
        Who is in each atom.
    dominated : array of bool, shape (A,)
        Atoms in which one person has more than half of the first measure.
    """

    weights: np.ndarray
    values: np.ndarray
    people: tuple[frozenset[str], ...]
    dominated: np.ndarray

    def only(self, which: Sequence[int]) -> Figures:
        """The same atoms under some of the figures."""
        return Figures(self.weights[list(which)], self.values, self.people, self.dominated)


@dataclass(frozen=True)
class Exposed:
    """A count of too few people that the figures give away.

    Parameters
    ----------
    people : int
        How many people it concerns.
    low, high : float
        Least and greatest value that the figures allow.
    used : tuple of int
        Figures that the bounds rest on.
    """

    people: int
    low: float
    high: float
    used: tuple[int, ...]


def _small_groups(members: set[frozenset[str]], smallest: int) -> list[frozenset[str]]:
    """Largest unions of atoms' people that stay below the smallest group."""
    base = [m for m in members if len(m) < smallest]
    groups, fresh = set(base), set(base)
    while fresh:
        fresh = {g | b for g in fresh for b in base if len(g | b) < smallest} - groups
        groups |= fresh
    return sorted((g for g in groups if not any(g < other for other in groups)), key=sorted)


def secrets(figures: Figures, smallest: int) -> list[tuple[int, np.ndarray]]:
    """Atoms that nobody may learn about: those of small groups, each alone, and dominated ones.

    Parameters
    ----------
    figures : Figures
    smallest : int
        Smallest group of people that a figure may concern.

    Returns
    -------
    list of (int, array of bool)
        How many people the atoms concern, and which they are.
    """
    found: dict[bytes, tuple[int, np.ndarray]] = {}
    rows = [
        (len(group), np.array([members <= group for members in figures.people]))
        for group in _small_groups(set(figures.people), smallest)
    ]
    single = [
        (len(members), np.arange(len(figures.people)) == at)
        for at, members in enumerate(figures.people)
        if len(members) < smallest or figures.dominated[at]
    ]
    for people, inside in (*rows, *single):
        found.setdefault(inside.tobytes(), (people, inside))
    return list(found.values())


def audit(figures: Figures, smallest: int) -> Exposed | None:
    """Return the first count of too few people that the figures give away, or None.

    Parameters
    ----------
    figures : Figures
        What is shown.
    smallest : int
        Smallest group of people that a figure may concern.
    """
    found = (exposed(figures, people, inside) for people, inside in secrets(figures, smallest))
    return next((one for one in found if one is not None), None)


def exposed(figures: Figures, people: int, inside: np.ndarray) -> Exposed | None:
    """Whether the figures give away a sum over some of these atoms, exactly or nearly.

    Parameters
    ----------
    figures : Figures
        What is shown.
    people : int
        How many people the atoms concern.
    inside : array of bool, shape (A,)
        The atoms.
    """
    used = _combination(figures.weights, inside)
    if used:
        total = float(figures.values[inside, 0].sum())
        return Exposed(people, total, total, used)
    for measure in range(figures.values.shape[1]):
        true = float(figures.values[inside, measure].sum())
        low, high, used = _range(figures, inside, measure)
        if high - low < max(LEAST_WIDTH, WIDTH_SHARE * true) - _SLACK:
            return Exposed(people, low, high, used)
    return None


def _combination(weights: np.ndarray, inside: np.ndarray) -> tuple[int, ...]:
    """Figures of which a weighted sum holds these atoms alone; none where there is no such sum.

    Such a sum exists if and only if leaving these atoms out lowers the rank.
    """
    if not len(weights):
        return ()
    left, sizes, _ = np.linalg.svd(weights[:, ~inside], full_matrices=True)
    null = left[:, int((sizes > 1e-9).sum()) :]
    seen = null.T @ weights[:, inside]
    if seen.size == 0 or np.abs(seen).max() < 1e-9:
        return ()
    sums = null[:, int(np.abs(seen).max(axis=1).argmax())]
    return tuple(int(at) for at in np.flatnonzero(np.abs(sums) > 1e-8))


def _range(
    figures: Figures, inside: np.ndarray, measure: int
) -> tuple[float, float, tuple[int, ...]]:
    """Least and greatest sum over the atoms, and the figures that bind it."""
    from scipy.optimize import linprog
    from scipy.sparse import block_diag, csr_array, hstack

    atoms, measures = figures.values.shape
    shown = csr_array(figures.weights)
    equal = block_diag([shown] * measures, format="csr")
    right = (figures.weights @ figures.values).T.ravel()
    part_of = measures == 2 and bool((figures.values[:, 1] <= figures.values[:, 0]).all())
    one = csr_array(np.eye(atoms))
    goal = np.zeros(atoms * measures)
    goal[measure * atoms : (measure + 1) * atoms] = inside
    ends, used = [], set()
    for sign in (1.0, -1.0):
        found = linprog(
            sign * goal,
            A_ub=hstack([-one, one], format="csr") if part_of else None,
            b_ub=np.zeros(atoms) if part_of else None,
            A_eq=equal if len(figures.weights) else None,
            b_eq=right if len(figures.weights) else None,
            method="highs",
        )
        if found.status == 3:  # without a bound
            ends.append(-sign * np.inf)
            continue
        ends.append(sign * float(found.fun))
        if len(figures.weights):
            binding = np.flatnonzero(np.abs(found.eqlin.marginals) > _SLACK)
            used |= {int(row) % len(figures.weights) for row in binding}
    return ends[0], ends[1], tuple(sorted(used))
