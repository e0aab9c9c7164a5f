"""Rates from sets that stop on the outcome: first to k makes, make it to move on.

A set that ends at the k-th make tends to end on a hot stretch, so makes over attempts is too high.
(k - 1) / (n - 1) is unbiased (Haldane 1945, Biometrika 33:222-225). A make-it-to-move-on ladder
with R rungs is R such sets with k = 1; sets with one true rate, laid end to end, are one set with
k = the sum of the targets. A set that was broken off before its target, at a number of attempts
that did not depend on the makes, has the plain y / n as its unbiased estimate (Girshick, Mosteller
and Savage 1946, Annals of Mathematical Statistics 17:13-23, from memory).

Model likelihoods do not change under such stopping rules; only descriptive rates need this.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import hyp2f1
from scipy.stats import nbinom

from transfer.arguments import between
from transfer.errors import ArgumentError
from transfer.rates.counts import FloatArray, check_counts, percent
from transfer.results import Estimates, Result, plain

__all__ = [
    "InverseRate",
    "expected_raw_rate",
    "first_to_k_rate",
    "first_to_k_variance",
    "ladder_rate",
    "pooled_first_to_k",
]


@dataclass(frozen=True)
class InverseRate(Result):
    """Unbiased make rate from sets with a target.

    Parameters
    ----------
    rate : float
        Unbiased estimate of the make rate.
    se : float
        Square root of its unbiased variance estimate; NaN where none exists (one single make).
    raw : float
        Makes over attempts, which is biased upward.
    makes, attempts : float
        Totals.
    sets, open_sets : int
        All sets, and those broken off before their target.
    """

    _estimates = Estimates("rate", beside="raw")

    rate: float
    se: float
    raw: float
    makes: float
    attempts: float
    sets: int
    open_sets: int

    @property
    def table(self) -> pd.DataFrame:
        """One row with the fields above."""
        return pd.DataFrame([{**self.__dict__}])

    @property
    def text(self) -> str:
        """Raw and unbiased rate, as a sentence."""
        noun = "set" if self.sets == 1 else "sets"
        broken = f" ({self.open_sets} broken off before the target)" if self.open_sets else ""
        spread = "" if math.isnan(self.se) else f" (s.e. {100 * self.se:.1f} points)"
        return (
            f"{self.sets} {noun} to a target{broken}, {self.makes:g} makes of {self.attempts:g}: "
            f"raw {percent(self.raw, 1)}, but a set that stops on a make flatters; the unbiased "
            f"rate is {percent(self.rate, 1)}{spread}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**{name: plain(value) for name, value in self.__dict__.items()}, "text": self.text}


def _targets(k: npt.ArrayLike, n: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Check targets of completed sets against their attempts."""
    makes, attempts = check_counts(k, n, whole=True)
    if (makes < 1).any():
        raise ArgumentError(
            f"target k={makes.min():g}",
            rule="a set ends at a make: k >= 1",
            next_step="pass the number of makes that ended each set",
        )
    return makes, attempts


def first_to_k_rate(k: npt.ArrayLike, n: npt.ArrayLike) -> FloatArray:
    """Unbiased make rate of completed sets, ``(k - 1) / (n - 1)``.

    Parameters
    ----------
    k, n : array_like, broadcastable
        Target and attempts of each set, 1 <= k <= n. With k = 1 the estimate is 1 when the first
        attempt went in and 0 otherwise: unbiased, and too coarse for a single set.

    Returns
    -------
    array, shape of the broadcast

    Raises
    ------
    ArgumentError
        For anything but whole numbers 1 <= k <= n.
    """
    makes, attempts = _targets(k, n)
    return np.where(attempts > 1, (makes - 1.0) / np.maximum(attempts - 1.0, 1.0), 1.0)


def _completed_variance(k: FloatArray, n: FloatArray) -> FloatArray:
    """Unbiased variance estimate of `first_to_k_rate`: rate (1 - rate) / (n - 2), k >= 2."""
    rate = first_to_k_rate(k, n)
    variance = np.where(n > 2, rate * (1.0 - rate) / np.maximum(n - 2.0, 1.0), 0.0)
    return np.where(k >= 2, variance, np.nan)


