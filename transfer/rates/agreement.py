"""Do two charters label the same attempts alike? Percent agreement and Cohen's kappa.

Cohen 1960 (Educational and Psychological Measurement 20:37-46); the standard error is that of
Fleiss, Cohen and Everitt 1969, as statsmodels computes it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from transfer.arguments import choice
from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.counts import check_prob, percent
from transfer.rates.intervals import proportion_interval
from transfer.results import Estimates, Interval, Result, plain

__all__ = ["Agreement", "agreement_from_counts", "cohen_agreement"]


@dataclass(frozen=True)
class Agreement(Result):
    """Agreement of two raters.

    Parameters
    ----------
    counts : DataFrame, shape (levels, levels)
        Attempts by label of the first (rows) and the second rater (columns).
    agreement : float
        Share of attempts that both label alike.
    agreement_interval : Interval
        Wilson interval of that share.
    kappa, se : float
        Cohen's kappa and its standard error.
    interval : Interval
        Normal interval of kappa, cut at 1.
    weights : {None, "linear", "quadratic"}
        Weights of near misses between ordered labels.
    """

    _estimates = Estimates("share_of_either")

    counts: pd.DataFrame
    agreement: float
    agreement_interval: Interval
    kappa: float
    se: float
    interval: Interval
    weights: Literal["linear", "quadratic"] | None

    @property
    def table(self) -> pd.DataFrame:
        """One row per label: attempts by each rater, by both, and by both over by either."""
        both = np.diag(self.counts)
        first, second = self.counts.sum(axis=1).to_numpy(), self.counts.sum(axis=0).to_numpy()
        either = first + second - both
        share = np.divide(both, either, out=np.full(both.size, np.nan), where=either > 0)
        return pd.DataFrame(
            {
                "label": self.counts.index,
                "first": first,
                "second": second,
                "both": both,
                "share_of_either": share,
            }
        )

    @property
    def text(self) -> str:
        """The agreement as a sentence."""
        total = int(self.counts.to_numpy().sum())
        narrow = (
            " At full agreement the normal interval has no width: read the Wilson interval instead."
            if self.se == 0.0
            else ""
        )
        kind = f"{self.weights} weighted " if self.weights else ""
        return (
            f"Two charters labelled {total} attempts alike in {percent(self.agreement)} of cases "
            f"({percent(self.agreement_interval.prob)} Wilson interval "
            f"{percent(self.agreement_interval.low)} to {percent(self.agreement_interval.high)}). "
            f"Beyond what their habits would give by chance, {kind}kappa is {self.kappa:.2f} "
            f"({percent(self.interval.prob)} normal interval {self.interval.low:.2f} to "
            f"{self.interval.high:.2f}; 0 is chance, 1 is full agreement).{narrow}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "agreement": self.agreement,
            "agreement_interval": self.agreement_interval.to_dict(),
            "kappa": self.kappa,
            "se": self.se,
            "interval": self.interval.to_dict(),
            "weights": self.weights,
            "labels": plain(self.table),
            "text": self.text,
        }


def agreement_from_counts(
    counts: npt.ArrayLike,
    labels: Sequence[str] | None = None,
    weights: Literal["linear", "quadratic"] | None = None,
    prob: float = 0.90,
) -> Agreement:
    """Agreement from a square table of counts.

    Parameters
    ----------
    counts : array_like, shape (levels, levels)
        Attempts by label of the first (rows) and the second rater (columns).
    labels : sequence of str, optional
        Names of the levels, in order.
    weights : {None, "linear", "quadratic"}
        For ordered labels (lighter to heavier contest), count near misses in part.
    prob : float
        Content of the intervals.

    Raises
    ------
    ArgumentError
        When the table is not square or holds anything but whole counts.
    IdentificationError
        When a rater used one label throughout, so that kappa says nothing.
    """
    from statsmodels.stats.inter_rater import cohens_kappa  # seconds to import

    table = np.asarray(counts, dtype=float)
    check_prob(prob)
    square = table.ndim == 2 and table.shape[0] == table.shape[1] and table.size > 1
    if not square or (table < 0).any() or (table != np.round(table)).any() or table.sum() == 0:
        raise ArgumentError(
            f"counts of shape {table.shape} are not a table of two raters",
            rule="a square table, at least two labels, whole counts, at least one attempt",
            next_step="count attempts by the label of each rater, same labels for both",
        )
    choice(
        "weights",
        weights,
        (None, "linear", "quadratic"),
        rule="None, linear or quadratic",
        next_step="leave weights out for labels without an order",
    )
    total, alike = table.sum(), float(np.trace(table))
    if max(table.sum(axis=0).max(), table.sum(axis=1).max()) == total:
        raise IdentificationError(
            f"a charter gave all {total:.0f} attempts the same label",
            rule="kappa compares with chance, and with one label it cannot leave zero",
            next_step="let both label attempts of more than one kind",
        )
    with np.errstate(divide="ignore", invalid="ignore"):  # of the tests that come along
        found = cohens_kappa(table, wt=weights, return_results=True)
    kappa, se = float(found.kappa), math.sqrt(max(float(found.var_kappa), 0.0))
    from scipy.stats import norm

    reach = float(norm.ppf(0.5 + prob / 2)) * se
    names = [str(label) for label in (range(table.shape[0]) if labels is None else labels)]
    return Agreement(
        counts=pd.DataFrame(table.astype(int), index=names, columns=names),
        agreement=alike / total,
        agreement_interval=proportion_interval(alike, total, "wilson", prob),
        kappa=kappa,
        se=se,
        interval=Interval(kappa - reach, min(kappa + reach, 1.0), prob, "normal", "parameter"),
        weights=weights,
    )


def cohen_agreement(
    first: Sequence[str] | pd.Series,
    second: Sequence[str] | pd.Series,
    levels: Sequence[str] | None = None,
    weights: Literal["linear", "quadratic"] | None = None,
    prob: float = 0.90,
) -> Agreement:
    """Agreement of two lists of labels for the same attempts, in the same order.

    Parameters
    ----------
    first, second : sequence of str, equal length
        Labels by the two raters.
    levels : sequence of str, optional
        All labels in order; needed for weights. Sorted labels in use when left out.
    weights, prob
        See `agreement_from_counts`, also for the result and the errors.
    """
    a, b = pd.Series(list(first), dtype=object), pd.Series(list(second), dtype=object)
    if len(a) != len(b) or a.isna().any() or b.isna().any():
        raise ArgumentError(
            f"{len(a)} and {len(b)} labels, {int(a.isna().sum() + b.isna().sum())} missing",
            rule="one label by each charter for every attempt",
            next_step="keep the attempts that both charters labelled",
        )
    if weights is not None and levels is None:
        raise ArgumentError(
            f"weights={weights!r} without levels",
            rule="weights need the order of the labels",
            next_step="pass levels from lightest to heaviest",
        )
    used = set(a) | set(b)
    order = sorted(used, key=str) if levels is None else list(levels)
    unknown = used - set(order)
    if unknown:
        raise ArgumentError(
            f"label(s) {', '.join(sorted(map(str, unknown)))} are not among the levels",
            rule=f"levels are {', '.join(map(str, order))}",
            next_step="correct the labels or add the level",
        )
    counts = pd.crosstab(a, b).reindex(index=order, columns=order, fill_value=0)
    if len(order) < 2:
        raise IdentificationError(
            f"the {len(a)} attempts carry {len(order)} kind(s) of label",
            rule="kappa needs at least two labels in use",
            next_step="let both label attempts of more than one kind",
        )
    return agreement_from_counts(counts.to_numpy(), [str(x) for x in order], weights, prob)
