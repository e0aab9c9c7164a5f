"""Best minutes under limits: an exact scan over live minutes, and a scaled optimiser beside it.

The growth model knows two modes, so the value of a week depends on its rep and live totals only.
The weeks that meet linear limits form a convex set; its shadow on the live total is an interval,
found by linear programming, and the scan runs over that interval. The split inside a mode stays
as close to the current split as the limits allow. The optimiser (SLSQP) is a second way to the
same answer: it works on shares of the budget and a scaled objective, because unscaled it returned
its starting point without a word (own simulation).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize

from transfer.errors import ArgumentError
from transfer.mix.limits import Limit, _linear
from transfer.rates.exposure import (
    HALF_LIFE_WEEKS,
    KINDS,
    TYPICAL_MINUTES,
    Shape,
    response,
    retention,
)

__all__ = ["Candidates", "MixProblem", "best_candidate", "candidates", "solve_slsqp", "split"]

#: Points of the scan over live minutes.
SCAN_POINTS = 801
#: Points at which the range of rep minutes is solved when the budget need not be spent.
_EDGE_POINTS = 41


@dataclass(frozen=True)
class MixProblem:
    """A week to choose.

    Parameters
    ----------
    settings, modes : tuple of str, length K
        Practice settings and the mode of each.
    current : array, shape (K,)
        Current minutes a week.
    start : array, shape (2,)
        Exposure carried into the first week, rep then live (minutes a week).
    limits : tuple of Limit
        Linear limits; the first row is the budget.
    weeks : float
        Horizon of the gain.
    half_life : float
        Weeks until an exposure has halved.
    shape : {"log1p", "linear", "hill"}
        Assumed response.
    typical : float
        Minutes a week at which the response is 1.
    """

    settings: tuple[str, ...]
    modes: tuple[str, ...]
    current: np.ndarray
    start: np.ndarray
    limits: tuple[Limit, ...]
    weeks: float = 8.0
    half_life: float = HALF_LIFE_WEEKS
    shape: Shape = "log1p"
    typical: float = TYPICAL_MINUTES

    @property
    def totals(self) -> np.ndarray:
        """Matrix, shape (2, K), that turns settings' minutes into rep and live minutes."""
        return np.array([[mode == kind for mode in self.modes] for kind in KINDS], float)

    def with_assumption(self, shape: Shape, half_life: float) -> MixProblem:
        """The same week under another shape and half-life."""
        return replace(self, shape=shape, half_life=half_life)

    def slopes(self, minutes: np.ndarray) -> np.ndarray:
        """Gain over the current mix per unit of g, for rep and live minutes.

        Parameters
        ----------
        minutes : array, shape (C, 2)
            Weekly rep and live minutes kept up over the horizon.

        Returns
        -------
        array, shape (C, 2)
            ``f(r^h M + (1 - r^h) x) - f(r^h M + (1 - r^h) current)``.
        """
        kept = retention(self.half_life) ** self.weeks
        now = self.totals @ self.current
        after = kept * self.start + (1.0 - kept) * np.asarray(minutes, dtype=float)
        stay = kept * self.start + (1.0 - kept) * now
        return response(after, self.typical, self.shape) - response(stay, self.typical, self.shape)


@dataclass(frozen=True)
class Candidates:
    """Weeks that meet every limit, by rep and live minutes.

    Parameters
    ----------
    minutes : array, shape (C, 2)
        Rep and live minutes.
    live_range : (float, float)
        Least and most live minutes that the limits allow.
    """

    minutes: np.ndarray
    live_range: tuple[float, float]

    @property
    def step(self) -> float:
        """Distance of neighbouring points of the scan, in live minutes."""
        return (self.live_range[1] - self.live_range[0]) / (SCAN_POINTS - 1)


def candidates(problem: MixProblem) -> Candidates:
    """All weeks worth looking at: a scan over live minutes at the edges of the rep minutes.

    For fixed live minutes the gain is monotone in the rep minutes, so only the least and the most
    rep minutes can be best. The current week is among the candidates when it meets the limits.

    Parameters
    ----------
    problem : MixProblem
        Its limits must be feasible, see `transfer.mix.limits.require_feasible`.
    """
    rep, live = problem.totals
    low, high = _extent(problem.limits, live)
    scan = np.linspace(low, high, SCAN_POINTS)
    budget = problem.limits[0]
    if budget.low == budget.high:
        table = np.column_stack([np.maximum(budget.high - scan, 0.0), scan])
    else:
        knots = np.linspace(low, high, _EDGE_POINTS)
        edges = np.array([_extent((*problem.limits, _fixed(live, v)), rep) for v in knots])
        table = np.concatenate(
            [np.column_stack([np.interp(scan, knots, edge), scan]) for edge in edges.T]
        )
    if _meets(problem.limits, problem.current):
        table = np.vstack([table, problem.totals @ problem.current])
    return Candidates(table, (low, high))


def best_candidate(mean: np.ndarray, slopes: np.ndarray) -> int:
    """Index of the best candidate for mean effects; the last one wins a tie.

    The current week, when feasible, is the last candidate, so no move is proposed for nothing.
    """
    value = slopes @ mean
    top = value.max()
    return int(np.flatnonzero(value >= top - 1e-12)[-1])


