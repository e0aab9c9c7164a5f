"""Correlation of true rates from the correlation of measured ones.

Chance in both rates pulls their correlation toward zero by the root of the two reliabilities
(Spearman 1904, American Journal of Psychology 15:72-101, from memory). The correction divides it
out. It is a quick look beside the transfer model, which carries the uncertainty properly; with
few players it can exceed 1, and it says so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from transfer.arguments import between
from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.counts import FloatArray, check_counts, check_prob, percent
from transfer.results import Estimates, Interval, Result, plain

__all__ = [
    "Attenuation",
    "correct_for_attenuation",
    "corrected_from_summary",
    "true_rate_correlation",
]

#: Largest share of bootstrap samples without a positive reliability at which an interval is still
#: given (judgement, no source).
MOST_UNDEFINED = 0.05


@dataclass(frozen=True)
class Attenuation(Result):
    """A correlation before and after the correction.

    Parameters
    ----------
    observed : float
        Correlation of the measured rates.
    corrected : float
        Correlation of the true rates; may exceed 1 in size.
    reliability_x, reliability_y : float
        Reliabilities used.
    players : int
        Number of players.
    interval : Interval or None
        Of the corrected correlation; ``None`` when too many bootstrap samples have no positive
        reliability.
    undefined_share : float
        Share of such samples; 0 for the formula.
    seed : int or None
        Seed of the bootstrap; ``None`` for the formula.
    """

    _estimates = Estimates("corrected", "low", "high", "observed")

    observed: float
    corrected: float
    reliability_x: float
    reliability_y: float
    players: int
    interval: Interval | None
    undefined_share: float = 0.0
    seed: int | None = None

    @property
    def table(self) -> pd.DataFrame:
        """One row: observed, corrected, limits, reliabilities, players."""
        band = self.interval
        return pd.DataFrame(
            [
                {
                    "observed": self.observed,
                    "corrected": self.corrected,
                    "low": band.low if band else math.nan,
                    "high": band.high if band else math.nan,
                    "reliability_x": self.reliability_x,
                    "reliability_y": self.reliability_y,
                    "players": self.players,
                }
            ]
        )

    @property
    def text(self) -> str:
        """The correction as a sentence."""
        if self.interval is None:
            band = (
                f"no interval: {percent(self.undefined_share)} of the resamples of players show no "
                f"spread beyond chance"
            )
        else:
            band = (
                f"{percent(self.interval.prob)} {self.interval.kind} interval "
                f"{self.interval.low:.2f} to {self.interval.high:.2f}"
            )
        beyond = (
            " A value beyond 1 means that these players are too few to pin it down."
            if abs(self.corrected) > 1
            else ""
        )
        return (
            f"Over {self.players} players the measured rates correlate {self.observed:.2f}; with "
            f"reliabilities {self.reliability_x:.2f} and {self.reliability_y:.2f} the true rates "
            f"correlate about {self.corrected:.2f} ({band}).{beyond}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**{name: plain(value) for name, value in self.__dict__.items()}, "text": self.text}


def _check_reliability(value: float, name: str) -> float:
    if not 0.0 < value <= 1.0:
        raise IdentificationError(
            f"{name}={value:.3g} leaves no true differences to correlate",
            rule=f"0 < {name} <= 1",
            next_step="chart more attempts a player; below that the rates are chance only",
        )
    return float(value)


def _check_correlation(value: float) -> float:
    return between("correlation", value, at_least=-1, at_most=1, next_step="pass a correlation")


def correct_for_attenuation(
    correlation: float, reliability_x: float, reliability_y: float = 1.0
) -> float:
    """Return ``correlation / sqrt(reliability_x * reliability_y)``.

    Parameters
    ----------
    correlation : float
        Correlation of the measured values.
    reliability_x, reliability_y : float
        Reliabilities, above 0 and at most 1.

    Returns
    -------
    float
        May exceed 1 in size; it is not cut, because a cut value hides that the data are too few.

    Raises
    ------
    ArgumentError
        For a correlation outside -1 to 1.
    IdentificationError
        When a reliability is not positive (or above 1).
    """
    product = _check_reliability(reliability_x, "reliability_x") * _check_reliability(
        reliability_y, "reliability_y"
    )
    return _check_correlation(correlation) / math.sqrt(product)


def corrected_from_summary(
    correlation: float,
    players: int,
    reliability_x: float,
    reliability_y: float = 1.0,
    prob: float = 0.90,
) -> Attenuation:
    """Correct a published correlation, with an interval that takes the reliabilities as known.

    The interval is Fisher's (z = atanh r with standard error 1/sqrt(players - 3)), divided by the
    same root; it leaves out the uncertainty of the reliabilities.

    Parameters
    ----------
    correlation, reliability_x, reliability_y
        As for `correct_for_attenuation`, whose errors also apply; the size of the correlation
        must be below 1.
    players : int
        Number of players behind the correlation, at least 4.
    prob : float
        Content of the interval.
    """
    from scipy.stats import norm

    corrected = correct_for_attenuation(correlation, reliability_x, reliability_y)
    if players < 4 or abs(correlation) == 1.0:
        raise ArgumentError(
            f"correlation={correlation!r} over players={players!r} has no standard error",
            rule="players >= 4 and a correlation inside -1 to 1",
            next_step="use correct_for_attenuation for the number alone",
        )
    reach = float(norm.ppf(0.5 + check_prob(prob) / 2)) / math.sqrt(players - 3)
    centre, root = math.atanh(correlation), math.sqrt(reliability_x * reliability_y)
    low, high = math.tanh(centre - reach) / root, math.tanh(centre + reach) / root
    band = Interval(low, high, prob, "normal", "parameter")
    return Attenuation(correlation, corrected, reliability_x, reliability_y, players, band)


def _true_spread(rate: FloatArray, chance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Variance of measured rates, and the part beyond chance, along the last axis."""
    measured = rate.var(axis=-1, ddof=1)
    return measured, measured - chance.mean(axis=-1)


