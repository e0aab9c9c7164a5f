"""The randomisation test: draw the actual lot again and again, with no model in between.

Under "the mix makes no difference to anybody" the game results would have been the same whatever
the lot had said, so the lots that might have been drawn give the exact distribution of any
statistic (Fisher 1935; Rosenberger & Lachin 2015; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from transfer.errors import ArgumentError, IdentificationError
from transfer.trial.assignment import FIRST_ARMS, Lot, LotTree
from transfer.trial.cells import TrialCells
from transfer.trial.plan import TrialPlan
from transfer.trial.schedule import weekly_arms

__all__ = ["RandomisationTest", "randomisation_test"]

REDRAWS = 1999
SIGN = {FIRST_ARMS[0]: 1, FIRST_ARMS[1]: -1, "break": 0}


@dataclass(frozen=True)
class RandomisationTest:
    """A model-free difference and how often a lot gives one as large.

    Parameters
    ----------
    difference : float
        Game make rate in live-heavy minus rep-heavy weeks, in points; see `randomisation_test`.
    p_value : float
        Two-sided: share of lots, the drawn one included, with a difference at least as far from
        zero.
    redrawn : array, shape (B,)
        Differences under the lots drawn again, in points.
    """

    difference: float
    p_value: float
    redrawn: np.ndarray

    @property
    def as_far(self) -> int:
        """Lots drawn again whose difference is at least as far from zero."""
        return round(self.p_value * (1 + len(self.redrawn))) - 1

    @property
    def text(self) -> str:
        """The test in a sentence."""
        return (
            f"Without any model: in live-heavy weeks the game make rate was "
            f"{self.difference:+.1f} points against rep-heavy weeks of the same program and week; "
            f"of {len(self.redrawn)} lots drawn again {self.as_far} give a difference at least "
            f"this far from zero (randomisation test, p = {self.p_value:.2g})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain values, without the draws."""
        return {
            "difference_points": self.difference,
            "p_value": self.p_value,
            "redraws": len(self.redrawn),
            "text": self.text,
        }


def randomisation_test(
    cells: TrialCells, plan: TrialPlan, *, redraws: int = REDRAWS, seed: int = 1
) -> RandomisationTest:
    """Test "the mix makes no difference to anybody" by drawing the lot again.

    The statistic compares live-heavy with rep-heavy players inside the same program and week
    (Mantel and Haenszel weights), so the season's trend and strong opponents cancel. Where players
    meet both mixes, each player's makes are first taken relative to the player's own rate.

    Parameters
    ----------
    cells : TrialCells
        Weekly records on the plan's calendar.
    plan : TrialPlan
    redraws : int
        Lots to draw again, 99 or more.
    seed : int
        Seed of the redraws; they do not touch the plan's own lot.

    Raises
    ------
    ArgumentError
        Fewer than 99 redraws.
    IdentificationError
        No program and week has game attempts in both arms.
    """
    if redraws < 99:
        raise ArgumentError(f"redraws={redraws!r}", rule="99 or more", next_step=f"use {REDRAWS}")
    n, excess, program, first, swaps = _arrays(cells, plan)
    observed = _difference(n, excess, program, first[None, :], swaps)[0]
    if not np.isfinite(observed):
        raise IdentificationError(
            "no program and week has game attempts in both arms",
            rule="the test compares players of one program in one week",
            next_step="wait for more games",
        )
    tree, lot = LotTree(plan.units), Lot(seed)
    keys = list(zip(plan.units["program"], plan.units["unit"], strict=True))
    drawn = np.empty((redraws, len(keys)), dtype=np.int64)
    for index in range(redraws):
        arms = tree.draw(lot)
        drawn[index] = [SIGN[arms[key]] for key in keys]
    redrawn = _difference(n, excess, program, drawn, swaps)
    extreme = np.abs(np.nan_to_num(redrawn)) >= abs(observed) - 1e-9
    return RandomisationTest(
        difference=float(observed),
        p_value=float((1 + extreme.sum()) / (1 + redraws)),
        redrawn=redrawn,
    )


def _arrays(
    cells: TrialCells, plan: TrialPlan
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Attempts and makes above own rate (P, T), program (P,), first arm (P,), swaps (T,)."""
    weeks = plan.settings["weeks"]
    order = list(zip(plan.units["program"], plan.units["player"], strict=True))
    row = {key: index for index, key in enumerate(order)}
    n, y = np.zeros((len(order), weeks)), np.zeros((len(order), weeks))
    table = cells.table
    players = [row[key] for key in zip(table["program"], table["player"], strict=True)]
    at = np.array(players), table["week"].to_numpy(dtype=np.int64) - 1
    n[at], y[at] = table["n"].to_numpy(dtype=float), table["y"].to_numpy(dtype=float)
    blocks = [int(block) for block in plan.calendar["block"] if block >= 0]
    swaps = np.array([SIGN[a] for a in weekly_arms(plan.calendar, blocks, FIRST_ARMS[0])])
    n, y = n * (swaps != 0), y * (swaps != 0)
    excess = y
    if plan.has_swapped(cells.recorded_weeks):
        total = n.sum(axis=1, keepdims=True)
        own = np.divide(
            y.sum(axis=1, keepdims=True), total, out=np.zeros_like(total), where=total > 0
        )
        excess = y - n * own
    program = np.unique(plan.units["program"], return_inverse=True)[1]
    first = np.array([SIGN[arm] for arm in plan.units["first_arm"]])
    return n, excess, program, first, swaps


def _difference(
    n: np.ndarray, excess: np.ndarray, program: np.ndarray, first: np.ndarray, swaps: np.ndarray
) -> np.ndarray:
    """Mantel-Haenszel difference in points for B lots, shape (B,)."""
    top, bottom = np.zeros(len(first)), np.zeros(len(first))
    for code in np.unique(program):
        members = program == code
        starts_live = (first[:, members] > 0).astype(float)
        all_n, all_e = n[members].sum(axis=0), excess[members].sum(axis=0)
        first_n, first_e = starts_live @ n[members], starts_live @ excess[members]
        live = swaps > 0
        live_n = np.where(live, first_n, all_n - first_n)
        live_e = np.where(live, first_e, all_e - first_e)
        rep_n, rep_e = all_n - live_n, all_e - live_e
        share = np.where(all_n > 0, all_n, 1.0)
        on = swaps != 0
        top += ((live_e * rep_n - rep_e * live_n) / share * on).sum(axis=1)
        bottom += ((live_n * rep_n) / share * on).sum(axis=1)
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(100.0 * top / bottom)
