"""One reading of a trial: fit the growth model to one account of the doses, judge the contrast."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import ndtr

from transfer.models.growth_data import GrowthData, growth_data, until_week
from transfer.models.growth_posterior import GrowthPosterior
from transfer.models.growth_settings import GrowthSettings
from transfer.trial.cells import TrialCells
from transfer.trial.effects import Estimand, GrowthEffect, effect_of, mix_contrast
from transfer.trial.plan import TrialPlan
from transfer.verdict import Verdict, judge

__all__ = [
    "Fit",
    "TrialReading",
    "assigned_data",
    "at_most_leaning",
    "done_data",
    "log_data",
    "read_contrast",
]

#: Fits data under settings from a seed; the sampler and its numpy twin both fit this.
Fit = Callable[..., GrowthPosterior]


@dataclass(frozen=True)
class TrialReading:
    """The judged contrast under one account of the doses.

    Parameters
    ----------
    label : str
        ``as assigned``, ``as done``, ``chosen mix`` or a named sensitivity run.
    effect : GrowthEffect
        Draws of the contrast in points.
    verdict : Verdict
        By the rule, capped where the doses were not given by a lot.
    by_lot : bool
        Whether the doses are those the lot gave; only then are words of cause allowed.
    posterior : GrowthPosterior
    """

    label: str
    effect: GrowthEffect
    verdict: Verdict
    by_lot: bool
    posterior: GrowthPosterior

    def row(self) -> dict[str, Any]:
        """One row of a table, points of game make rate."""
        v = self.verdict
        return {
            "reading": self.label,
            "mean": v.mean,
            "sd": v.sd,
            "low": v.interval.low,
            "high": v.interval.high,
            "prob": v.interval.prob,
            "kind": v.interval.kind,
            "probability": v.probability,
            "prior_probability": v.prior_probability,
            "contraction": v.contraction,
            "probability_in_rope": v.probability_in_rope,
            "verdict": v.verdict,
            "favours": v.favours,
        }

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        # The posterior's own sentence knows of the lot only, not of which doses were fitted.
        growth = {k: v for k, v in self.posterior.to_dict().items() if k != "text"}
        return {
            "reading": self.label,
            "wording": self.effect.estimand.wording,
            "unit": "points of game make rate",
            "by_lot": self.by_lot,
            "attempts": int(self.posterior.data.n.sum()),
            "players": self.posterior.data.players,
            **self.verdict.to_dict(),
            "growth": {**growth, "randomised": self.by_lot},
        }


def assigned_data(cells: TrialCells, plan: TrialPlan, by_lot: bool = True) -> GrowthData:
    """Doses as the lot gave them, whatever was done.

    Parameters
    ----------
    cells : TrialCells
    plan : TrialPlan
    by_lot : bool
        Whether the list of mixes counts as a lot; one registered after the first game does not.

    Returns
    -------
    GrowthData
        Up to the last recorded week.
    """
    planned = plan.table[["program", "player", "week", "rep_minutes", "live_minutes"]]
    table = cells.table.drop(columns=["rep_minutes", "live_minutes"]).merge(
        planned, on=["program", "player", "week"]
    )
    data = growth_data(
        table,
        start_minutes=dict(cells.start),
        randomised=by_lot,
        parallel=by_lot and not plan.has_swapped(cells.recorded_weeks),
        rates=_charted_rates(cells),
    )
    return until_week(data, cells.recorded_weeks)


def done_data(cells: TrialCells, plan: TrialPlan, by_lot: bool = True) -> GrowthData | None:
    """Doses as charted; ``None`` when minutes of some practice were not charted."""
    if cells.table[["rep_minutes", "live_minutes"]].isna().any(axis=None):
        return None
    data = growth_data(
        cells.table,
        start_minutes=dict(cells.start),
        randomised=by_lot,
        parallel=by_lot and not plan.has_swapped(cells.recorded_weeks),
    )
    return until_week(data, cells.recorded_weeks)


def log_data(cells: TrialCells) -> GrowthData:
    """Doses that somebody chose."""
    return growth_data(cells.table, start_minutes=dict(cells.start), randomised=False)


def read_contrast(
    data: GrowthData,
    label: str,
    *,
    fit: Fit,
    settings: GrowthSettings,
    rope: tuple[float, float],
    by_lot: bool,
    contrast: float,
    minutes: float,
    seed: int,
) -> TrialReading:
    """Fit, turn the gains into the judged contrast in points, and judge it.

    Parameters
    ----------
    data : GrowthData
    label : str
    fit : callable
        ``fit(data, settings, seed=seed)`` gives a posterior.
    settings : GrowthSettings
    rope : (float, float)
        Points of game make rate.
    by_lot : bool
    contrast, minutes : float
        Split and weekly minutes of the two mixes that are compared.
    seed : int

    Raises
    ------
    IdentificationError
        When the doses cannot tell the two kinds apart.
    DiagnosticsError
        When the fit failed its checks.
    """
    posterior = fit(data, settings, seed=seed)
    estimand = mix_contrast(settings, minutes=minutes, contrast=contrast)
    return judged(posterior, estimand, label, rope=rope, by_lot=by_lot)


def judged(
    posterior: GrowthPosterior,
    estimand: Estimand,
    label: str,
    *,
    rope: tuple[float, float],
    by_lot: bool,
) -> TrialReading:
    """Judge an estimand of a fitted posterior; see `read_contrast`."""
    effect = effect_of(posterior, estimand)
    verdict = judge(effect.draws, effect.prior_draws, rope)
    before = prior_probability(estimand, posterior.settings)
    if before is not None:
        live = (effect.draws > 0).mean() >= 0.5
        verdict = replace(verdict, prior_probability=before if live else 1.0 - before)
    return TrialReading(
        label, effect, verdict if by_lot else at_most_leaning(verdict), by_lot, posterior
    )


def prior_probability(estimand: Estimand, settings: GrowthSettings) -> float | None:
    """P(live is better) before any record, exactly; ``None`` under a flat prior.

    Parameters
    ----------
    estimand : Estimand
    settings : GrowthSettings
    """
    if settings.priors.is_flat:
        return None
    mean = sum(estimand.weights) * settings.priors.gain_mean
    return float(ndtr(mean / estimand.prior_sd(settings)))


def at_most_leaning(verdict: Verdict) -> Verdict:
    """Cap what a chosen mix may say: leaning instead of ahead, unclear instead of equal."""
    if verdict.verdict == "ahead":
        return replace(verdict, verdict="leaning")
    if verdict.verdict == "practically_equal":
        side = "live" if verdict.mean > 0 else "rep"
        return replace(verdict, verdict="unclear", favours=side)
    return verdict


def _charted_rates(cells: TrialCells) -> tuple[float, float] | None:
    """Attempts per charted minute of each kind; ``None`` when they were not charted."""
    table = cells.table
    rates = []
    for kind in ("rep", "live"):
        charted = table[table[f"{kind}_minutes"].notna()]
        minutes, attempts = charted[f"{kind}_minutes"].sum(), charted[f"{kind}_n"].sum()
        rates.append(float(attempts / minutes) if minutes > 0 else np.nan)
    return (rates[0], rates[1]) if all(rate > 0 for rate in rates) else None
