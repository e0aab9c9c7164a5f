"""What knowing more would be worth: perfect information, and one more trial.

The unit of every value here is the unit of the gains that are passed in (logit of game make
rate, unless the caller scaled them). Source of the two-action normal problem and of the unit
normal loss: Raiffa & Schlaifer 1961, Applied Statistical Decision Theory (from memory).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from transfer.errors import ArgumentError

__all__ = ["evpi", "evpi_two_actions", "evsi", "unit_normal_loss"]

#: Midpoints of equal-probability slices that stand for the trial's result in `evsi`.
_SLICES = 2001


def unit_normal_loss(u: npt.ArrayLike) -> np.ndarray:
    """Expected shortfall ``E[max(Z - u, 0)]`` of a standard normal Z.

    Parameters
    ----------
    u : array
        Distance of the break-even point from the mean, in standard deviations.

    Returns
    -------
    array, shape of u
        ``phi(u) - u (1 - Phi(u))`` (Raiffa & Schlaifer 1961, from memory).
    """
    value = np.asarray(u, dtype=float)
    return np.asarray(stats.norm.pdf(value) - value * special.ndtr(-value))


def evpi_two_actions(mean: float, sd: float, break_even: float = 0.0) -> float:
    """Value of perfect information for two actions whose difference is normal.

    Parameters
    ----------
    mean, sd : float
        Of the gain of the first action over the second.
    break_even : float
        Gain at which both actions are worth the same.

    Returns
    -------
    float
        ``sd * L(|mean - break_even| / sd)``, with L the unit normal loss.

    Raises
    ------
    ArgumentError
        When `sd` is not positive.
    """
    if not sd > 0:
        raise ArgumentError(
            f"sd={sd!r}",
            rule="sd > 0",
            next_step="a gain that is known exactly has no value of information",
        )
    return float(sd * unit_normal_loss(abs(mean - break_even) / sd))


def evpi(values: np.ndarray) -> float:
    """Expected value of perfect information from draws.

    Parameters
    ----------
    values : array, shape (D, C)
        Value of each of C actions under each of D draws.

    Returns
    -------
    float
        ``E[max over actions] - max over actions of E``; never negative.

    Raises
    ------
    ArgumentError
        When there is no draw or no action.
    """
    table = np.asarray(values, dtype=float)
    if table.ndim != 2 or table.size == 0:
        raise ArgumentError(
            f"values has shape {table.shape}",
            rule="values is draws x actions, with at least one of each",
            next_step="pass one row per posterior draw",
        )
    return float(max(table.max(axis=1).mean() - table.mean(axis=0).max(), 0.0))


def evsi(
    mean: np.ndarray,
    covariance: np.ndarray,
    direction: np.ndarray,
    se: float,
    slopes: np.ndarray,
) -> float:
    """Expected value of one trial, by the normal preposterior distribution.

    The value of action c is ``slopes[c] @ g`` with ``g ~ N(mean, covariance)``. The trial returns
    ``direction @ g`` plus normal noise of standard deviation `se`. Before the trial the posterior
    mean of g is then itself normal, ``mean + k Z`` with
    ``k = covariance @ direction / sqrt(direction' covariance direction + se^2)``, and since values
    are linear in g only that mean matters (Raiffa & Schlaifer 1961, from memory). Exact for a
    normal g; an approximation for draws that are not.

    Parameters
    ----------
    mean : array, shape (Q,)
        Mean of g now.
    covariance : array, shape (Q, Q)
        Covariance of g now.
    direction : array, shape (Q,)
        The contrast that the trial measures, e.g. ``(-1, 1)`` for live minus rep.
    se : float
        Standard error of the trial's estimate of the contrast, from the design alone.
    slopes : array, shape (C, Q)
        Value of each action per unit of g.

    Returns
    -------
    float
        Never negative, and never above the value of perfect information on the contrast.

    Raises
    ------
    ArgumentError
        When `se` is not positive and finite.
    """
    if not (np.isfinite(se) and se > 0):
        raise ArgumentError(
            f"se={se!r}",
            rule="se > 0 and finite",
            next_step="take the standard error of the contrast from the trial's design",
        )
    spread = float(direction @ covariance @ direction)
    k = covariance @ direction / np.sqrt(spread + se**2)
    z = special.ndtri((np.arange(_SLICES) + 0.5) / _SLICES)
    values = slopes @ (mean[:, None] + k[:, None] * z[None, :])
    return float(max(values.max(axis=0).mean() - (slopes @ mean).max(), 0.0))