def _covariance(x: FloatArray, y: FloatArray) -> FloatArray:
    centred = (x - x.mean(axis=-1, keepdims=True)) * (y - y.mean(axis=-1, keepdims=True))
    return centred.sum(axis=-1) / (x.shape[-1] - 1)


def true_rate_correlation(
    y_x: npt.ArrayLike,
    n_x: npt.ArrayLike,
    y_y: npt.ArrayLike,
    n_y: npt.ArrayLike,
    prob: float = 0.90,
    *,
    resamples: int = 4000,
    seed: int = 1,
) -> Attenuation:
    """Correlation over players of their true rates in two settings.

    The chance variance of each rate, y (n - y) / (n^2 (n - 1)), is taken off the variance over
    players; the covariance needs no correction, because the attempts are separate. The interval
    is the percentile bootstrap over players.

    Parameters
    ----------
    y_x, n_x, y_y, n_y : array_like, shape (k,)
        Makes and attempts of the same players in both settings, n >= 2, k >= 4.
    prob : float
        Content of the interval.
    resamples : int
        Bootstrap samples.
    seed : int
        Seed of the bootstrap.

    Raises
    ------
    ArgumentError
        For impossible or unequal counts, or fewer than four players.
    IdentificationError
        When the players of a setting differ by no more than chance explains.
    """
    tail = (1.0 - check_prob(prob)) / 2
    sides = []
    for makes, attempts in (check_counts(y_x, n_x), check_counts(y_y, n_y)):
        if makes.ndim != 1 or makes.size < 4 or (attempts < 2).any():
            raise ArgumentError(
                f"counts of shape {makes.shape}, fewest attempts {attempts.min():g}",
                rule="at least four players with at least two attempts each in both settings",
                next_step="drop players with fewer attempts",
            )
        rate = makes / attempts
        sides.append((rate, rate * (1.0 - rate) / (attempts - 1.0)))
    (x, chance_x), (y, chance_y) = sides
    if x.size != y.size:
        raise ArgumentError(
            f"{x.size} players against {y.size}",
            rule="the same players, in the same order, in both settings",
            next_step="keep the players with attempts in both",
        )
    measured = [_true_spread(x, chance_x), _true_spread(y, chance_y)]
    shares = [float(true / total) if total > 0 else 0.0 for total, true in measured]
    observed = float(_covariance(x, y) / math.sqrt(measured[0][0] * measured[1][0] or math.inf))
    corrected = correct_for_attenuation(observed, *shares)
    pick = np.random.default_rng(seed).integers(x.size, size=(resamples, x.size))
    true_x = _true_spread(x[pick], chance_x[pick])[1]
    true_y = _true_spread(y[pick], chance_y[pick])[1]
    usable = (true_x > 0) & (true_y > 0)
    undefined = float(1.0 - usable.mean())
    band = None
    if undefined <= MOST_UNDEFINED:
        again = _covariance(x[pick], y[pick])[usable] / np.sqrt(true_x[usable] * true_y[usable])
        low, high = np.quantile(again, [tail, 1.0 - tail])
        band = Interval(float(low), float(high), prob, "bootstrap", "parameter")
    return Attenuation(observed, corrected, shares[0], shares[1], x.size, band, undefined, seed)
