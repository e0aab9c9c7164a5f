"""How much practice of each kind a player carries into a week, and what it is assumed to do.

Exposure is an exponentially weighted mean of the weekly minutes *before* the week, so that a
change of half-life does not rescale the dose. The response turns exposure into the unit that a
growth effect multiplies: 0 at no practice and 1 at the typical week. Its concave shape is an
assumption that records of this size cannot check (own simulation), so the linear and the Hill
shape stand beside it. One decay only: two-exponential training-response fits have very wide,
correlated time constants (Hellard et al. 2006, from memory).

Simulation and models both use these functions; there is no second copy.
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from transfer.arguments import between, choice
from transfer.errors import ArgumentError

__all__ = [
    "HALF_LIFE_WEEKS",
    "HILL_POWER",
    "KINDS",
    "TYPICAL_MINUTES",
    "Shape",
    "exposure",
    "retention",
    "response",
    "response_slope",
]

Shape = Literal["log1p", "linear", "hill"]

#: Kinds of practice along the first axis of minutes and exposure.
KINDS = ("rep", "live")
#: Default half-life in weeks (judgement: identifiable range, not evidence); show 2 and 8 beside it.
HALF_LIFE_WEEKS = 4.0
#: Typical weekly minutes of one kind of practice (scenario of the own simulations, no source).
TYPICAL_MINUTES = 35.0
#: Steepness of the Hill shape (judgement, no source; Hill curves are weakly identified, Jin et
#: al. 2017, from memory).
HILL_POWER = 2.0


def retention(half_life: float) -> float:
    """Share of last week's exposure that is still there this week, ``2 ** (-1 / half_life)``.

    Parameters
    ----------
    half_life : float
        Weeks until an exposure has halved.

    Raises
    ------
    ArgumentError
        When `half_life` is not a positive finite number.
    """
    step = "pass a number of weeks, e.g. 4 (and 2 and 8 as sensitivity runs)"
    between("half_life", half_life, "weeks", above=0, finite=True, next_step=step)
    return float(2.0 ** (-1.0 / half_life))


def exposure(
    minutes: npt.ArrayLike, start: npt.ArrayLike, half_life: float = HALF_LIFE_WEEKS
) -> np.ndarray:
    """Exposure before each week: exponentially weighted mean of the minutes so far.

    Parameters
    ----------
    minutes : array, shape (K, P, T)
        Charted minutes per kind of practice, player and week.
    start : array, broadcastable to shape (K, P)
        Minutes a week before the first week (pre-season habit).
    half_life : float
        Weeks until an exposure has halved.

    Returns
    -------
    array, shape (K, P, T)
        ``M[..., 0] = start``; ``M[..., t + 1] = r M[..., t] + (1 - r) minutes[..., t]`` with
        ``r = 2 ** (-1 / half_life)``. Minutes a week.

    Raises
    ------
    ArgumentError
        When minutes are negative, missing or not of three dimensions.
    """
    dose = np.asarray(minutes, dtype=float)
    if dose.ndim != 3:
        raise ArgumentError(
            f"minutes has shape {dose.shape}",
            rule="minutes is kinds x players x weeks",
            next_step="pass an array of three dimensions",
        )
    keep = retention(half_life)
    out = np.empty_like(dose)
    before = np.broadcast_to(np.asarray(start, dtype=float), dose.shape[:2])
    _require_minutes("minutes", dose)
    _require_minutes("start", before)
    for week in range(dose.shape[2]):
        out[:, :, week] = before
        before = keep * before + (1.0 - keep) * dose[:, :, week]
    return out


def response(M: npt.ArrayLike, M0: float = TYPICAL_MINUTES, shape: Shape = "log1p") -> np.ndarray:
    """Assumed effect of exposure in units of the effect at the typical week.

    Parameters
    ----------
    M : array
        Exposure, minutes a week.
    M0 : float
        Typical minutes a week, the same for every kind of practice.
    shape : {"log1p", "linear", "hill"}
        ``log(1 + M/M0) / log 2``; ``M/M0``; ``2 M**h / (M**h + M0**h)`` with h = `HILL_POWER`.

    Returns
    -------
    array, shape of M
        0 at M = 0 and 1 at M = M0 for every shape.

    Raises
    ------
    ArgumentError
        When exposure is negative, `M0` is not positive, or the shape is unknown.
    """
    x = _relative(M, M0)
    if _known(shape) == "log1p":
        return np.asarray(np.log1p(x) / np.log(2.0))
    if shape == "linear":
        return x
    power = x**HILL_POWER
    return np.asarray(2.0 * power / (power + 1.0))


def response_slope(
    M: npt.ArrayLike, M0: float = TYPICAL_MINUTES, shape: Shape = "log1p"
) -> np.ndarray:
    """Derivative of `response` per minute a week of exposure.

    Parameters and errors as in `response`.

    Returns
    -------
    array, shape of M
        Response units per minute a week.
    """
    x = _relative(M, M0)
    if _known(shape) == "log1p":
        return np.asarray(1.0 / ((1.0 + x) * M0 * np.log(2.0)))
    if shape == "linear":
        return np.full_like(x, 1.0 / M0)
    power = x**HILL_POWER
    return np.asarray(2.0 * HILL_POWER * x ** (HILL_POWER - 1.0) / (power + 1.0) ** 2 / M0)


def _relative(M: npt.ArrayLike, M0: float) -> np.ndarray:
    step = "pass the typical minutes a week of one kind of practice"
    between("M0", M0, "minutes", above=0, finite=True, next_step=step)
    values = np.asarray(M, dtype=float)
    _require_minutes("M", values)
    return values / M0


def _require_minutes(name: str, values: np.ndarray) -> None:
    if not (np.all(np.isfinite(values)) and np.all(values >= 0)):
        bad = values[~(np.isfinite(values) & (values >= 0))]
        raise ArgumentError(
            f"{name} holds {bad.size} values that are negative or missing, the first is {bad[0]!r}",
            rule="minutes are finite and not negative",
            next_step="enter 0 for a week without practice of that kind",
        )


def _known(shape: Shape) -> Shape:
    step = "pass shape='log1p' and show the other two beside it"
    return choice("shape", shape, get_args(Shape), next_step=step)
