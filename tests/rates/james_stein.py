"""James-Stein shrinkage of equally measured rates, in the two published versions.

The 1975 version (Efron and Morris, JASA 70:311-319) works on the arcsine scale, where every rate
from n attempts has variance about 1; the 1977 version (Scientific American 236(5):119-127) works
on the rates themselves. Both shrink toward the mean of the group by 1 - (k-3)/V. With unequal
attempts use `transfer.rates.shrinkage` instead.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.counts import FloatArray, check_counts, percent
from transfer.results import plain

__all__ = ["JamesStein", "arcsine_scale", "james_stein_arcsine", "james_stein_raw", "rate_scale"]


@dataclass(frozen=True)
class JamesStein:
    """Rates shrunk toward their mean.

    Parameters
    ----------
    version : {"arcsine", "raw"}
        Scale on which the shrinkage was done.
    y, n : array, shape (k,), and float
        Makes, and the common number of attempts.
    observed : array, shape (k,)
        Observed values on the scale of the shrinkage.
    shrunken : array, shape (k,)
        Shrunken values on that scale.
    rates : array, shape (k,)
        Shrunken rates.
    centre : float
        Mean of `observed`.
    spread : float
        V: sum of squared deviations from the centre over the chance variance of one value.
    factor : float
        Share of each deviation that is kept, 1 - (k-3)/V, never below zero.
    """

    version: Literal["arcsine", "raw"]
    y: FloatArray
    n: float
    observed: FloatArray
    shrunken: FloatArray
    rates: FloatArray
    centre: float
    spread: float
    factor: float

    @property
    def table(self) -> pd.DataFrame:
        """One row per unit: n, y, raw, observed and shrunken on the scale used, shrunken rate."""
        return pd.DataFrame(
            {
                "n": self.n,
                "y": self.y,
                "raw": self.y / self.n,
                "observed": self.observed,
                "shrunken": self.shrunken,
                "rate": self.rates,
            }
        )

    @property
    def text(self) -> str:
        """What was kept of the differences, as a sentence."""
        if self.factor == 0.0:
            return (
                f"{self.y.size} rates from {self.n:g} attempts each differ by no more than chance "
                f"would make them: all are set to their mean."
            )
        return (
            f"Of the differences between {self.y.size} rates from {self.n:g} attempts each, "
            f"{percent(self.factor)} is kept; the rest is what chance alone would make. Raw rates "
            f"run from {percent((self.y / self.n).min())} to {percent((self.y / self.n).max())}, "
            f"shrunken ones from {percent(self.rates.min())} to {percent(self.rates.max())}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "version": self.version,
            "centre": self.centre,
            "spread": self.spread,
            "factor": self.factor,
            "units": plain(self.table),
            "text": self.text,
        }


def arcsine_scale(rate: npt.ArrayLike, n: npt.ArrayLike) -> FloatArray:
    """Variance-stabilised rate, ``sqrt(n) * arcsin(2 * rate - 1)``, variance about 1.

    Parameters
    ----------
    rate, n : array_like
        Rates between 0 and 1, and attempts.
    """
    return np.sqrt(np.asarray(n, float)) * np.arcsin(2.0 * np.asarray(rate, float) - 1.0)


def rate_scale(value: npt.ArrayLike, n: npt.ArrayLike) -> FloatArray:
    """Inverse of `arcsine_scale`."""
    return 0.5 * (1.0 + np.sin(np.asarray(value, float) / np.sqrt(np.asarray(n, float))))


def _equal_counts(y: npt.ArrayLike, n: npt.ArrayLike) -> tuple[FloatArray, float]:
    """Check counts for James-Stein: one line of at least four rates, equal attempts."""
    makes, attempts = check_counts(y, n)
    if makes.ndim != 1 or makes.size < 4:
        raise ArgumentError(
            f"y has shape {makes.shape}",
            rule="shrinking toward the mean by k-3 needs a line of at least four rates",
            next_step="add players, or report the raw rates with their intervals",
        )
    if np.unique(attempts).size != 1:
        raise ArgumentError(
            f"n runs from {attempts.min():g} to {attempts.max():g}",
            rule="James-Stein as published needs equal attempts for every unit",
            next_step="use transfer.rates.shrinkage for unequal attempts",
        )
    return makes, float(attempts[0])


def _shrink(observed: FloatArray, variance: float) -> tuple[FloatArray, float, float, float]:
    """Return shrunken values, centre, V and the factor that is kept."""
    centre = float(observed.mean())
    spread = float(((observed - centre) ** 2).sum()) / variance
    factor = max(0.0, 1.0 - (observed.size - 3) / spread) if spread > 0 else 0.0
    return centre + factor * (observed - centre), centre, spread, factor


def james_stein_arcsine(y: npt.ArrayLike, n: npt.ArrayLike) -> JamesStein:
    """James-Stein on the arcsine scale, the version of 1975.

    Parameters
    ----------
    y, n : array_like, shape (k,)
        Makes and attempts, k >= 4, the same attempts for all.

    Returns
    -------
    JamesStein

    Raises
    ------
    ArgumentError
        For impossible counts, fewer than four rates, or unequal attempts.
    """
    makes, attempts = _equal_counts(y, n)
    observed = arcsine_scale(makes / attempts, attempts)
    shrunken, centre, spread, factor = _shrink(observed, 1.0)
    rates = rate_scale(shrunken, attempts)
    return JamesStein("arcsine", makes, attempts, observed, shrunken, rates, centre, spread, factor)


def james_stein_raw(y: npt.ArrayLike, n: npt.ArrayLike) -> JamesStein:
    """James-Stein on the rates themselves, the version of 1977.

    The chance variance is that of the mean rate, ``m (1 - m) / n``.

    Parameters, results and errors as for `james_stein_arcsine`; a group without any make or
    without any miss raises IdentificationError, because its chance variance is zero.
    """
    makes, attempts = _equal_counts(y, n)
    rates = makes / attempts
    mean = float(rates.mean())
    if mean in (0.0, 1.0):
        raise IdentificationError(
            f"all {rates.size} rates are {mean:g}",
            rule="the chance variance m(1-m)/n must be positive",
            next_step="collect more attempts, or use james_stein_arcsine",
        )
    shrunken, centre, spread, factor = _shrink(rates, mean * (1.0 - mean) / attempts)
    return JamesStein("raw", makes, attempts, rates, shrunken, shrunken, centre, spread, factor)
