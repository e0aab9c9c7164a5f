"""Intervals for one make rate: Wilson, Jeffreys, Clopper-Pearson, Agresti-Coull.

Wilson is the default: its coverage stays near the nominal level at the small counts of a drill
(Brown, Cai and DasGupta 2001, Statistical Science 16:101-133, from memory). statsmodels does the
arithmetic; this module adds the checks, the end-point rule of the Jeffreys interval, which
statsmodels does not apply, and limits that can never leave [0, 1].
"""

from __future__ import annotations

from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from transfer.arguments import choice
from transfer.errors import ArgumentError
from transfer.rates.counts import FloatArray, check_counts, check_prob
from transfer.results import Interval, IntervalKind

__all__ = ["METHODS", "Method", "proportion_interval", "proportion_limits"]

Method = Literal["wilson", "jeffreys", "clopper_pearson", "agresti_coull"]
METHODS: tuple[Method, ...] = get_args(Method)

#: What statsmodels calls each method.
_STATSMODELS = {
    "wilson": "wilson",
    "jeffreys": "jeffreys",
    "clopper_pearson": "beta",
    "agresti_coull": "agresti_coull",
}


def proportion_limits(
    y: npt.ArrayLike,
    n: npt.ArrayLike,
    method: Method = "wilson",
    prob: float = 0.90,
    *,
    endpoint_rule: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Two-sided limits for make rates, row by row.

    Parameters
    ----------
    y, n : array_like, broadcastable
        Makes and attempts, n > 0. Fractions are accepted (counts over a design effect).
    method : {"wilson", "jeffreys", "clopper_pearson", "agresti_coull"}
        How the limits are made.
    prob : float
        Confidence content (for Jeffreys the posterior probability under Beta(1/2, 1/2)).
    endpoint_rule : bool
        Only for Jeffreys: the modified interval of Brown, Cai and DasGupta 2001. At y = 0 the
        limits become (0, 1 - (alpha/2)^(1/n)), at y = 1 the lower limit becomes 0, and the
        mirror image at the top. Plain Jeffreys excludes the value 0 at y = 0 and covers badly
        near the ends.

    Returns
    -------
    low, high : array, shape of the broadcast
        Rates between 0 and 1.

    Raises
    ------
    ArgumentError
        For impossible counts, an unknown method, or the end-point rule with another method.
    """
    from statsmodels.stats.proportion import proportion_confint  # seconds to import

    makes, attempts = check_counts(y, n)
    alpha = 1.0 - check_prob(prob)
    step = "use method='wilson' when in doubt"
    choice("method", method, METHODS, "is not an interval for a rate", next_step=step)
    if endpoint_rule and method != "jeffreys":
        raise ArgumentError(
            f"endpoint_rule=True with method={method!r}",
            rule="the end-point rule modifies the Jeffreys interval only",
            next_step="pass method='jeffreys' or leave endpoint_rule out",
        )
    shape = makes.shape
    low, high = proportion_confint(
        np.atleast_1d(makes), np.atleast_1d(attempts), alpha=alpha, method=_STATSMODELS[method]
    )
    low, high = np.clip(low, 0.0, 1.0).reshape(shape), np.clip(high, 0.0, 1.0).reshape(shape)
    if endpoint_rule:
        low, high = _endpoint_rule(makes, attempts, alpha, low, high)
    return low, high


def _endpoint_rule(
    y: FloatArray, n: FloatArray, alpha: float, low: FloatArray, high: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Apply the Brown-Cai-DasGupta modification of the Jeffreys limits."""
    one_sided = (alpha / 2) ** (1.0 / n)
    low = np.where(y == n, one_sided, np.where(y <= 1, 0.0, low))
    high = np.where(y == 0, 1.0 - one_sided, np.where(y >= n - 1, 1.0, high))
    return low, high


def proportion_interval(
    y: float,
    n: float,
    method: Method = "wilson",
    prob: float = 0.90,
    *,
    endpoint_rule: bool = False,
) -> Interval:
    """Interval for one make rate; see `proportion_limits` for arguments and errors.

    Returns
    -------
    Interval
        Holds the expected rate.
    """
    if np.ndim(y) or np.ndim(n):
        raise ArgumentError(
            f"y and n of shape {np.shape(y)} and {np.shape(n)} are more than one row",
            rule="proportion_interval takes one pair of counts",
            next_step="use proportion_limits for many rows",
        )
    low, high = proportion_limits(y, n, method, prob, endpoint_rule=endpoint_rule)
    kind: IntervalKind = "modified_jeffreys" if endpoint_rule else method
    return Interval(float(low), float(high), prob, kind, "expected rate")
