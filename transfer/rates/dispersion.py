"""Was it harmless to add up the sessions? Over-dispersion of session cells about one rate.

Within a player and setting the session counts should vary about the common rate as chance makes
them. Pearson's chi-squared tests it; the intra-class correlation (ICC) of the beta-binomial says
how large the excess is, and the design effect how much the attempts are worth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import brentq
from scipy.special import ndtr
from scipy.stats import chi2

from transfer.arguments import between, kinds_checked
from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.counts import FloatArray, check_columns, check_counts, check_prob, percent
from transfer.results import Estimates, Interval, Result, plain

__all__ = ["HARMLESS_DESIGN_EFFECT", "Dispersion", "deflate", "dispersion"]

#: Design effect up to which adding up is called harmless: intervals would be at most 5 % too
#: narrow (judgement, no source).
HARMLESS_DESIGN_EFFECT = 1.10


@dataclass(frozen=True)
class Dispersion(Result):
    """Variation of session cells within player and setting.

    Parameters
    ----------
    cells, groups : int
        Session cells used, and the player-by-setting groups they belong to.
    attempts : float
        Attempts in those cells.
    chi_squared, df, p_value : float
        Pearson's statistic, cells minus groups, and the upper tail.
    tarone_z, tarone_p : float
        Tarone's z against the beta-binomial (1979, Biometrika 66:585-590, from memory), summed
        over groups and centred at its mean given the totals of each group; and its upper tail.
    icc : float
        Correlation of two attempts of the same session beyond the common rate; 0 when the
        sessions vary by no more than chance.
    interval : Interval
        Of the ICC, within 0 to 1.
    design_effect, design_effect_high : float
        1 + (mean session size, weighted by attempts, - 1) x ICC; at the ICC and at its upper
        limit.
    by_group : DataFrame
        Groups with cells, n, y, rate and their share of chi-squared.
    """

    _estimates = Estimates("icc", "icc_low", "icc_high")

    cells: int
    groups: int
    attempts: float
    chi_squared: float
    df: int
    p_value: float
    tarone_z: float
    tarone_p: float
    icc: float
    interval: Interval
    design_effect: float
    design_effect_high: float
    by_group: pd.DataFrame

    @property
    def reading(self) -> Literal["harmless", "not_harmless", "open"]:
        """Whether sessions may be added up as they are.

        ``harmless`` when even the upper limit of the design effect is at most
        `HARMLESS_DESIGN_EFFECT`; ``not_harmless`` when the design effect is above it and the
        interval of the ICC leaves out zero; ``open`` otherwise.
        """
        if self.design_effect_high <= HARMLESS_DESIGN_EFFECT:
            return "harmless"
        if self.design_effect > HARMLESS_DESIGN_EFFECT and self.interval.low > 0.0:
            return "not_harmless"
        return "open"

    @property
    def table(self) -> pd.DataFrame:
        """One row with the numbers above."""
        row = {k: v for k, v in self.__dict__.items() if k not in ("by_group", "interval")}
        row |= {"icc_low": self.interval.low, "icc_high": self.interval.high}
        return pd.DataFrame([{**row, "reading": self.reading}])

    @property
    def text(self) -> str:
        """Whether adding up was harmless, as a sentence."""
        p_value = f"p = {self.p_value:.3f}" if self.p_value >= 0.001 else "p < 0.001"
        facts = (
            f"{self.cells} session cells of {self.groups} player-setting groups: Pearson "
            f"chi-squared {self.chi_squared:.1f} on {self.df} df ({p_value}), "
            f"within-session correlation {self.icc:.3f} ({percent(self.interval.prob)} interval "
            f"{self.interval.low:.3f} to {self.interval.high:.3f}), design effect "
            f"{self.design_effect:.2f} (up to {self.design_effect_high:.2f})"
        )
        if self.reading == "harmless":
            return f"{facts}. Adding up sessions was harmless."
        if self.reading == "not_harmless":
            return (
                f"{facts}. Adding up sessions was not harmless: {self.design_effect:.2f} attempts "
                "tell as much as one would alone; the transfer model counts them so by setting."
            )
        return (
            f"{facts}. These records do not settle whether adding up sessions was harmless; "
            f"intervals may be too narrow by up to "
            f"{percent(1.0 - 1.0 / math.sqrt(self.design_effect_high))}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {**plain(self.table)[0], "icc_interval": self.interval.to_dict(), "text": self.text}


def deflate(
    y: npt.ArrayLike, n: npt.ArrayLike, design_effect: float
) -> tuple[FloatArray, FloatArray]:
    """Divide makes and attempts by a design effect (at least 1), which widens every interval."""
    makes, attempts = check_counts(y, n)
    step = "use the one of transfer.rates.dispersion.dispersion"
    between("design_effect", design_effect, at_least=1, finite=True, next_step=step)
    return makes / design_effect, attempts / design_effect


def _pearson(
    y: FloatArray, n: FloatArray, group: npt.NDArray[np.int64], correlation: float
) -> FloatArray:
    """Terms of Pearson's statistic about weighted group rates, under a given ICC."""
    inflation = 1.0 + (n - 1.0) * correlation
    rate = np.bincount(group, y / inflation) / np.bincount(group, n / inflation)
    p = rate[group]
    return (y - n * p) ** 2 / (n * p * (1.0 - p) * inflation)