def solve_slsqp(problem: MixProblem, mean: np.ndarray) -> np.ndarray:
    """Best minutes per setting by a scaled gradient method from three starts.

    Parameters
    ----------
    problem : MixProblem
    mean : array, shape (2,)
        Mean growth effects, rep then live.

    Returns
    -------
    array, shape (K,)
        Minutes a week.

    Raises
    ------
    ArgumentError
        When no start converged.
    """
    rows = problem.limits
    scale = rows[0].high
    matrix = np.array([r.coefficients for r in rows]) * scale
    low = np.array([r.low for r in rows])
    high = np.array([r.high for r in rows])
    equal = low == high
    size = np.maximum(np.abs(matrix).max(axis=1), 1e-9)
    constraints = [
        {"type": "eq", "fun": lambda s: ((matrix @ s - high) / size)[equal]},
        {"type": "ineq", "fun": lambda s: ((high - matrix @ s) / size)[~equal & np.isfinite(high)]},
        {"type": "ineq", "fun": lambda s: ((matrix @ s - low) / size)[~equal & (low > 0)]},
    ]

    def loss(shares: np.ndarray) -> float:
        totals = problem.totals @ np.clip(shares, 0.0, None) * scale
        return -1000.0 * float(problem.slopes(totals[None, :])[0] @ mean)

    found = [
        optimize.minimize(
            loss,
            start / scale,
            method="SLSQP",
            bounds=[(0.0, 1.0)] * len(problem.settings),
            constraints=constraints,
            options={"ftol": 1e-10, "maxiter": 300},
        )
        for start in _starts(problem)
    ]
    good = [f for f in found if f.success]
    if not good:
        raise ArgumentError(
            f"the optimiser did not converge: {found[0].message}",
            rule="at least one of three starts converges",
            next_step="use the scan over live minutes, which needs no start",
        )
    return np.asarray(min(good, key=lambda f: f.fun).x) * scale


def split(problem: MixProblem, minutes: np.ndarray) -> np.ndarray:
    """Divide rep and live minutes among settings, as near the current split as limits allow.

    Parameters
    ----------
    problem : MixProblem
    minutes : array, shape (2,)
        Rep and live minutes that meet the limits.

    Returns
    -------
    array, shape (K,)
        Least sum of absolute deviations from the current split scaled to the new totals (HiGHS).

    Raises
    ------
    ArgumentError
        When `minutes` does not meet the limits.
    """
    totals, count = problem.totals, len(problem.settings)
    now = totals @ problem.current
    even = totals.T @ (minutes / np.maximum(totals.sum(axis=1), 1.0))
    scaled = problem.current * (totals.T @ (minutes / np.where(now > 0, now, 1.0)))
    target = np.where(totals.T @ now > 0, scaled, even)
    if _meets(problem.limits, target):
        return target
    slack = 1e-7 * max(1.0, float(minutes.sum()))
    rows = [_widen(row, count, slack) for row in problem.limits]
    for kind, row, value in zip(KINDS, totals, minutes, strict=True):
        exact = Limit(f"{kind} total", row, float(value), float(value))
        rows.append(_widen(exact, count, slack))
    for k in range(count):
        unit = np.eye(count)[k]
        rows.append(Limit("above", np.r_[unit, -unit], -np.inf, target[k]))
        rows.append(Limit("below", np.r_[unit, unit], target[k], np.inf))
    found = _linear(rows, np.r_[np.zeros(count), np.ones(count)])
    if found is None:
        raise ArgumentError(
            f"rep and live minutes {minutes.tolist()!r} do not meet the limits",
            rule="the totals come from the candidates of the same problem",
            next_step="take a row of candidates(problem).minutes",
        )
    return found[:count]


def _widen(row: Limit, count: int, slack: float) -> Limit:
    """The row over (minutes, deviations), loosened by rounding error."""
    return Limit(
        row.name, np.r_[row.coefficients, np.zeros(count)], row.low - slack, row.high + slack
    )


def _extent(rows: Sequence[Limit], direction: np.ndarray) -> tuple[float, float]:
    ends = [_linear(rows, sign * direction) for sign in (1.0, -1.0)]
    low, high = (float("nan") if e is None else float(direction @ e) for e in ends)
    return min(low, high), max(low, high)


def _fixed(direction: np.ndarray, value: float) -> Limit:
    slack = 1e-7 * max(1.0, abs(value))
    return Limit("scan", direction, value - slack, value + slack)


def _meets(rows: Sequence[Limit], minutes: np.ndarray) -> bool:
    used = np.array([r.coefficients @ minutes for r in rows])
    low = np.array([r.low for r in rows])
    high = np.array([r.high for r in rows])
    slack = 1e-7 * np.maximum(1.0, np.abs(used))
    return bool(np.all(used >= low - slack) and np.all(used <= high + slack))


def _starts(problem: MixProblem) -> list[np.ndarray]:
    live = problem.totals[1]
    low, high = _extent(problem.limits, live)
    ends = [_linear(problem.limits, sign * live) for sign in (1.0, -1.0)]
    corner = [e for e in ends if e is not None]
    return [*corner, np.mean(corner, axis=0)] if high > low else corner
