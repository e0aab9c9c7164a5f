"""Difference of two make rates with an interval.

Newcombe's hybrid of two Wilson intervals is the default (Newcombe 1998, Statistics in Medicine
17:873-890, method 10); statsmodels computes it as published. The score intervals of
Miettinen and Nurminen (1985) and Mee (1984) are computed here, because the score method of
statsmodels 0.15 misses the published limits in the second decimal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd

from transfer.arguments import choice
from transfer.rates.counts import check_counts, check_prob, percent
from transfer.results import Estimates, Interval, Result, plain

__all__ = ["DIFFERENCE_METHODS", "RateDifference", "constrained_rates", "rate_difference"]

DifferenceMethod = Literal["newcombe", "miettinen_nurminen", "mee"]
DIFFERENCE_METHODS: tuple[DifferenceMethod, ...] = get_args(DifferenceMethod)


@dataclass(frozen=True)
class RateDifference(Result):
    """First rate minus second, between two independent groups of attempts.

    Parameters
    ----------
    y1, n1, y2, n2 : float
        Makes and attempts of both groups.
    labels : (str, str)
        Names of the groups.
    estimate : float
        y1/n1 - y2/n2.
    interval : Interval
        Holds the difference.
    """

    _estimates = Estimates("rate")

    y1: float
    n1: float
    y2: float
    n2: float
    labels: tuple[str, str]
    estimate: float
    interval: Interval

    @property
    def table(self) -> pd.DataFrame:
        """One row per group (group, n, y, rate)."""
        n, y = np.array([self.n1, self.n2]), np.array([self.y1, self.y2])
        return pd.DataFrame({"group": self.labels, "n": n, "y": y, "rate": y / n})

    @property
    def text(self) -> str:
        """The comparison as a sentence."""
        low, high = self.interval.low, self.interval.high
        first, second = self.labels
        if low > 0 or high < 0:
            ahead = first if low > 0 else second
            reading = f"the records put {ahead} ahead"
        else:
            reading = "the records do not tell which is higher"
        return (
            f"{first} {percent(self.y1 / self.n1)} ({self.y1:g} of {self.n1:g}), "
            f"{second} {percent(self.y2 / self.n2)} ({self.y2:g} of {self.n2:g}): difference "
            f"{100 * self.estimate:+.1f} points, {percent(self.interval.prob)} "
            f"{self.interval.kind.replace('_', '-')} interval {100 * low:+.1f} to "
            f"{100 * high:+.1f}; {reading}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "estimate": self.estimate,
            "interval": self.interval.to_dict(),
            "groups": plain(self.table),
            "text": self.text,
        }


def constrained_rates(
    y1: float, n1: float, y2: float, n2: float, difference: float
) -> tuple[float, float]:
    """Maximum likelihood rates of two groups whose difference is fixed.

    The likelihood equation is a cubic with one admissible root in closed form (Miettinen and
    Nurminen 1985, Statistics in Medicine 4:213-226; Farrington and Manning 1990, from memory).

    Parameters
    ----------
    y1, n1, y2, n2 : float
        Makes and attempts.
    difference : float
        First rate minus second, between -1 and 1.

    Returns
    -------
    rate1, rate2 : float
        With rate1 - rate2 = difference.
    """
    p1, p2, theta, d = y1 / n1, y2 / n2, n2 / n1, difference
    cubic = 1.0 + theta
    square = -(1.0 + theta + p1 + theta * p2 + d * (theta + 2.0))
    linear = d * d + d * (2.0 * p1 + theta + 1.0) + p1 + theta * p2
    constant = -p1 * d * (1.0 + d)
    shift = square / (3.0 * cubic)
    v = shift**3 - square * linear / (6.0 * cubic**2) + constant / (2.0 * cubic)
    u = math.copysign(math.sqrt(max(shift**2 - linear / (3.0 * cubic), 0.0)), v)
    cosine = v / u**3 if u != 0.0 else 1.0
    angle = (math.pi + math.acos(min(1.0, max(-1.0, cosine)))) / 3.0
    rate1 = 2.0 * u * math.cos(angle) - shift
    rate1 = min(max(rate1, max(0.0, d)), min(1.0, 1.0 + d))
    return rate1, min(max(rate1 - d, 0.0), 1.0)


def _score_limits(
    y1: float, n1: float, y2: float, n2: float, prob: float, factor: float
) -> tuple[float, float]:
    """Differences at which the score statistic equals the normal quantile."""
    from scipy.optimize import brentq
    from scipy.stats import norm

    quantile = float(norm.ppf(0.5 + prob / 2))
    estimate = y1 / n1 - y2 / n2

    def excess(difference: float, side: float) -> float:
        rate1, rate2 = constrained_rates(y1, n1, y2, n2, difference)
        variance = factor * (rate1 * (1 - rate1) / n1 + rate2 * (1 - rate2) / n2)
        # Multiplied out, so that a zero variance at the edge needs no division.
        return side * (estimate - difference) - quantile * math.sqrt(variance)

    # A step away from the estimate: with 0 or n makes the variance is zero at the estimate
    # itself, and the search would stop there.
    step = 1e-9
    low, high = -1.0, 1.0
    if estimate - step > -1.0:
        low = float(brentq(excess, -1.0, estimate - step, args=(1.0,), xtol=1e-12))
    if estimate + step < 1.0:
        high = float(brentq(excess, estimate + step, 1.0, args=(-1.0,), xtol=1e-12))
    return low, high


def rate_difference(
    y1: float,
    n1: float,
    y2: float,
    n2: float,
    method: DifferenceMethod = "newcombe",
    prob: float = 0.90,
    labels: tuple[str, str] = ("first", "second"),
) -> RateDifference:
    """Compare two make rates from separate attempts.

    Parameters
    ----------
    y1, n1, y2, n2 : float
        Makes and attempts of the two groups.
    method : {"newcombe", "miettinen_nurminen", "mee"}
        Newcombe's hybrid, or the score interval with (Miettinen-Nurminen) or without (Mee) the
        variance factor N/(N-1), N = n1 + n2.
    prob : float
        Confidence content.
    labels : (str, str)
        Names for the sentence.

    Raises
    ------
    ArgumentError
        For impossible counts or an unknown method.
    """
    makes, attempts = check_counts([y1, y2], [n1, n2])
    check_prob(prob)
    if method == "newcombe":
        from statsmodels.stats.proportion import confint_proportions_2indep

        low, high = confint_proportions_2indep(
            makes[0], attempts[0], makes[1], attempts[1], method="newcomb", alpha=1 - prob
        )
    else:
        choice(
            "method",
            method,
            DIFFERENCE_METHODS,
            "is not an interval for a difference of rates",
            next_step="use method='newcombe' when in doubt",
        )
        total = float(attempts.sum())
        factor = total / (total - 1.0) if method == "miettinen_nurminen" else 1.0
        low, high = _score_limits(makes[0], attempts[0], makes[1], attempts[1], prob, factor)
    return RateDifference(
        y1=float(makes[0]),
        n1=float(attempts[0]),
        y2=float(makes[1]),
        n2=float(attempts[1]),
        labels=labels,
        estimate=float(makes[0] / attempts[0] - makes[1] / attempts[1]),
        interval=Interval(max(float(low), -1.0), min(float(high), 1.0), prob, method, "difference"),
    )
