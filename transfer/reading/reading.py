"""Reading: what practice numbers tell about games, and whether live ones tell more than rep ones.

The question is an association between players, never an effect of practice. Live against rep is
judged by the fit that was made for it, with one rate a mode; a fit by setting adds a table that
carries no verdict.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.models.alignment import Counts, count_cells
from transfer.models.composition import Composition, compose
from transfer.models.overdispersion import effective_counts_text
from transfer.models.posterior import Diagnostics, TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.provenance import Provenance
from transfer.reading.design import Design, design_of, people
from transfer.reading.other_prior import UnderPriors, under_priors
from transfer.reading.two_fits import require_fits
from transfer.reading.words import NextStep, ReadingFacts, next_step, write_reading
from transfer.results import Result, interval_from_draws
from transfer.verdict import Verdict, judge

__all__ = ["Reading", "read_transfer"]


@dataclass(frozen=True)
class Reading(Result):
    """What practice numbers tell about games.

    Parameters
    ----------
    table : DataFrame
        One row per practice setting of the fit by setting, per mode without one: ``setting``,
        ``mode``, ``attempts``, ``players``, ``rho_mean``, ``rho_low``, ``rho_high``,
        ``prior_rho_mean``, ``prior_rho_low``,
        ``prior_rho_high``, ``carry_over_mean``, ``carry_over_low``, ``carry_over_high`` (logit
        per logit), ``prob``, ``kind``.
    r2 : DataFrame
        One row per ``quantity`` (``all``, ``rep``, ``live``, ``live adds to rep``, ``rep adds to
        live``; only those that exist): posterior and prior mean, low, high of R2.
    verdict : Verdict or None
        Verdict on live minus rep; ``None`` where one mode is missing.
    contrast_kind : {"r2", "rho"}
        Unit of the contrast.
    contrast_draws, prior_contrast_draws : array of shape (D,) and (M,), or None
        Draws of live minus rep.
    composition, prior_composition : Composition
        All per-draw summaries of the fit that judges.
    under_priors : UnderPriors or None
        The contrast under the starting assumptions of verdict and forecasts; ``None`` where one
        mode is missing.
    attempts : mapping
        Attempts used: ``rep``, ``live``, ``game``.
    players, player_seasons : int
        Players used, and their seasons.
    next_step : NextStep
        What would change the answer most.
    design : Design or None
        What seasons of this size can tell; ``None`` where one mode is missing.
    text : str
        The sentences that may be quoted.
    diagnostics : Diagnostics
    provenance : Provenance
    """

    _figure = "transfer.reading.figure_shares"

    table: pd.DataFrame
    r2: pd.DataFrame
    verdict: Verdict | None
    contrast_kind: str
    contrast_draws: np.ndarray | None
    prior_contrast_draws: np.ndarray | None
    composition: Composition
    prior_composition: Composition
    under_priors: UnderPriors | None
    attempts: Mapping[str, int]
    players: int
    player_seasons: int
    next_step: NextStep
    design: Design | None
    text: str
    diagnostics: Diagnostics
    provenance: Provenance

    def to_dict(self) -> dict[str, Any]:
        """Return the object that ``transfer compare --json`` prints."""
        judged: dict[str, Any] = (
            self.verdict.to_dict()
            if self.verdict is not None
            else dict.fromkeys(
                (
                    "contrast",
                    "probability",
                    "prior_probability",
                    "contraction",
                    "rope",
                    "probability_in_rope",
                    "bayes_factor",
                    "moved",
                    "verdict",
                    "favours",
                )
            )
        )
        return {
            "question": "reading",
            "contrast_kind": self.contrast_kind,
            **judged,
            "players": self.players,
            "player_seasons": self.player_seasons,
            "attempts": dict(self.attempts),
            "settings": [
                {
                    **{key: row[key] for key in ("setting", "mode", "attempts", "players")},
                    "rho": {key: row[f"rho_{key}"] for key in ("mean", "low", "high")},
                    "prior_rho": {key: row[f"prior_rho_{key}"] for key in ("mean", "low", "high")},
                }
                for row in self.table.to_dict(orient="records")
            ],
            "r2": self.r2.to_dict(orient="records"),
            "under_priors": None if self.under_priors is None else self.under_priors.to_dict(),
            "next_step": self.next_step.to_dict(),
            "text": self.text,
            "diagnostics": self.diagnostics.to_dict(),
            "provenance": self.provenance.to_dict(),
        }


def summarise(draws: np.ndarray, prob: float, name: str) -> dict[str, float]:
    """Mean and equal-tailed limits of draws under column names that start with `name`."""
    interval = interval_from_draws(draws, prob)
    return {
        f"{name}mean": float(np.mean(draws)),
        f"{name}low": interval.low,
        f"{name}high": interval.high,
    }


def _settings_table(fit: TransferPosterior, prob: float) -> pd.DataFrame:
    """One row per practice setting, see `Reading.table`."""
    counts = count_cells(fit)
    post, prior = (compose(d, fit.settings, fit.modes) for d in (fit.population, fit.prior))
    rows = []
    for k, (setting, mode) in enumerate(zip(post.settings, post.modes, strict=True)):
        rows.append(
            {
                "setting": setting,
                "mode": mode,
                "attempts": int(counts.practice_n[:, k].sum()),
                "players": int(np.count_nonzero(counts.practice_n[:, k])),
                **summarise(post.rho[:, k], prob, "rho_"),
                **summarise(prior.rho[:, k], prob, "prior_rho_"),
                **summarise(post.weights[:, k], prob, "carry_over_"),
                "prob": prob,
                "kind": "eti",
            }
        )
    return pd.DataFrame(rows)


def _r2_table(post: Composition, prior: Composition, prob: float) -> pd.DataFrame:
    """Posterior and prior R2 of what exists, see `Reading.r2`."""
    pairs = {
        "all": (post.r2_all, prior.r2_all),
        "rep": (post.r2_rep, prior.r2_rep),
        "live": (post.r2_live, prior.r2_live),
        "live adds to rep": (post.live_adds, prior.live_adds),
        "rep adds to live": (post.rep_adds, prior.rep_adds),
    }
    rows = [
        {
            "quantity": name,
            **summarise(draws, prob, ""),
            **summarise(before, prob, "prior_"),
            "prob": prob,
            "kind": "eti",
        }
        for name, (draws, before) in pairs.items()
        if draws is not None and before is not None
    ]
    return pd.DataFrame(rows)


def _mode_attempts(counts: Counts, modes: tuple[str, ...]) -> dict[str, int]:
    """Attempts used, by mode."""
    per_setting = counts.practice_n.sum(axis=0)
    in_mode = np.asarray(modes)
    return {
        "rep": int(per_setting[in_mode == "rep"].sum()),
        "live": int(per_setting[in_mode == "live"].sum()),
        "game": int(counts.game_n.sum()),
    }


def _start_text(posterior: TransferPosterior) -> str:
    """Name the level whose starting assumption the fit used; empty for invented draws."""
    return "" if posterior.priors is None else posterior.priors.text


@kinds_checked
def read_transfer(
    verdict_fit: TransferPosterior,
    forecast_fit: TransferPosterior | None = None,
    rope: tuple[float, float] = (-0.05, 0.05),
    prob: float = 0.90,
    contrast: str = "r2",
    *,
    priors: TransferPriors | None = None,
    assigned: bool = False,
) -> Reading:
    """Read how much practice numbers tell about games, live against rep.

    Parameters
    ----------
    verdict_fit : TransferPosterior
        From `transfer.models.fit.fit_transfer` with ``purpose="verdict"``: everything but the
        table of settings comes from it.
    forecast_fit : TransferPosterior, optional
        Fit of the same cells by setting, for the table of settings.
    rope : (float, float)
        Region of practical equivalence of the contrast, stated in advance, as a share (0.05 is
        5 points).
    prob : float
        Probability of every interval.
    contrast : {"r2", "rho"}
        Live minus rep as a difference of R2 or of the best composites' correlations.
    priors : TransferPriors, optional
        Starting assumptions of the forecasts, under which the contrast is shown as well; the
        defaults when omitted.
    assigned : bool
        Whether the practice mix was assigned by lot; a reading stays an association either way.

    Raises
    ------
    DiagnosticsError
        When a fit did not pass its diagnostics.
    ArgumentError
        When a fit was made for something else or of other counts, or `rope` or `contrast` is not
        valid.
    """
    require_fits(verdict_fit, forecast_fit)
    settings, modes = verdict_fit.settings, verdict_fit.modes
    post = compose(verdict_fit.population, settings, modes)
    prior = compose(verdict_fit.prior, settings, modes)
    draws, prior_draws = post.contrast(contrast), prior.contrast(contrast)
    verdict, design = None, None
    if draws is not None and prior_draws is not None:
        design = design_of(verdict_fit)
        verdict = judge(draws, prior_draws, rope, ("live", "rep"), prob, design.leaning)
    attempts = _mode_attempts(count_cells(verdict_fit), modes)
    step = next_step(verdict_fit, verdict, design)
    other = under_priors(verdict_fit, priors or TransferPriors(), prob)
    facts = ReadingFacts(
        verdict=verdict,
        leads=None if draws is None else ("live" if float((draws > 0).mean()) >= 0.5 else "rep"),
        design=design,
        contrast_kind=contrast,
        r2_all_mean=float(post.r2_all.mean()),
        r2_all_prior_mean=float(prior.r2_all.mean()),
        r2_all=interval_from_draws(post.r2_all, prob),
        modes=modes,
        attempts=attempts,
        players=len(people(verdict_fit)),
        player_seasons=len(verdict_fit.units),
        step=step,
        assigned=assigned,
    )
    told = [
        write_reading(facts),
        "" if other is None else other.text,
        _start_text(verdict_fit),
        effective_counts_text(verdict_fit),
    ]
    return Reading(
        table=_settings_table(forecast_fit or verdict_fit, prob),
        r2=_r2_table(post, prior, prob),
        verdict=verdict,
        contrast_kind=contrast,
        contrast_draws=draws,
        prior_contrast_draws=prior_draws,
        composition=post,
        prior_composition=prior,
        under_priors=other,
        attempts=attempts,
        players=facts.players,
        player_seasons=facts.player_seasons,
        next_step=step,
        design=design,
        text=" ".join(filter(None, told)),
        diagnostics=verdict_fit.diagnostics,
        provenance=verdict_fit.provenance,
    )
