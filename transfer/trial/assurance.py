"""Assurance: how likely each verdict is, before the trial starts.

By simulation: a truth is drawn from the prior (or fixed), a season is invented, the growth model
is fitted by Laplace and judged by the rule that was fixed in advance. And as a curve over weeks
and team-seasons, from the standard error of the schedule and a normal approximation, which costs
milliseconds and agrees with the simulation where both were run.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy.special import logit, ndtr, ndtri

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.models.growth_data import GrowthData, growth_data_from_season, until_week
from transfer.models.growth_laplace import GainMixture, gain_mixture
from transfer.models.jobs import stream_many
from transfer.provenance import Provenance, hash_frames
from transfer.results import Estimates, Result
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Schedule, keeps_one_mix
from transfer.trial.design import Scenario, planned_season, precision_of
from transfer.trial.effects import Estimand, mix_contrast
from transfer.trial.plan import DEFAULT_ROPE_POINTS
from transfer.verdict import VerdictWord, word

__all__ = [
    "TRUTHS",
    "Assurance",
    "Truth",
    "UntilWeKnow",
    "assurance",
    "batches",
    "invent_seasons",
    "judged",
    "rope_logits",
    "until_we_know",
    "verdict_chances",
]

#: Where the truth of an invented season comes from: drawn from the prior, or no difference.
Truth = Literal["prior", "no difference"]
TRUTHS = get_args(Truth)
VERDICTS: tuple[VerdictWord, ...] = get_args(VerdictWord)
#: Verdicts that settle the question.
KNOWING: tuple[VerdictWord, ...] = ("ahead", "practically_equal")
#: Points of the normal approximation's integral over what the data could say.
QUADRATURE = 2001
#: Seasons that are fitted at once; also one job where the work is shared out.
BATCH = 50
SHARE_OF_PLAN = 0.80


@dataclass(frozen=True)
class Assurance(Result):
    """Chance of each verdict over invented seasons.

    Parameters
    ----------
    label : str
        The design in words.
    truth : {"prior", "no difference"}
    scenario : Scenario
    rope_points : (float, float)
        Region of practical equivalence, points of game make rate after eight weeks.
    delta : array, shape (S,)
        True live minus rep of each season, logits per typical week.
    estimate, sd : array, shape (S,)
        Posterior mean and sd of the same.
    verdicts : array of str, shape (S,)
    provenance : Provenance
    """

    _estimates = Estimates("chance")

    label: str
    truth: Truth
    scenario: Scenario
    rope_points: tuple[float, float]
    delta: np.ndarray
    estimate: np.ndarray
    sd: np.ndarray
    verdicts: np.ndarray
    provenance: Provenance

    @property
    def wrong_ahead(self) -> float:
        """Share of seasons judged ahead for the side that is not better."""
        return float(np.mean((self.verdicts == "ahead") & (self.estimate * self.delta <= 0.0)))

    @property
    def chance_of_knowing(self) -> float:
        """Chance of a verdict that settles the question (ahead or practically equal)."""
        return float(np.isin(self.verdicts, KNOWING).mean())

    @cached_property
    def table(self) -> pd.DataFrame:
        """One row per verdict: chance and its Monte Carlo standard error."""
        seasons = len(self.verdicts)
        rows = []
        for verdict in VERDICTS:
            chance = float((self.verdicts == verdict).mean())
            rows.append(
                {
                    "design": self.label,
                    "team_seasons": self.scenario.teams,
                    "truth": self.truth,
                    "verdict": verdict,
                    "chance": chance,
                    "monte_carlo_se": math.sqrt(chance * (1.0 - chance) / seasons),
                    "seasons": seasons,
                }
            )
        return pd.DataFrame(rows)

    @property
    def text(self) -> str:
        """The plain sentence."""
        teams = self.scenario.teams
        team = "one team" if teams == 1 else f"{teams} teams"
        before = (
            "" if self.truth == "prior" else "If live and rep work build game shooting equally: "
        )
        said = f"{before}with {team} and {self.label} {_how_likely(self.chance_of_knowing)}"
        return (
            f"{said[0].upper()}{said[1:]} (chance of a settled verdict "
            f'{self.chance_of_knowing:.0%}, of "cannot tell" '
            f"{(self.verdicts == 'cannot_tell').mean():.0%}; {len(self.verdicts)} simulated "
            f"seasons). Ahead for the wrong side: {self.wrong_ahead:.1%} of seasons."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "design": self.label,
            "truth": self.truth,
            "team_seasons": self.scenario.teams,
            "rope_points": list(self.rope_points),
            "chances": dict(zip(self.table["verdict"], self.table["chance"], strict=True)),
            "chance_of_knowing": self.chance_of_knowing,
            "wrong_ahead": self.wrong_ahead,
            "mean_contraction": float(np.mean(self.sd) / self.scenario.prior_sd),
            "seasons": len(self.verdicts),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


@dataclass(frozen=True)
class UntilWeKnow(Result):
    """Chance of each verdict by week and number of team-seasons.

    Parameters
    ----------
    label : str
    table : DataFrame
        One row per ``weeks`` and ``team_seasons``: ``se``, ``contraction``, one column per
        verdict with its chance, and ``knowing`` (ahead or practically equal).
    scenario : Scenario
    """

    _figure = "transfer.trial.figure_until_known"

    label: str
    table: pd.DataFrame
    scenario: Scenario

    def team_seasons_for(self, chance: float = 0.5) -> int | None:
        """Fewest team-seasons of the table whose full season settles it with that chance."""
        full = self.table[self.table["weeks"] == self.table["weeks"].max()]
        enough = full[full["knowing"] >= chance]["team_seasons"]
        return int(enough.min()) if len(enough) else None

    @property
    def text(self) -> str:
        """The plain sentence."""
        full = self.table[self.table["weeks"] == self.table["weeks"].max()]
        first = full.iloc[0]
        team = "one team" if first["team_seasons"] == 1 else f"{first['team_seasons']:.0f} teams"
        needed = self.team_seasons_for(0.5)
        more = (
            f"an even chance of knowing needs about {needed} team-seasons"
            if needed is not None
            else f"even {full['team_seasons'].max():.0f} team-seasons give less than an even "
            "chance of knowing"
        )
        return (
            f"With {team} and {self.label} {_how_likely(float(first['knowing']))} after "
            f"{first['weeks']:.0f} weeks; {more}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "design": self.label,
            "table": self.table.to_dict(orient="records"),
            "even_chance_team_seasons": self.team_seasons_for(0.5),
            "text": self.text,
        }


@kinds_checked
def assurance(
    schedule: Schedule,
    scenario: Scenario | None = None,
    *,
    label: str = "this design",
    truth: Truth = "prior",
    seasons: int = 500,
    seed: int = 1,
    rope_points: tuple[float, float] = DEFAULT_ROPE_POINTS,
    contrast: float = SHARE_OF_PLAN,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
) -> Assurance:
    """Simulate the chance of each verdict.

    Parameters
    ----------
    schedule : Schedule
        See `transfer.simulation.schedules`.
    scenario : Scenario, optional
    label : str
        The design in words.
    truth : {"prior", "no difference"}
        Gains drawn from the prior, or both at the prior mean.
    seasons : int
        Invented seasons.
    seed : int
    rope_points : (float, float)
        Region of practical equivalence in points of game make rate after eight weeks of the
        live-heavy instead of the rep-heavy mix.
    contrast : float
        Split in which that region is stated.
    progress : callable, optional
        Called with seasons done and in all.
    workers, cluster
        Where the batches of seasons are fitted, see `transfer.models.jobs.run_many`: by default
        here. The numbers are the same wherever they are.

    Raises
    ------
    ArgumentError
        No seasons, or an unknown truth.
    """
    if seasons < 1:
        raise ArgumentError(
            f"seasons={seasons!r}", rule="at least 1", next_step="pass e.g. seasons=500"
        )
    expected = scenario or Scenario()
    estimand = mix_contrast(expected.settings, minutes=expected.minutes, contrast=contrast)
    rope = rope_logits(rope_points, expected.game_rate)
    jobs = [
        _Batch(schedule, expected, truth, numbers, seed, estimand, rope)
        for numbers in batches(seasons)
    ]
    found = []
    for part in stream_many(_judge_batch, jobs, workers=workers, cluster=cluster):
        found.append(part)
        if progress is not None:
            progress(jobs[len(found) - 1].numbers.stop, seasons)
    deltas, means, sds, verdicts = (np.concatenate(column) for column in zip(*found, strict=True))
    return Assurance(
        label=label,
        truth=truth,
        scenario=expected,
        rope_points=(float(rope_points[0]), float(rope_points[1])),
        delta=deltas,
        estimate=means,
        sd=sds,
        verdicts=verdicts,
        provenance=simulation_provenance(
            schedule, expected, seed, {"seasons": seasons, "truth": truth, "rope": rope_points}
        ),
    )


@dataclass(frozen=True)
class _Batch:
    """Seasons that are invented, fitted and judged at once: what goes to a worker."""

    schedule: Schedule
    scenario: Scenario
    truth: Truth
    numbers: range
    seed: int
    estimand: Estimand
    rope: tuple[float, float]


def _judge_batch(job: _Batch) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """True contrast, posterior mean and sd, and verdict of each season."""
    data, delta = invent_seasons(job.schedule, job.scenario, job.truth, job.numbers, job.seed)
    mixture = gain_mixture(data, job.scenario.settings)
    mean, sd = mixture.contrast()
    return delta, mean, sd, judged(mixture, job.estimand, job.scenario, job.rope)


def batches(seasons: int) -> list[range]:
    """Running numbers of the seasons, cut the same way wherever they are fitted."""
    return [range(k, min(k + BATCH, seasons)) for k in range(0, seasons, BATCH)]


@kinds_checked
def until_we_know(
    schedule: Schedule,
    scenario: Scenario | None = None,
    *,
    label: str = "this design",
    weeks: Sequence[int] | None = None,
    team_seasons: Sequence[int] = (1, 2, 3, 6, 12, 24),
    rope_points: tuple[float, float] = DEFAULT_ROPE_POINTS,
    contrast: float = SHARE_OF_PLAN,
    seed: int = 0,
) -> UntilWeKnow:
    """Chance of each verdict as the season goes on and as team-seasons are added.

    Parameters
    ----------
    schedule : Schedule
        Planned for the whole season of the scenario.
    scenario : Scenario, optional
        Its ``teams`` is not used: one team's precision is scaled by the square root.
    label : str
    weeks : sequence of int, optional
        Weeks of the season after which one looks; eight even steps if left out.
    team_seasons : sequence of int
    rope_points, contrast
        See `assurance`.
    seed : int
        Of the lot.
    """
    expected = replace(scenario or Scenario(), teams=1)
    estimand = mix_contrast(expected.settings, minutes=expected.minutes, contrast=contrast)
    per_delta = (estimand.weights[1] - estimand.weights[0]) / 2.0
    low, high = (limit / per_delta for limit in rope_logits(rope_points, expected.game_rate))
    full = planned_season(schedule, expected, seed)
    when = weeks or sorted({max(2, round(expected.weeks * k / 8)) for k in range(1, 9)})
    rows = []
    for week in when:
        precision = precision_of(until_week(full, week), expected)
        for count in team_seasons:
            se = (precision * count) ** -0.5 if precision > 0.0 else math.inf
            chances = verdict_chances(se, expected.prior_sd, (low, high))
            contraction = 1.0 if math.isinf(se) else se / math.hypot(se, expected.prior_sd)
            rows.append(
                {
                    "weeks": int(week),
                    "team_seasons": int(count),
                    "se": se,
                    "contraction": contraction,
                    **{str(name): chance for name, chance in chances.items()},
                    "knowing": sum(chances[name] for name in KNOWING),
                }
            )
    return UntilWeKnow(label, pd.DataFrame(rows), expected)


def verdict_chances(
    se: float, prior_sd: float, rope: tuple[float, float]
) -> dict[VerdictWord, float]:
    """Chance of each verdict under the prior when the estimate is normal.

    Parameters
    ----------
    se : float
        Standard error of the contrast without a prior.
    prior_sd : float
        Prior sd of the contrast; its prior mean is zero.
    rope : (float, float)
        Region of practical equivalence, same unit.

    Returns
    -------
    dict
        Verdict to chance; they add to one.
    """
    if math.isinf(se):
        return {name: float(name == "cannot_tell") for name in VERDICTS}
    contraction = se / math.hypot(se, prior_sd)
    spread = contraction * prior_sd
    middle = (np.arange(QUADRATURE) + 0.5) / QUADRATURE
    means = prior_sd * math.sqrt(1.0 - contraction**2) * ndtri(middle)
    right = ndtr(np.abs(means) / spread)
    inside = ndtr((rope[1] - means) / spread) - ndtr((rope[0] - means) / spread)
    words = [word(contraction, float(p), float(r)) for p, r in zip(right, inside, strict=True)]
    return {name: words.count(name) / QUADRATURE for name in VERDICTS}


def invent_seasons(
    schedule: Schedule, scenario: Scenario, truth: Truth, numbers: range, seed: int
) -> tuple[list[GrowthData], np.ndarray]:
    """Invented seasons and their true live minus rep.

    Parameters
    ----------
    schedule : Schedule
    scenario : Scenario
    truth : {"prior", "no difference"}
    numbers : range
        Running numbers of the seasons; a season is the same whatever batch it is in.
    seed : int

    Returns
    -------
    data : list of GrowthData
    delta : array, shape (len(numbers),)

    Raises
    ------
    ArgumentError
        Unknown truth.
    """
    if truth not in TRUTHS:
        raise ArgumentError(
            f"truth={truth!r}", rule=f"one of {', '.join(TRUTHS)}", next_step="pass truth='prior'"
        )
    priors = scenario.settings.priors
    level = float(logit(scenario.game_rate)) - 2.0 * priors.gain_mean
    data, delta = [], []
    for number in numbers:
        season_seed = int(np.random.SeedSequence([seed, number]).generate_state(1)[0])
        gains = np.full(2, priors.gain_mean)
        if truth == "prior":
            gains = priors.draw_gains(1, season_seed)[0]
        season = simulate_growth(_truth(scenario, gains, level), schedule, season_seed)
        data.append(growth_data_from_season(season, parallel=keeps_one_mix(schedule)))
        delta.append(gains[1] - gains[0])
    return data, np.array(delta)


def judged(
    mixture: GainMixture,
    estimand: Estimand,
    scenario: Scenario,
    rope: tuple[float, float],
) -> np.ndarray:
    """Verdict of each fitted season on an estimand.

    Parameters
    ----------
    mixture : GainMixture
    estimand : Estimand
    scenario : Scenario
    rope : (float, float)
        Logits.

    Returns
    -------
    array of str, shape (S,)
    """
    c = estimand.weights
    contraction = mixture.contrast(c)[1] / estimand.prior_sd(scenario.settings)
    below = mixture.probability_below(0.0, c)
    inside = mixture.probability_below(rope[1], c) - mixture.probability_below(rope[0], c)
    sure = np.maximum(below, 1.0 - below)
    return np.array(
        [
            word(float(a), float(b), float(r))
            for a, b, r in zip(contraction, sure, inside, strict=True)
        ]
    )


def rope_logits(rope_points: tuple[float, float], rate: float) -> tuple[float, float]:
    """Region of practical equivalence in logits at a make rate."""
    low, high = (logit(rate + point / 100.0) - logit(rate) for point in rope_points)
    if not low < 0.0 < high:
        raise ArgumentError(
            f"rope_points={rope_points!r}",
            rule="low < 0 < high, in points",
            next_step="state the smallest difference that would change your plan, e.g. (-1, 1)",
        )
    return float(low), float(high)


def simulation_provenance(
    schedule: Schedule, scenario: Scenario, seed: int, options: dict[str, Any]
) -> Provenance:
    """Seed and every assumption of a simulation; there are no records to hash but the plan's."""
    minutes = planned_season(schedule, scenario, seed).minutes
    digest = hash_frames(rep=pd.DataFrame(minutes[0]), live=pd.DataFrame(minutes[1]))
    settings = {
        "schedule": repr(schedule),
        **{k: v for k, v in vars(scenario).items() if k != "settings"},
        "model": scenario.settings.to_dict(),
        **options,
    }
    return Provenance(seed, digest, settings=settings)


def _truth(scenario: Scenario, gains: np.ndarray, level: float) -> GrowthTruth:
    base = GrowthTruth()
    settings = scenario.settings
    return replace(
        base,
        gain_rep=float(gains[0]),
        gain_live=float(gains[1]),
        teams=scenario.teams,
        players=scenario.players,
        weeks=scenario.weeks,
        minutes=scenario.minutes,
        game_attempts=scenario.game_attempts,
        levels=(level, *base.levels[1:]),
        spread=(scenario.player_sd, *base.spread[1:]),
        half_life=settings.half_life,
        typical=settings.typical,
        shape=settings.shape,
        start=scenario.start,
        minutes_noise=scenario.minutes_noise,
        kind_noise=scenario.kind_noise,
        missed=scenario.missed,
    )


def _how_likely(knowing: float) -> str:
    if knowing < 0.05:
        return "you will almost surely still not know"
    if knowing < 0.25:
        return "you will probably still not know"
    if knowing < 0.60:
        return "it can go either way whether you will know"
    return "you will probably know"
