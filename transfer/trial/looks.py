"""Looking more than once: what pre-stated looks do to the chance of a wrong verdict.

Posterior verdicts may be read at any date, but every look is another chance to be wrong. The
looks are stated in the plan and their price is simulated: seasons without any difference, and
seasons with a difference drawn from the prior, judged at each look until the first settled verdict.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.models.growth_data import until_week
from transfer.models.growth_laplace import gain_mixture
from transfer.models.jobs import stream_many
from transfer.provenance import Provenance
from transfer.results import Estimates, Result
from transfer.simulation.schedules import PlannedBlocks, Schedule
from transfer.trial.assurance import (
    KNOWING,
    SHARE_OF_PLAN,
    TRUTHS,
    Truth,
    batches,
    invent_seasons,
    judged,
    rope_logits,
    simulation_provenance,
)
from transfer.trial.design import Scenario
from transfer.trial.effects import Estimand, mix_contrast
from transfer.trial.plan import DEFAULT_ROPE_POINTS, TrialPlan

__all__ = ["LookPrice", "price_of_looks", "schedule_of_plan"]


@dataclass(frozen=True)
class LookPrice(Result):
    """Verdicts at each look.

    Parameters
    ----------
    looks : tuple of int
        Weeks after which the result is read.
    verdicts : mapping of truth to array of str, shape (S, L)
    favours_live : mapping of truth to array of bool, shape (S, L)
        Side of the estimate at each look.
    delta : mapping of truth to array, shape (S,)
        True live minus rep.
    scenario : Scenario
    provenance : Provenance
    """

    _estimates = Estimates("wrong_ahead", beside="stopped")

    looks: tuple[int, ...]
    verdicts: dict[Truth, np.ndarray]
    favours_live: dict[Truth, np.ndarray]
    delta: dict[Truth, np.ndarray]
    scenario: Scenario
    provenance: Provenance

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row per truth and look.

        ``ahead``: chance of that verdict at this look alone. ``stopped``: chance that a settled
        verdict (ahead or practically equal) came at this look or before. ``wrong_ahead``: chance
        that the first settled verdict, so far, was "ahead" for a side that is not better; with no
        difference every "ahead" is wrong. ``monte_carlo_se`` is of ``wrong_ahead``.
        """
        rows = []
        for truth, words in self.verdicts.items():
            settled = np.isin(words, KNOWING)
            first = np.where(settled.any(axis=1), settled.argmax(axis=1), len(self.looks))
            ahead = words == "ahead"
            side = np.where(self.favours_live[truth], 1.0, -1.0)
            wrong = ahead & (side * self.delta[truth][:, None] <= 0.0)
            for index, week in enumerate(self.looks):
                stopped = first <= index
                called = np.array(
                    [wrong[s, f] if f <= index else False for s, f in enumerate(first)]
                )
                share = float(called.mean())
                rows.append(
                    {
                        "truth": truth,
                        "look": index + 1,
                        "week": week,
                        "ahead": float(ahead[:, index].mean()),
                        "stopped": float(stopped.mean()),
                        "wrong_ahead": share,
                        "monte_carlo_se": math.sqrt(share * (1 - share) / len(first)),
                        "seasons": len(first),
                    }
                )
        return pd.DataFrame(rows)

    @property
    def text(self) -> str:
        """The plain sentence."""
        last = self.table[self.table["look"] == len(self.looks)].set_index("truth")
        none, prior = last.loc["no difference"], last.loc["prior"]
        weeks = ", ".join(map(str, self.looks))
        return (
            f"Reading the result after week {weeks} and stopping at the first settled verdict: if "
            f"there is no difference, {none['wrong_ahead']:.1%} of {none['seasons']:.0f} simulated "
            f'trials wrongly say "ahead" (Monte Carlo s.e. {none["monte_carlo_se"]:.1%}); if '
            f"there is one, {prior['stopped']:.0%} settle and {prior['wrong_ahead']:.1%} name the "
            "wrong side."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "looks": list(self.looks),
            "team_seasons": self.scenario.teams,
            "table": self.table.to_dict(orient="records"),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def price_of_looks(
    schedule: Schedule,
    looks: Sequence[int],
    scenario: Scenario | None = None,
    *,
    seasons: int = 400,
    seed: int = 1,
    rope_points: tuple[float, float] = DEFAULT_ROPE_POINTS,
    contrast: float = SHARE_OF_PLAN,
    workers: int | None = 1,
    cluster: str | None = None,
) -> LookPrice:
    """Simulate the verdicts at pre-stated looks.

    Parameters
    ----------
    schedule : Schedule
    looks : sequence of int
        Weeks after which the result is read, e.g. those of the plan.
    scenario : Scenario, optional
    seasons : int
        Invented trials for each truth.
    seed : int
    rope_points, contrast, workers, cluster
        See `transfer.trial.assurance.assurance`.

    Raises
    ------
    ArgumentError
        Looks outside the season, or no seasons.
    """
    expected = scenario or Scenario()
    weeks = tuple(sorted({int(week) for week in looks}))
    if not weeks or weeks[0] < 2 or weeks[-1] > expected.weeks or seasons < 1:
        raise ArgumentError(
            f"looks={tuple(looks)!r}, seasons={seasons!r}",
            rule=f"weeks from 2 to {expected.weeks} and at least one season",
            next_step="name the looks of the plan",
        )
    estimand = mix_contrast(expected.settings, minutes=expected.minutes, contrast=contrast)
    rope = rope_logits(rope_points, expected.game_rate)
    jobs = [
        _Batch(schedule, expected, truth, numbers, seed, weeks, estimand, rope)
        for truth in TRUTHS
        for numbers in batches(seasons)
    ]
    parts = list(stream_many(_judge_looks, jobs, workers=workers, cluster=cluster))
    found = {}
    for truth in TRUTHS:
        own = [part for job, part in zip(jobs, parts, strict=True) if job.truth == truth]
        found[truth] = [np.concatenate(column) for column in zip(*own, strict=True)]
    return LookPrice(
        looks=weeks,
        verdicts={truth: value[0] for truth, value in found.items()},
        favours_live={truth: value[1] for truth, value in found.items()},
        delta={truth: value[2] for truth, value in found.items()},
        scenario=expected,
        provenance=simulation_provenance(
            schedule, expected, seed, {"seasons": seasons, "looks": weeks, "rope": rope_points}
        ),
    )


def schedule_of_plan(plan: TrialPlan) -> Schedule:
    """The calendar of a plan, blocks and breaks, for simulations.

    Simulated lots are drawn anew within teams. The scenario's ``weeks`` must be the calendar
    weeks of the plan, breaks included.

    Parameters
    ----------
    plan : TrialPlan
    """
    blocks = tuple(int(block) for block in plan.calendar["block"])
    return PlannedBlocks(blocks, float(plan.settings["contrast"]))


@dataclass(frozen=True)
class _Batch:
    """Trials that are invented and read at every look: what goes to a worker."""

    schedule: Schedule
    scenario: Scenario
    truth: Truth
    numbers: range
    seed: int
    looks: tuple[int, ...]
    estimand: Estimand
    rope: tuple[float, float]


def _judge_looks(job: _Batch) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Verdict and side of the estimate by trial and look, and the true contrast."""
    data, delta = invent_seasons(job.schedule, job.scenario, job.truth, job.numbers, job.seed)
    words = np.empty((len(data), len(job.looks)), dtype="<U20")
    live = np.zeros((len(data), len(job.looks)), dtype=bool)
    for index, week in enumerate(job.looks):
        mixture = gain_mixture([until_week(d, week) for d in data], job.scenario.settings)
        words[:, index] = judged(mixture, job.estimand, job.scenario, job.rope)
        live[:, index] = mixture.contrast(job.estimand.weights)[0] > 0.0
    return words, live, delta