def pooled_first_to_k(
    k: npt.ArrayLike, n: npt.ArrayLike, y: npt.ArrayLike | None = None
) -> InverseRate:
    """Unbiased rate of several sets of one player at one setting.

    Completed sets are pooled as one inverse sample, (sum k - 1) / (sum n - 1). When some sets
    were broken off, the unbiased estimates of the sets are averaged with their targets as
    weights, because which sets are complete depends on the outcome.

    Parameters
    ----------
    k, n : array_like, shape (sets,)
        Target and attempts of each set.
    y : array_like, shape (sets,), optional
        Makes of each set, at most the target; the target when left out.

    Raises
    ------
    ArgumentError
        For impossible counts, no sets, or more makes than the target.
    """
    target, attempts = np.broadcast_arrays(np.atleast_1d(k), np.atleast_1d(n))
    makes, attempts = check_counts(target if y is None else np.atleast_1d(y), attempts, whole=True)
    target = np.broadcast_to(np.asarray(target, float), makes.shape)
    if makes.size == 0 or (target < 1).any() or (makes > target).any():
        raise ArgumentError(
            f"{makes.size} set(s), targets {target.tolist()}, makes {makes.tolist()}",
            rule="at least one set, target >= 1, makes at most the target",
            next_step="record each set on a row of its own with its target",
        )
    complete = makes == target
    if complete.all():
        total, tries = makes.sum(keepdims=True), attempts.sum(keepdims=True)
        rate = float(first_to_k_rate(total, tries)[0])
        variance = float(_completed_variance(total, tries)[0])
    else:
        rate, variance = _broken_off(target, attempts, makes, complete)
    return InverseRate(
        rate=rate,
        se=math.sqrt(variance) if variance >= 0.0 else math.nan,
        raw=float(makes.sum() / attempts.sum()),
        makes=float(makes.sum()),
        attempts=float(attempts.sum()),
        sets=int(makes.size),
        open_sets=int((~complete).sum()),
    )


def _broken_off(
    target: FloatArray, attempts: FloatArray, makes: FloatArray, complete: npt.NDArray[np.bool_]
) -> tuple[float, float]:
    """Target-weighted mean of the set estimates, and its variance estimate."""
    plain_rate = makes / attempts
    rates = np.where(complete, first_to_k_rate(np.maximum(makes, 1), attempts), plain_rate)
    fixed = np.where(
        attempts > 1, plain_rate * (1.0 - plain_rate) / np.maximum(attempts - 1.0, 1.0), np.nan
    )
    variances = np.where(complete, _completed_variance(np.maximum(makes, 1), attempts), fixed)
    weights = target / target.sum()
    return float(weights @ rates), float(weights**2 @ variances)


def ladder_rate(attempts: npt.ArrayLike) -> InverseRate:
    """Unbiased rate of a make-it-to-move-on ladder, all rungs taken as equally hard.

    Parameters
    ----------
    attempts : array_like, shape (rungs,)
        Attempts needed on each rung, the made one included.

    Raises
    ------
    ArgumentError
        For counts below one.
    """
    tries = np.atleast_1d(np.asarray(attempts, dtype=float))
    return pooled_first_to_k(np.ones_like(tries), tries)


def _rate(p: float) -> float:
    wrong = "is not the rate of a player who ends the set"
    return between("p", p, wrong, above=0, at_most=1, next_step="pass a make rate as a share")


def _whole_target(k: int) -> int:
    step = "pass the target of the set"
    return int(between("k", k, at_least=1, whole=True, next_step=step))


def expected_raw_rate(p: float, k: int) -> float:
    """Exact mean of makes over attempts when a set stops at the k-th make.

    Parameters
    ----------
    p : float
        True make rate, 0 < p <= 1.
    k : int
        Target.

    Returns
    -------
    float
        ``p * 2F1(1, 1; k + 1; 1 - p)``, from the negative binomial series by Euler's
        transformation (own derivation). Always above p, except at p = 1.
    """
    rate, target = _rate(p), _whole_target(k)
    return float(rate * hyp2f1(1.0, 1.0, target + 1.0, 1.0 - rate))


def first_to_k_variance(p: float, k: int) -> float:
    """Exact variance of (k - 1) / (n - 1) when a set stops at the k-th make, k >= 2.

    Parameters, errors as for `expected_raw_rate`. Summed over the negative binomial distribution
    of the misses up to a tail of 1e-14.
    """
    rate, target = _rate(p), _whole_target(k)
    if target < 2:
        return rate * (1.0 - rate)
    misses = np.arange(int(nbinom.isf(1e-14, target, rate)) + 1)
    estimate = (target - 1.0) / (target + misses - 1.0)
    chance = nbinom.pmf(misses, target, rate)
    return float(chance @ (estimate - rate) ** 2)
