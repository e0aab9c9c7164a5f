"""The analysis of a trial: as assigned first, as done second, companions beside them.

Words of cause are allowed only where a plan with a lot exists, its hash holds, it was there by the
first game, and the doses are those that the lot gave. The same function answers for logs without a
plan, with a lean at most.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import IdentificationError
from transfer.models.growth_data import until_week
from transfer.models.growth_joint import LinkPrior
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import GrowthSettings
from transfer.provenance import Provenance
from transfer.records.reading import Records
from transfer.records.weeks import WeeklyCells, weekly_cells
from transfer.results import Result, plain
from transfer.trial.adherence import Adherence, adherence
from transfer.trial.cells import TrialCells, log_cells, plan_cells
from transfer.trial.classical import CrossoverResult
from transfer.trial.companions import classical_companion, control_cells, control_text
from transfer.trial.effects import growth_effects
from transfer.trial.permutation import REDRAWS, RandomisationTest, randomisation_test
from transfer.trial.plan import (
    DEFAULT_ROPE_POINTS,
    TrialPlan,
    plan_from_dict,
    read_plan,
)
from transfer.trial.readings import (
    Fit,
    TrialReading,
    assigned_data,
    at_most_leaning,
    done_data,
    log_data,
    read_contrast,
)
from transfer.trial.registration import Registration, registration_of
from transfer.trial.sensitivity import joint_sentence, sensitivity_table
from transfer.trial.wording import CHOSEN_MIX, caution, headline, next_step

__all__ = ["TrialAnalysis", "analyse_trial"]

DEFAULT_CONTRAST = 0.80
#: Where players were drawn together, "ahead" needs a p-value of the lot of at most this (common
#: practice, no source).
AGREES = 0.05


@dataclass(frozen=True)
class TrialAnalysis(Result):
    """Everything that is said about one trial or log.

    Parameters
    ----------
    plan : TrialPlan or None
    registration : Registration or None
        Day of the lot against the first game; ``None`` without a plan or a game.
    main : TrialReading
        As assigned where there is a plan, else of the chosen mix. It gives the verdict.
    as_done : TrialReading or None
        By the doses charted; leaning at most, because what was done was partly chosen.
    effects : DataFrame
        The contrast, the move of minutes and the per-attempt comparison of the main reading, with
        prior probabilities.
    sensitivity : DataFrame
        The main reading under other half-lives, shapes and priors, and the joint analysis.
    looks : DataFrame
        The main reading after each planned look so far.
    adherence : Adherence or None
    randomisation : RandomisationTest or None
    classical : CrossoverResult or None
    control : TrialReading or None
        The same analysis of an outcome that the mix should not move.
    notes : tuple of str
    """

    _figure = "transfer.trial.figure_answer"

    plan: TrialPlan | None
    registration: Registration | None
    main: TrialReading
    as_done: TrialReading | None
    effects: pd.DataFrame
    sensitivity: pd.DataFrame
    looks: pd.DataFrame
    adherence: Adherence | None
    randomisation: RandomisationTest | None
    classical: CrossoverResult | None
    control: TrialReading | None
    notes: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """Verdict word of the main reading."""
        return self.main.verdict.verdict

    @property
    def favours(self) -> str | None:
        """``live``, ``rep`` or ``None``."""
        return self.main.verdict.favours

    @property
    def randomised(self) -> bool:
        """Whether the verdict rests on a lot."""
        return self.main.by_lot

    @property
    def table(self) -> pd.DataFrame:
        """One row per reading, points of game make rate after eight weeks."""
        readings = [self.main, self.as_done, self.control]
        return pd.DataFrame([reading.row() for reading in readings if reading is not None])

    @property
    def text(self) -> str:
        """The quotable answer: verdict, what was compared, next step."""
        why = CHOSEN_MIX if self.registration is None else self.registration.text
        return " ".join((headline(self.main, why), caution(self.main), self._next()))

    @property
    def report(self) -> tuple[str, ...]:
        """Every sentence of the analysis, one paragraph each."""
        parts = [self.text]
        if self.registration is not None and self.main.by_lot:
            parts.append(self.registration.text)
        if self.adherence is not None:
            parts.append(f"Adherence: {self.adherence.text}")
        if self.as_done is not None:
            v = self.as_done.verdict
            parts.append(
                f"By the minutes that were done instead: {v.interval.low:+.1f} to "
                f"{v.interval.high:+.1f} points, {v.verdict.replace('_', ' ')}. What was done is "
                "partly choice, so this comes second."
            )
        if self.randomisation is not None:
            parts.append(self.randomisation.text)
        for row in self.sensitivity.to_dict(orient="records"):
            if row["assumption"] == "joint" and row["value"] == "live gains":
                parts.append(joint_sentence({str(k): v for k, v in row.items()}, LinkPrior()))
        if self.control is not None:
            parts.append(control_text(_control_row(self.control)))
        if self.classical is not None:
            parts.append(self.classical.text)
        return (*parts, *self.notes)

    @property
    def provenance(self) -> Provenance:
        """Of the main fit, with the plan's hash."""
        made = self.main.posterior.provenance
        plan_hash = None if self.plan is None else self.plan.plan_hash
        return replace(made, settings={**made.settings, "plan_hash": plan_hash})

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        parts = {
            "registration": self.registration,
            "adherence": self.adherence,
            "randomisation_test": self.randomisation,
            "classical": self.classical,
            "control": self.control,
        }
        value = {
            "question": "building",
            "randomised": self.randomised,
            "plan_hash": None if self.plan is None else self.plan.plan_hash,
            **self.main.to_dict(),
            "as_done": None if self.as_done is None else self.as_done.to_dict(),
            "effects": self.effects,
            "sensitivity": self.sensitivity,
            "looks": self.looks,
            **{k: None if part is None else part.to_dict() for k, part in parts.items()},
            "text": self.text,
            "report": list(self.report),
            "notes": list(self.notes),
            "provenance": self.provenance.to_dict(),
        }
        return dict(plain(value))

    def _next(self) -> str:
        left = 0
        if self.plan is not None:
            left = max(0, self.plan.settings["weeks"] - self.main.posterior.data.weeks)
        return next_step(self.main, left)


