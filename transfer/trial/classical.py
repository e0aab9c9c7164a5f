"""Textbook companions: sample size of two rates, and the two-period two-sequence crossover.

They stand beside the growth model so that a reader who knows only the classical methods can check
the order of size. None of them gives the verdict.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import stats

from transfer.errors import ArgumentError
from transfer.results import Estimates, Interval, Result

__all__ = [
    "CrossoverResult",
    "cohen_h",
    "cohen_h_power",
    "crossover_ab_ba",
    "equivalence_power",
    "equivalence_region",
    "two_rate_n",
    "two_rate_power",
]

Alternative = Literal["two-sided", "one-sided"]
SEQUENCES = ("AB", "BA")
CARRY_OVER_WARNING = (
    "This comparison assumes that nothing of the first period is left in the second. That can "
    "hold for performance under a condition; it does not hold for learning, so it is no measure "
    "of what a practice mix builds."
)


def two_rate_n(
    p1: float,
    p2: float,
    power: float = 0.80,
    alpha: float = 0.05,
    alternative: Alternative = "two-sided",
) -> float:
    """Observations per group to tell two independent rates apart.

    Parameters
    ----------
    p1, p2 : float
        The two rates, different, between 0 and 1.
    power : float
        Wanted probability of a significant result.
    alpha : float
        Significance level.
    alternative : {"two-sided", "one-sided"}

    Returns
    -------
    float
        Not rounded. Normal approximation, true direction only, pooled variance under no
        difference, no continuity correction (Fleiss; formula from memory).

    Raises
    ------
    ArgumentError
        Rates that are equal or outside 0 to 1, power or alpha outside 0 to 1.
    """
    _check_rates(p1, p2)
    _check_probability("power", power)
    pooled, separate = _deviations(p1, p2, 1.0)
    z = _critical(alpha, alternative) * pooled + stats.norm.ppf(power) * separate
    return float((z / (p1 - p2)) ** 2)


def two_rate_power(
    p1: float,
    p2: float,
    n1: float,
    ratio: float = 1.0,
    alpha: float = 0.05,
    alternative: Alternative = "two-sided",
) -> float:
    """Power of the test of two independent rates; the parameters as in `two_rate_n`.

    Parameters
    ----------
    n1 : float
        Observations of the first group.
    ratio : float
        Second group's size over the first's.

    Returns
    -------
    float
        Chance of a significant difference, for two-sided tests in either direction.

    Raises
    ------
    ArgumentError
        As `two_rate_n`; also sizes that are not positive.
    """
    _check_rates(p1, p2)
    if not (n1 > 0 and ratio > 0):
        raise ArgumentError(
            f"n1={n1!r}, ratio={ratio!r}",
            rule="both above zero",
            next_step="pass the first group's size and the ratio of the second to it",
        )
    pooled, separate = _deviations(p1, p2, ratio)
    shift, limit = abs(p1 - p2) * math.sqrt(n1), _critical(alpha, alternative) * pooled
    power = stats.norm.cdf((shift - limit) / separate)
    if alternative == "two-sided":
        power += stats.norm.cdf((-shift - limit) / separate)
    return float(power)


def cohen_h(p1: float, p2: float) -> float:
    """Effect size of two rates on the arcsine scale, ``2 asin sqrt p1 - 2 asin sqrt p2``."""
    return 2.0 * math.asin(math.sqrt(p1)) - 2.0 * math.asin(math.sqrt(p2))


def cohen_h_power(
    h: float, n: float, alpha: float = 0.05, alternative: Alternative = "two-sided"
) -> float:
    """Power for an arcsine effect size with `n` observations in each group.

    Parameters
    ----------
    h : float
        See `cohen_h`.
    n : float
        Observations per group.
    alpha : float
    alternative : {"two-sided", "one-sided"}
        One-sided tests for an effect above zero.
    """
    shift, limit = h * math.sqrt(n / 2.0), _critical(alpha, alternative)
    upper = stats.norm.sf(limit - shift)
    return float(upper + stats.norm.cdf(-limit - shift) if alternative == "two-sided" else upper)


def equivalence_region(n: int, limits: tuple[float, float], alpha: float = 0.05) -> tuple[int, int]:
    """Counts of makes that show a rate to lie between two limits (two one-sided exact tests).

    Parameters
    ----------
    n : int
        Attempts.
    limits : (float, float)
        Limits of equivalence of the rate.
    alpha : float
        Level of each one-sided binomial test.

    Returns
    -------
    (int, int)
        Smallest and largest count; the first is larger than the second when none will do.
    """
    low, high = limits
    makes = np.arange(n + 1)
    above = stats.binom.sf(makes - 1, n, low) <= alpha
    below = stats.binom.cdf(makes, n, high) <= alpha
    inside = makes[above & below]
    return (int(inside[0]), int(inside[-1])) if inside.size else (1, 0)


def equivalence_power(n: int, limits: tuple[float, float], p: float, alpha: float = 0.05) -> float:
    """Chance that the exact test of `equivalence_region` succeeds when the rate is `p`."""
    first, last = equivalence_region(n, limits, alpha)
    if first > last:
        return 0.0
    return float(stats.binom.cdf(last, n, p) - stats.binom.cdf(first - 1, n, p))


@dataclass(frozen=True)
class CrossoverResult(Result):
    """A two-period, two-sequence crossover by t tests (Senn 2002, ch. 3; from memory).

    Parameters
    ----------
    table : DataFrame
        Rows ``treatment``, ``treatment_welch``, ``period``, ``carry_over``,
        ``ignoring_period`` with ``estimate``, ``se``, ``t``, ``df``, ``p``, ``low``, ``high``.
    interval : Interval
        Of the treatment effect A - B, adjusted for period, pooled variance.
    counts : (int, int)
        Subjects with sequence AB and BA.
    """

    _estimates = Estimates("estimate", "low", "high")

    table: pd.DataFrame
    interval: Interval
    counts: tuple[int, int]

    @property
    def effect(self) -> float:
        """Treatment effect A - B adjusted for period."""
        return float(self.table["estimate"].to_dict()["treatment"])

    @property
    def text(self) -> str:
        """The effect in a sentence, with the warning that belongs to it."""
        return (
            f"Classical crossover companion: A minus B {self.effect:.3g}, "
            f"{self.interval.prob:.0%} interval {self.interval.low:.3g} to "
            f"{self.interval.high:.3g} ({sum(self.counts)} subjects). {CARRY_OVER_WARNING}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "table": self.table.reset_index(names="quantity"),
            "interval": self.interval.to_dict(),
            "counts": list(self.counts),
            "text": self.text,
        }


def crossover_ab_ba(table: pd.DataFrame, prob: float = 0.95) -> CrossoverResult:
    """Analyse a two-period crossover.

    Parameters
    ----------
    table : DataFrame
        One row per subject: ``sequence`` (``AB`` or ``BA``), ``period1``, ``period2`` (outcomes).
    prob : float
        Confidence of the intervals.

    Raises
    ------
    ArgumentError
        Unknown sequence, or fewer than two subjects in one.
    """
    unknown = sorted(set(map(str, table["sequence"])) - set(SEQUENCES))
    groups = [table[table["sequence"] == name] for name in SEQUENCES]
    if unknown or min(map(len, groups)) < 2:
        raise ArgumentError(
            f"sequences {[len(g) for g in groups]} for {SEQUENCES}, unknown {unknown}",
            rule="at least two subjects with AB and two with BA, no other sequence",
            next_step="leave the classical companion out for smaller trials",
        )
    difference = [(g["period1"] - g["period2"]).to_numpy(dtype=float) for g in groups]
    total = [(g["period1"] + g["period2"]).to_numpy(dtype=float) for g in groups]
    a_minus_b = np.concatenate([difference[0], -difference[1]])
    rows = {
        # Half differences: AB holds treatment + period, BA holds -treatment + period.
        "treatment": _two_sample(difference[0] / 2, difference[1] / 2, prob, pooled=True),
        "treatment_welch": _two_sample(difference[0] / 2, difference[1] / 2, prob, pooled=False),
        "period": _two_sample(difference[0] / 2, -difference[1] / 2, prob, pooled=True),
        "carry_over": _two_sample(total[0], total[1], prob, pooled=True),
        "ignoring_period": _summary(
            a_minus_b.mean(),
            a_minus_b.std(ddof=1) / math.sqrt(len(a_minus_b)),
            len(a_minus_b) - 1,
            prob,
        ),
    }
    frame = pd.DataFrame.from_dict(rows, orient="index")
    best = rows["treatment"]
    interval = Interval(best["low"], best["high"], prob, "t", "difference")
    return CrossoverResult(frame, interval, (len(groups[0]), len(groups[1])))


def _two_sample(
    first: np.ndarray, second: np.ndarray, prob: float, *, pooled: bool
) -> dict[str, float]:
    n, m = len(first), len(second)
    v, w = first.var(ddof=1), second.var(ddof=1)
    if pooled:
        variance = ((n - 1) * v + (m - 1) * w) / (n + m - 2)
        se, df = math.sqrt(variance * (1 / n + 1 / m)), float(n + m - 2)
    else:
        a, b = v / n, w / m
        se, df = math.sqrt(a + b), (a + b) ** 2 / (a**2 / (n - 1) + b**2 / (m - 1))
    return _summary(first.mean() - second.mean(), se, df, prob)


def _summary(estimate: float, se: float, df: float, prob: float) -> dict[str, float]:
    t = estimate / se if se > 0 else math.nan
    half = stats.t.ppf(0.5 + prob / 2, df) * se
    return {
        "estimate": float(estimate),
        "se": float(se),
        "t": float(t),
        "df": float(df),
        "p": float(2 * stats.t.sf(abs(t), df)),
        "low": float(estimate - half),
        "high": float(estimate + half),
    }


def _critical(alpha: float, alternative: Alternative) -> float:
    _check_probability("alpha", alpha)
    return float(stats.norm.isf(alpha / 2 if alternative == "two-sided" else alpha))


def _deviations(p1: float, p2: float, ratio: float) -> tuple[float, float]:
    """Standard deviation of the difference times sqrt(n1): under no difference, and as it is."""
    mean = (p1 + ratio * p2) / (1 + ratio)
    pooled = math.sqrt(mean * (1 - mean) * (1 + 1 / ratio))
    return pooled, math.sqrt(p1 * (1 - p1) + p2 * (1 - p2) / ratio)


def _check_rates(p1: float, p2: float) -> None:
    if not (0 < p1 < 1 and 0 < p2 < 1) or p1 == p2:
        raise ArgumentError(
            f"p1={p1!r}, p2={p2!r}",
            rule="two different rates between 0 and 1",
            next_step="state the two make rates that shall be told apart, e.g. .40 and .435",
        )


def _check_probability(name: str, value: float) -> None:
    if not 0 < value < 1:
        raise ArgumentError(
            f"{name}={value!r}",
            rule="a probability above 0 and below 1",
            next_step=f"pass e.g. {name}=0.8" if name == "power" else "pass e.g. alpha=0.05",
        )
