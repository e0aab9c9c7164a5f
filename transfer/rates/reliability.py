"""How much of a rate is the player and how much is chance, as a function of attempts.

For rates that differ between players as a beta distribution with a + b = kappa, the reliability
of n attempts is n / (n + kappa): the weight of the player's own rate in the shrunken one, and the
expected correlation of two sets of n attempts. At n = kappa half of the variance is chance.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from transfer.arguments import between
from transfer.errors import ArgumentError
from transfer.rates.counts import FloatArray, check_prob

__all__ = [
    "attempts_for_reliability",
    "kuder_richardson_21",
    "lengthening_needed",
    "reliability",
    "spearman_brown",
]


def _positive(value: float, name: str) -> float:
    return between(name, value, above=0, next_step=f"pass a positive {name}")


def reliability(n: npt.ArrayLike, kappa: float) -> FloatArray:
    """Reliability of `n` attempts, ``n / (n + kappa)``.

    Parameters
    ----------
    n : array_like
        Attempts, >= 0.
    kappa : float
        Attempts to reliability 0.5 (a + b of the beta distribution); ``inf`` when the players do
        not differ, which gives 0.

    Returns
    -------
    array, shape of `n`

    Raises
    ------
    ArgumentError
        For kappa <= 0 or negative attempts.
    """
    _positive(kappa, "kappa")
    attempts = np.asarray(n, dtype=float)
    if not (attempts >= 0).all():
        raise ArgumentError(
            f"n={n!r} holds attempts below zero or missing",
            rule="n >= 0",
            next_step="pass counts of attempts",
        )
    if np.isinf(kappa):
        return np.zeros_like(attempts)
    return attempts / (attempts + kappa)


def attempts_for_reliability(target: float, kappa: float) -> float:
    """Attempts at which the reliability reaches `target`, ``kappa * target / (1 - target)``."""
    check_prob(target, "target")
    return _positive(kappa, "kappa") * target / (1.0 - target)


def spearman_brown(single: npt.ArrayLike, times: float) -> FloatArray:
    """Reliability of a measurement made `times` as long (Spearman 1910, Brown 1910, from memory).

    Parameters
    ----------
    single : array_like
        Reliability as it is, 0 to 1.
    times : float
        Factor on the number of attempts.
    """
    r = np.asarray(single, dtype=float)
    if not ((r >= 0) & (r <= 1)).all():
        raise ArgumentError(
            f"reliability {single!r} lies outside 0 to 1",
            rule="0 <= reliability <= 1",
            next_step="estimate it with transfer.rates.shrinkage",
        )
    factor = _positive(times, "times")
    return factor * r / (1.0 + (factor - 1.0) * r)


def lengthening_needed(single: float, target: float) -> float:
    """Factor on the number of attempts that lifts reliability `single` to `target`."""
    check_prob(single, "single")
    check_prob(target, "target")
    return target * (1.0 - single) / (single * (1.0 - target))


def kuder_richardson_21(mean: float, variance: float, n: float) -> float:
    """Kuder-Richardson formula 21 from the mean and variance of makes out of `n` attempts.

    For beta-binomial makes it equals n / (n + a + b) (Keats and Lord 1962, from memory).

    Parameters
    ----------
    mean, variance : float
        Mean and variance of the number of makes over players, each with `n` attempts.
    n : float
        Attempts of each player, more than one.

    Returns
    -------
    float
        Negative when the makes vary less than chance would make them.
    """
    between("n", n, above=1, next_step="use at least two attempts each")
    _positive(variance, "variance")
    return n / (n - 1.0) * (1.0 - mean * (n - mean) / (n * variance))