@kinds_checked
def analyse_trial(
    records: Records | WeeklyCells,
    plan: TrialPlan | Path | str | None = None,
    *,
    fit: Fit = fit_growth_laplace,
    free_throws: pd.DataFrame | None = None,
    rope: tuple[float, float] | None = None,
    expected_hash: str | None = None,
    sensitivity: bool = True,
    redraws: int = REDRAWS,
    seed: int = 1,
) -> TrialAnalysis:
    """Analyse a trial, or a log without one.

    Parameters
    ----------
    records : Records or WeeklyCells
        Practice with minutes, and games.
    plan : TrialPlan or path, optional
        The plan, or its ``plan.json``. Without it the mix counts as chosen.
    fit : callable
        ``fit(data, settings, seed=seed)`` for the main reading: the numpy Laplace fit, or the
        sampler. Everything beside the main reading uses the Laplace fit.
    free_throws : DataFrame, optional
        A check outcome: ``player``, ``attempts``, ``makes``, ``week`` or ``date``, ``program``.
    rope : (float, float), optional
        Points; only for logs without a plan, since a plan states its own.
    expected_hash : str, optional
        Hash printed on the protocol.
    sensitivity : bool
        Whether to fit the other assumptions too.
    redraws : int
        Lots drawn again by the randomisation test.
    seed : int

    Raises
    ------
    StorageError
        The plan was changed after the lot was drawn.
    RecordsError
        Minutes are missing in a log without a plan, or the plan's players are not in the records.
    IdentificationError
        The records cannot identify the contrast at any size.
    """
    checked = _checked_plan(plan, expected_hash)
    weekly = (
        records
        if isinstance(records, WeeklyCells)
        else weekly_cells(records, minutes="require" if checked is None else "allow_missing")
    )
    if checked is None:
        return _chosen_mix(weekly, fit, rope or DEFAULT_ROPE_POINTS, sensitivity, seed)
    cells = plan_cells(weekly, checked)
    registration = registration_of(records, cells, checked)
    return _trial(cells, checked, registration, fit, free_throws, sensitivity, redraws, seed)


