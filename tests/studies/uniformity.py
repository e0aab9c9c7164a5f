"""Are ranks uniform? Simultaneous bands for the empirical distribution of calibration ranks.

Simulation-based calibration (Talts et al. 2018, from memory) draws a truth from the prior,
simulates records, fits them and ranks the truth among the posterior draws: right code gives
uniform ranks. The band is that of Sailynoja, Buerkner and Vehtari 2022 (Statistics and Computing
32:32, from memory): binomial quantiles at each evaluation point, with one pointwise level chosen
so that the whole curve stays inside with the stated probability, by exact recursion.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy import stats

from transfer.errors import ArgumentError

__all__ = ["EcdfBand", "ecdf_band", "rank_statistic", "ranks_inside"]


@dataclass(frozen=True)
class EcdfBand:
    """Simultaneous band for the empirical distribution of N uniform ranks.

    Parameters
    ----------
    points : array, shape (K - 1,)
        Evaluation points 1/K .. (K-1)/K.
    low, high : array of int, shape (K - 1,)
        Counts at or below each point, inclusive limits.
    gamma : float
        Pointwise level.
    prob : float
        Simultaneous coverage reached (at least the one asked for).
    size : int
        N.
    """

    points: np.ndarray
    low: np.ndarray
    high: np.ndarray
    gamma: float
    prob: float
    size: int


def _coverage(size: int, points: np.ndarray, low: np.ndarray, high: np.ndarray) -> float:
    """Chance that the counts of `size` uniform values stay within the limits at all points."""
    counts = np.arange(size + 1)
    chance = np.zeros(size + 1)
    chance[0] = 1.0
    previous = 0.0
    for point, lowest, highest in zip(points, low, high, strict=True):
        step = (point - previous) / (1.0 - previous)
        start = np.flatnonzero(chance)
        moves = stats.binom.pmf(counts[None, :] - start[:, None], size - start[:, None], step)
        chance = chance[start] @ moves
        chance[(counts < lowest) | (counts > highest)] = 0.0
        previous = point
    return float(chance.sum())


def _limits(size: int, points: np.ndarray, gamma: float) -> tuple[np.ndarray, np.ndarray]:
    low = stats.binom.ppf(gamma / 2, size, points).astype(int)
    high = stats.binom.ppf(1 - gamma / 2, size, points).astype(int)
    return low, high


@lru_cache(maxsize=32)
def ecdf_band(size: int, evaluations: int, prob: float = 0.95) -> EcdfBand:
    """Find the widest pointwise level whose band holds simultaneously.

    Parameters
    ----------
    size : int
        N, number of ranks.
    evaluations : int
        K; the curve is looked at in 1/K .. (K-1)/K.
    prob : float
        Simultaneous probability.

    Returns
    -------
    EcdfBand

    Raises
    ------
    ArgumentError
        When there are fewer than two ranks or evaluation steps.
    """
    if size < 2 or evaluations < 2 or not 0 < prob < 1:
        raise ArgumentError(
            f"size={size!r}, evaluations={evaluations!r}, prob={prob!r}",
            rule="at least two ranks and two evaluation steps; 0 < prob < 1",
            next_step="simulate more data sets",
        )
    points = np.arange(1, evaluations) / evaluations
    lowest, highest = 0.0, 1.0 - prob
    for _ in range(40):
        middle = (lowest + highest) / 2
        covered = _coverage(size, points, *_limits(size, points, middle))
        if covered >= prob:
            lowest = middle
        else:
            highest = middle
    low, high = _limits(size, points, lowest)
    return EcdfBand(points, low, high, lowest, _coverage(size, points, low, high), size)


def rank_statistic(truth: float, draws: np.ndarray, levels: int) -> float:
    """Rank of the truth among thinned draws, on (0, 1).

    Parameters
    ----------
    truth : float
        The value that made the data.
    draws : array, shape (D,)
        Posterior draws in sampling order.
    levels : int
        Draws kept after thinning, evenly spaced; fewer than D.

    Returns
    -------
    float
        (number of kept draws below the truth + 1/2) / (levels + 1).

    Raises
    ------
    ArgumentError
        When there are fewer draws than `levels`.
    """
    values = np.asarray(draws, dtype=float).ravel()
    if values.size < levels:
        raise ArgumentError(
            f"{values.size} draws cannot be thinned to {levels}",
            rule="a rank needs at least as many draws as levels",
            next_step="sample longer or ask for fewer levels",
        )
    kept = values[np.linspace(0, values.size - 1, levels).round().astype(int)]
    return (int((kept < truth).sum()) + 0.5) / (levels + 1)


def ranks_inside(ranks: np.ndarray, evaluations: int = 20, prob: float = 0.99) -> tuple[bool, int]:
    """Whether the empirical distribution of ranks stays inside its simultaneous band.

    Parameters
    ----------
    ranks : array, shape (N,)
        Values of `rank_statistic`.
    evaluations : int
        Evaluation steps; at most the number of rank levels.
    prob : float
        Simultaneous probability of the band.

    Returns
    -------
    inside : bool
    outside_points : int
        Evaluation points at which the curve leaves the band.
    """
    values = np.asarray(ranks, dtype=float)
    band = ecdf_band(int(values.size), evaluations, prob)
    counts = (values[None, :] <= band.points[:, None]).sum(axis=1)
    outside = (counts < band.low) | (counts > band.high)
    return not outside.any(), int(outside.sum())
