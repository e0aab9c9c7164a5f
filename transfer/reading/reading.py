"""Reading: what practice numbers tell about games, and whether live ones tell more than rep ones.

The question is an association between players, never an effect of practice.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.models.alignment import Counts, count_cells, require_passed
from transfer.models.composition import Composition, compose
from transfer.models.overdispersion import effective_counts_text
from transfer.models.posterior import Diagnostics, TransferPosterior
from transfer.provenance import Provenance
from transfer.reading.design import Design, design_of
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
        One row per practice setting: ``setting``, ``mode``, ``attempts``, ``players``,
        ``rho_mean``, ``rho_low``, ``rho_high``, ``prior_rho_mean``, ``prior_rho_low``,
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
        All per-draw summaries.
    attempts : mapping
        Attempts used: ``rep``, ``live``, ``game``.
    players : int
        Player-seasons used.
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
    attempts: Mapping[str, int]
    players: int
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


def _settings_table(
    post: Composition, prior: Composition, counts: Counts, prob: float
) -> pd.DataFrame:
    """One row per practice setting, see `Reading.table`."""
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
    posterior: TransferPosterior,
    rope: tuple[float, float] = (-0.05, 0.05),
    prob: float = 0.90,
    contrast: str = "r2",
    *,
    assigned: bool = False,
) -> Reading:
    """Read how much practice numbers tell about games, live against rep.

    Parameters
    ----------
    posterior : TransferPosterior
        The fitted transfer model.
    rope : (float, float)
        Region of practical equivalence of the contrast, stated in advance, as a share (0.05 is
        5 points).
    prob : float
        Probability of every interval.
    contrast : {"r2", "rho"}
        Live minus rep as a difference of R2 or of the best composites' correlations.
    assigned : bool
        Whether the practice mix was assigned by lot; a reading stays an association either way.

    Returns
    -------
    Reading

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When `rope` or `contrast` is not valid.
    """
    require_passed(posterior.diagnostics)
    counts = count_cells(posterior)
    post = compose(posterior.population, posterior.settings, posterior.modes)
    prior = compose(posterior.prior, posterior.settings, posterior.modes)
    draws, prior_draws = post.contrast(contrast), prior.contrast(contrast)
    verdict, design = None, None
    if draws is not None and prior_draws is not None:
        design = design_of(counts, posterior.modes)
        verdict = judge(draws, prior_draws, rope, ("live", "rep"), prob, design.leaning)
    attempts = _mode_attempts(counts, posterior.modes)
    step = next_step(posterior, counts, verdict, design)
    facts = ReadingFacts(
        verdict=verdict,
        leads=None if draws is None else ("live" if float((draws > 0).mean()) >= 0.5 else "rep"),
        design=design,
        contrast_kind=contrast,
        r2_all_mean=float(post.r2_all.mean()),
        r2_all_prior_mean=float(prior.r2_all.mean()),
        r2_all=interval_from_draws(post.r2_all, prob),
        modes=posterior.modes,
        attempts=attempts,
        players=len(posterior.units),
        step=step,
        assigned=assigned,
    )
    return Reading(
        table=_settings_table(post, prior, counts, prob),
        r2=_r2_table(post, prior, prob),
        verdict=verdict,
        contrast_kind=contrast,
        contrast_draws=draws,
        prior_contrast_draws=prior_draws,
        composition=post,
        prior_composition=prior,
        attempts=attempts,
        players=len(posterior.units),
        next_step=step,
        design=design,
        text=" ".join(
            filter(
                None,
                [write_reading(facts), _start_text(posterior), effective_counts_text(posterior)],
            )
        ),
        diagnostics=posterior.diagnostics,
        provenance=posterior.provenance,
    )