def _trial(
    cells: TrialCells,
    plan: TrialPlan,
    registration: Registration | None,
    fit: Fit,
    free_throws: pd.DataFrame | None,
    sensitivity: bool,
    redraws: int,
    seed: int,
) -> TrialAnalysis:
    settings = GrowthSettings(half_life=float(plan.settings["half_life_weeks"]))
    terms: dict[str, Any] = {
        "settings": settings,
        "rope": tuple(plan.settings["rope"]),
        "contrast": plan.settings["contrast"],
        "minutes": plan.settings["minutes_per_week"],
        "seed": seed,
    }
    other = None if free_throws is None else control_cells(cells, free_throws, plan)
    by_lot = registration is None or registration.in_time
    data = assigned_data(cells, plan, by_lot)
    label = "as assigned" if by_lot else "as listed, after the first game"
    main = read_contrast(data, label, fit=fit, by_lot=by_lot, **terms)
    twin = fit_growth_laplace
    followed = adherence(plan, cells)
    done = done_data(cells, plan, by_lot)
    notes = [*cells.notes, *_plan_notes(plan, cells)]
    tested = _randomisation(cells, plan, redraws, seed, notes) if by_lot else None
    main = _only_if_the_lot_agrees(main, plan, tested, notes)
    as_done = None
    if done is None:
        notes.append("Some practice lacks minutes, so there is no analysis by minutes done.")
    else:
        as_done = _if_identified(done, "as done", notes, fit=twin, by_lot=False, **terms)
    control = None
    if other is not None:
        control = read_contrast(
            assigned_data(other, plan, by_lot), "check outcome", fit=twin, by_lot=by_lot, **terms
        )
    return TrialAnalysis(
        plan=plan,
        registration=registration,
        main=main,
        as_done=as_done,
        effects=_effects(main, plan.settings["contrast"], plan.settings["minutes_per_week"]),
        sensitivity=sensitivity_table(main, data, **terms) if sensitivity else pd.DataFrame(),
        looks=_looks(data, plan, cells, terms),
        adherence=followed,
        randomisation=tested,
        classical=classical_companion(cells, plan) if by_lot else None,
        control=control,
        notes=tuple(notes),
    )


def _chosen_mix(
    weekly: WeeklyCells, fit: Fit, rope: tuple[float, float], sensitivity: bool, seed: int
) -> TrialAnalysis:
    data = log_data(log_cells(weekly))
    minutes = float(data.minutes.mean(axis=(1, 2)).sum())
    terms: dict[str, Any] = {
        "settings": GrowthSettings(),
        "rope": rope,
        "contrast": DEFAULT_CONTRAST,
        "minutes": minutes,
        "seed": seed,
    }
    main = read_contrast(data, "chosen mix", fit=fit, by_lot=False, **terms)
    return TrialAnalysis(
        plan=None,
        registration=None,
        main=main,
        as_done=None,
        effects=_effects(main, DEFAULT_CONTRAST, minutes),
        sensitivity=sensitivity_table(main, data, **terms) if sensitivity else pd.DataFrame(),
        looks=pd.DataFrame(),
        adherence=None,
        randomisation=None,
        classical=None,
        control=None,
        notes=(*main.posterior.data.notes, *_range_note(data.minutes)),
    )


def _checked_plan(
    plan: TrialPlan | Path | str | None, expected_hash: str | None
) -> TrialPlan | None:
    if plan is None:
        return None
    if isinstance(plan, TrialPlan):
        return plan_from_dict(plan.to_dict(), expected_hash=expected_hash)
    return read_plan(plan, expected_hash=expected_hash)


def _if_identified(data: Any, label: str, notes: list[str], **terms: Any) -> TrialReading | None:
    try:
        return read_contrast(data, label, **terms)
    except IdentificationError as error:
        notes.append(f"No analysis {label}: {error.message}.")
        return None