def _solve(y: FloatArray, n: FloatArray, group: npt.NDArray[np.int64], target: float) -> float:
    """ICC at which Pearson's statistic equals `target`; 0 or 1 when it lies beyond."""

    def gap(correlation: float) -> float:
        return float(_pearson(y, n, group, correlation).sum()) - target

    if gap(0.0) <= 0.0:
        return 0.0
    if gap(1.0) >= 0.0:
        return 1.0
    return float(brentq(gap, 0.0, 1.0, xtol=1e-10))


@kinds_checked
def dispersion(
    sessions: pd.DataFrame, by: Sequence[str] = ("unit", "setting"), prob: float = 0.90
) -> Dispersion:
    """Test session cells against one rate for each player and setting.

    The ICC solves Pearson(ICC) = df, the moment estimate of Williams 1982 (Applied Statistics
    31:144-148, from memory); its interval inverts the same statistic against the chi-squared
    distribution (the Q-profile idea of Viechtbauer 2007, Statistics in Medicine 26:37-52, from
    memory), so interval and test agree.

    Parameters
    ----------
    sessions : DataFrame
        One row per session cell with ``n``, ``y`` and the columns of `by`.
    by : sequence of str
        Columns that make a group with one rate.
    prob : float
        Content of the interval of the ICC.

    Raises
    ------
    ArgumentError
        For missing columns or impossible counts.
    IdentificationError
        When no group has two sessions and both makes and misses, or every cell is one attempt.
    """
    keys = list(by)
    check_columns(sessions, ("n", "y", *keys), "sessions")
    makes, attempts = check_counts(sessions["y"].to_numpy(), sessions["n"].to_numpy())
    check_prob(prob)
    homeless = int(sessions[keys].isna().any(axis=1).sum())
    if homeless:
        raise ArgumentError(
            f"sessions holds {homeless} row(s) without {' or '.join(keys)}",
            rule="every session cell belongs to a group",
            next_step="fill in or drop these rows",
        )
    group = sessions.groupby(keys, sort=True, observed=True).ngroup().to_numpy()
    size = np.bincount(group)
    total_n, total_y = np.bincount(group, attempts), np.bincount(group, makes)
    usable = (size > 1) & (total_y > 0) & (total_y < total_n)
    keep = usable[group]
    if not keep.any() or attempts[keep].max() <= 1:
        raise IdentificationError(
            f"none of {size.size} groups has two sessions of several attempts, makes and misses",
            rule="variation between sessions needs two sessions of one player at one setting",
            next_step="chart by session, or leave the check out",
        )
    y, n = makes[keep], attempts[keep]
    index = np.unique(group[keep], return_inverse=True)[1]
    labels = sessions.loc[keep, keys].reset_index(drop=True)
    terms = _pearson(y, n, index, 0.0)
    df = int(y.size - index.max() - 1)
    statistic, tail = float(terms.sum()), (1.0 - prob) / 2
    icc = _solve(y, n, index, df)
    low = _solve(y, n, index, float(chi2.isf(tail, df)))
    high = _solve(y, n, index, float(chi2.ppf(tail, df)))
    # Tarone: n x term is (y - np)^2 / pq, with mean n and variance 2 n (n - 1) under chance; given
    # the group's totals its exact mean is n (N - n) / (N - 1), which spares a bias at few cells.
    group_n = np.bincount(index, n)[index]
    expected = n * (group_n - n) / (group_n - 1.0)
    z = float((n * terms - expected).sum() / math.sqrt(2.0 * (n * (n - 1.0)).sum()))
    weighted = float((n**2).sum() / n.sum())
    frame = labels.assign(n=n, y=y, chi_squared=terms, cells=1)
    summed = frame.groupby(keys, sort=True, observed=True, as_index=False).sum()
    return Dispersion(
        cells=int(y.size),
        groups=int(index.max() + 1),
        attempts=float(n.sum()),
        chi_squared=statistic,
        df=df,
        p_value=float(chi2.sf(statistic, df)),
        tarone_z=z,
        tarone_p=float(ndtr(-z)),
        icc=icc,
        interval=Interval(low, high, prob, "q_profile", "parameter"),
        design_effect=1.0 + (weighted - 1.0) * icc,
        design_effect_high=1.0 + (weighted - 1.0) * high,
        by_group=summed.assign(rate=summed["y"] / summed["n"]),
    )
