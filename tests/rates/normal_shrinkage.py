"""Shrinkage of estimates with known standard errors toward a common mean.

The normal-normal model y_i ~ N(theta_i, se_i^2), theta_i ~ N(mean, tau^2): for program means,
logit rates, or effects from several seasons. With tau fixed everything is closed form (Gelman et
al., Bayesian Data Analysis, section 5.4, from memory); tau itself comes from statsmodels.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from transfer.arguments import between, choice
from transfer.errors import ArgumentError
from transfer.rates.counts import FloatArray
from transfer.results import plain

__all__ = ["NormalShrinkage", "between_sd", "shrink_estimates"]


@dataclass(frozen=True)
class NormalShrinkage:
    """Estimates shrunk toward their mean at one between-unit standard deviation.

    Parameters
    ----------
    estimates, standard_errors : array, shape (k,)
        What was observed.
    tau : float
        Between-unit standard deviation, in the unit of the estimates.
    mean, mean_se : float
        Common mean (flat prior) and its standard error; ``mean_se`` is 0 when the mean was given.
    shrunken, shrunken_sd : array, shape (k,)
        Conditional means and standard deviations of the true values.
    reliability : array, shape (k,)
        tau^2 / (tau^2 + se^2): the weight of a unit's own estimate.
    """

    estimates: FloatArray
    standard_errors: FloatArray
    tau: float
    mean: float
    mean_se: float
    shrunken: FloatArray
    shrunken_sd: FloatArray
    reliability: FloatArray

    @property
    def table(self) -> pd.DataFrame:
        """One row per unit: estimate, se, shrunken, shrunken_sd, reliability."""
        return pd.DataFrame(
            {
                "estimate": self.estimates,
                "se": self.standard_errors,
                "shrunken": self.shrunken,
                "shrunken_sd": self.shrunken_sd,
                "reliability": self.reliability,
            }
        )

    @property
    def text(self) -> str:
        """The shrinkage as a sentence."""
        return (
            f"{self.estimates.size} estimates with a common mean of {self.mean:.3g} "
            f"(s.e. {self.mean_se:.2g}) and a between-unit standard deviation of {self.tau:.3g} "
            f"keep {100 * self.reliability.min():.0f}% to {100 * self.reliability.max():.0f}% of "
            f"their distance from that mean."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "tau": self.tau,
            "mean": self.mean,
            "mean_se": self.mean_se,
            "units": plain(self.table),
            "text": self.text,
        }


def _check(
    estimates: npt.ArrayLike, standard_errors: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Check a line of estimates with positive standard errors."""
    values = np.asarray(estimates, dtype=float)
    errors = np.asarray(standard_errors, dtype=float)
    if values.ndim != 1 or values.shape != errors.shape or values.size < 2:
        raise ArgumentError(
            f"estimates of shape {values.shape} with standard errors of shape {errors.shape}",
            rule="two lines of equal length, at least two units",
            next_step="pass one estimate and one standard error for each unit",
        )
    if not (np.isfinite(values).all() and np.isfinite(errors).all() and (errors > 0).all()):
        raise ArgumentError(
            "an estimate is not finite or a standard error is not positive",
            rule="finite estimates, standard errors > 0",
            next_step="drop units without an estimate",
        )
    return values, errors


def shrink_estimates(
    estimates: npt.ArrayLike,
    standard_errors: npt.ArrayLike,
    tau: float,
    mean: float | None = None,
) -> NormalShrinkage:
    """Conditional means and standard deviations of the true values at a fixed `tau`.

    Parameters
    ----------
    estimates, standard_errors : array_like, shape (k,)
        Observed values with known standard errors.
    tau : float
        Between-unit standard deviation, >= 0.
    mean : float, optional
        Known common mean. Left out, the mean has a flat prior and its uncertainty enters the
        standard deviations.

    Returns
    -------
    NormalShrinkage

    Raises
    ------
    ArgumentError
        For bad shapes, non-positive standard errors or a negative tau.
    """
    values, errors = _check(estimates, standard_errors)
    wrong, step = "is not a standard deviation", "estimate it with between_sd"
    between("tau", tau, wrong, at_least=0, finite=True, next_step=step)
    precision = 1.0 / (errors**2 + tau**2)
    if mean is None:
        centre = float(np.average(values, weights=precision))
        centre_variance = float(1.0 / precision.sum())
    else:
        centre, centre_variance = float(mean), 0.0
    reliability = tau**2 * precision
    variance = errors**2 * reliability + (1.0 - reliability) ** 2 * centre_variance
    return NormalShrinkage(
        estimates=values,
        standard_errors=errors,
        tau=float(tau),
        mean=centre,
        mean_se=float(np.sqrt(centre_variance)),
        shrunken=centre + reliability * (values - centre),
        shrunken_sd=np.sqrt(variance),
        reliability=reliability,
    )


def between_sd(
    estimates: npt.ArrayLike,
    standard_errors: npt.ArrayLike,
    method: Literal["paule_mandel", "dersimonian_laird"] = "paule_mandel",
) -> float:
    """Between-unit standard deviation by a moment method, never below zero.

    Parameters
    ----------
    estimates, standard_errors : array_like, shape (k,)
        Observed values with known standard errors.
    method : {"paule_mandel", "dersimonian_laird"}
        Paule and Mandel 1982 or DerSimonian and Laird 1986 (from memory), as statsmodels computes
        them; statsmodels does not cut the second at zero, this function does.

    Returns
    -------
    float
        Zero when the estimates differ by no more than their standard errors explain.

    Raises
    ------
    ArgumentError
        For bad shapes, non-positive standard errors or an unknown method.
    """
    names = {"paule_mandel": "iterated", "dersimonian_laird": "dl"}
    values, errors = _check(estimates, standard_errors)
    wrong = "does not estimate a between-unit deviation"
    choice("method", method, names, wrong, next_step="use method='paule_mandel'")
    from statsmodels.stats.meta_analysis import combine_effects  # seconds to import

    # The default tolerance of the iteration leaves an error in the sixth digit.
    options = {"atol": 1e-12, "maxiter": 500} if method == "paule_mandel" else {}
    combined = combine_effects(values, errors**2, method_re=names[method], **options)
    return float(np.sqrt(max(combined.tau2, 0.0)))