def _randomisation(
    cells: TrialCells, plan: TrialPlan, redraws: int, seed: int, notes: list[str]
) -> RandomisationTest | None:
    try:
        return randomisation_test(cells, plan, redraws=redraws, seed=seed)
    except IdentificationError as error:
        notes.append(f"No randomisation test: {error.message}.")
        return None


def _only_if_the_lot_agrees(
    main: TrialReading, plan: TrialPlan, tested: RandomisationTest | None, notes: list[str]
) -> TrialReading:
    """Take back "ahead" of pairs or squads unless the lots drawn again say so too.

    The model treats players as separate; players who were drawn together also drift together.
    """
    if plan.settings["unit"] == "player" or main.verdict.verdict != "ahead":
        return main
    if tested is not None and tested.p_value <= AGREES:
        return main
    found = "there is none" if tested is None else f"p = {tested.p_value:.2g}"
    notes.append(
        f"By the model alone this would be ahead. Players were drawn in {plan.settings['unit']}s, "
        f"so the randomisation test must agree (p at most {AGREES:g}; {found}): leaning."
    )
    return replace(main, verdict=at_most_leaning(main.verdict))


def _plan_notes(plan: TrialPlan, cells: TrialCells) -> list[str]:
    notes = []
    week = cells.recorded_weeks
    if week not in plan.settings["looks"]:
        planned = ", ".join(map(str, plan.settings["looks"]))
        notes.append(f"Unplanned look after week {week}; planned: {planned}.")
    if plan.settings["design"] != "parallel" and not plan.has_swapped(week):
        notes.append("Nobody has swapped yet, so different players are compared.")
    if plan.settings["unit"] != "player":
        notes.append(
            f"Players were drawn in {plan.settings['unit']}s: the randomisation test keeps them "
            "together, the model treats players as separate, so its range is somewhat too narrow."
        )
    return notes


def _effects(reading: TrialReading, contrast: float, minutes: float) -> pd.DataFrame:
    effects = growth_effects(reading.posterior, contrast=contrast, minutes=minutes)
    rows = []
    for effect in effects.values():
        row: Mapping[str, Any] = effect.to_dict()
        rows.append(
            {
                "quantity": row["quantity"],
                "wording": row["wording"],
                "mean": row["mean"],
                "low": effect.interval.low,
                "high": effect.interval.high,
                "prob": effect.interval.prob,
                "kind": effect.interval.kind,
                "probability_live_better": row["probability_live_better"],
                "prior_probability_live_better": row["prior_probability_live_better"],
            }
        )
    return pd.DataFrame(rows)


def _looks(data: Any, plan: TrialPlan, cells: TrialCells, terms: dict[str, Any]) -> pd.DataFrame:
    rows = []
    for week in plan.settings["looks"]:
        if week > cells.recorded_weeks:
            continue
        parallel = data.randomised and not plan.has_swapped(week)
        known = replace(until_week(data, week), parallel=parallel)
        notes: list[str] = []
        reading = _if_identified(
            known, f"week {week}", notes, fit=fit_growth_laplace, by_lot=data.randomised, **terms
        )
        row = {"reading": f"week {week}", "verdict": "not identified"}
        rows.append({"week": week, **(row if reading is None else reading.row())})
    return pd.DataFrame(rows)


def _range_note(minutes: np.ndarray) -> tuple[str, ...]:
    total = minutes.sum(axis=0)
    share = minutes[1][total > 0] / total[total > 0]
    low, high = np.quantile(share, [0.1, 0.9])
    if low <= 1.0 - DEFAULT_CONTRAST and high >= DEFAULT_CONTRAST:
        return ()
    return (
        f"Eight in ten player-weeks had a live share of {low:.0%} to {high:.0%}; the comparison of "
        "80/20 with 20/80 reaches beyond them and leans on the assumed response.",
    )


def _control_row(reading: TrialReading) -> dict[str, Any]:
    v = reading.verdict
    side = "live-heavy" if v.mean > 0 else "rep-heavy"
    return {**reading.row(), "favoured": f"better in {side} weeks"}
