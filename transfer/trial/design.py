"""Design calculator: the precision of a trial from its schedule alone, before any outcome.

One weighted least-squares solve per design: binomial information at the expected make rate,
players integrated out with their spread, team-weeks free. Milliseconds, so a grid of designs costs
less than a second.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy.special import ndtri

from transfer.errors import ArgumentError
from transfer.models.growth_data import ASSUMED_RATES, START_MINUTES, GrowthData
from transfer.models.growth_laplace import planned_information
from transfer.models.growth_settings import GrowthSettings
from transfer.rates.exposure import KINDS
from transfer.results import Estimates, Result
from transfer.simulation.schedules import (
    Crossover,
    Observational,
    Parallel,
    Schedule,
    keeps_one_mix,
    weeks_on,
)
from transfer.trial.plan import TrialPlan

__all__ = [
    "DesignPrecision",
    "Outcome",
    "Scenario",
    "default_designs",
    "design_grid",
    "design_se",
    "plan_se",
    "precision_of",
    "planned_season",
]

#: Whose makes are looked at. Practice outcomes say what the mix does to practice, not to games.
Outcome = Literal["game", "rep", "live"]
OUTCOMES: tuple[Outcome, ...] = get_args(Outcome)
#: Contrast to be found, logits per typical week: about 3.5 points near a make rate of 40 %.
WORTH_FINDING = 0.15
POWER = 0.80
#: One-sided error rate of the team-seasons column.
ALPHA = 0.10
#: Draws of a schedule that is random week by week.
RANDOM_DRAWS = 8


@dataclass(frozen=True)
class Scenario:
    """What the planner expects of a team-season. Scenario values, no source: enter your own.

    Parameters
    ----------
    teams, players, weeks : int
        Team-seasons, players per team, weeks.
    minutes : float
        Charted shooting minutes per player and week, rep and live together.
    game_attempts : float
        Game attempts per player and week.
    game_rate : float
        Expected game make rate in the season.
    player_sd : float
        Spread of true game levels between players, logits.
    start : float
        Minutes a week of each kind before the season.
    minutes_noise : float
        Lognormal sd of a player's weekly minutes about the plan; 0 is the plan itself.
    kind_noise : float
        The same again for the rep and the live minutes on their own.
    missed : float
        Share of player-weeks that a player misses, practice and game alike.
    practice_rates : (float, float)
        Practice attempts per minute, rep and live; only practice outcomes need them.
    settings : GrowthSettings
        Half-life, response and priors of the analysis.
    """

    teams: int = 1
    players: int = 14
    weeks: int = 26
    minutes: float = 70.0
    game_attempts: float = 3.0
    game_rate: float = 0.40
    player_sd: float = 0.25
    start: float = START_MINUTES
    minutes_noise: float = 0.0
    kind_noise: float = 0.0
    missed: float = 0.0
    practice_rates: tuple[float, float] = ASSUMED_RATES
    settings: GrowthSettings = field(default_factory=GrowthSettings)

    def __post_init__(self) -> None:
        if not (0.0 < self.game_rate < 1.0 and self.game_attempts > 0 and self.player_sd > 0):
            raise ArgumentError(
                f"game_rate={self.game_rate!r}, game_attempts={self.game_attempts!r}, "
                f"player_sd={self.player_sd!r}",
                rule="0 < game_rate < 1, game_attempts > 0 and player_sd > 0",
                next_step="enter what last season's games gave",
            )
        if not 0.0 <= self.missed < 1.0:
            raise ArgumentError(
                f"missed={self.missed!r}",
                rule="a share of player-weeks, 0 or more and less than 1",
                next_step="enter what last season's charts gave, e.g. 0.05",
            )
        if min(self.practice_rates) <= 0:
            raise ArgumentError(
                f"practice_rates={self.practice_rates!r}",
                rule="attempts per minute of rep and of live practice are positive",
                next_step="enter what last season's charts gave",
            )
        if min(self.teams, self.players - 1, self.weeks - 1) < 1:
            raise ArgumentError(
                f"teams={self.teams!r}, players={self.players!r}, weeks={self.weeks!r}",
                rule="at least 1 team, 2 players and 2 weeks",
                next_step="enter the size of the roster and of the season",
            )

    @property
    def prior_sd(self) -> float:
        """Prior sd of live minus rep, logits per typical week."""
        return math.sqrt(2.0) * self.settings.priors.gain_sd


@dataclass(frozen=True)
class DesignPrecision(Result):
    """How precisely a design will measure live minus rep.

    Parameters
    ----------
    se : float
        Standard error of live minus rep without a prior, logits per typical week; infinite when
        the schedule cannot tell them apart.
    scenario : Scenario
    label : str
        The design in words.
    outcome : {"game", "rep", "live"}
        Whose makes are looked at.
    """

    _estimates = Estimates("se")

    se: float
    scenario: Scenario
    label: str
    outcome: Outcome = "game"

    @property
    def contraction(self) -> float:
        """Expected posterior over prior sd (normal approximation)."""
        if math.isinf(self.se):
            return 1.0
        return float(self.se / math.hypot(self.se, self.scenario.prior_sd))

    def teams_needed(
        self, difference: float = WORTH_FINDING, power: float = POWER, alpha: float = ALPHA
    ) -> float:
        """Team-seasons for `power` to find `difference` (one-sided `alpha`), not rounded.

        Precision grows with the square root of team-seasons of the same design.
        """
        target = difference / (ndtri(power) + ndtri(1.0 - alpha))
        return float(self.scenario.teams * (self.se / target) ** 2)

    @property
    def table(self) -> pd.DataFrame:
        """One row: design, outcome, team-seasons, se, expected contraction, team-seasons needed."""
        return pd.DataFrame([self.to_dict()])

    @property
    def text(self) -> str:
        """The sentence."""
        if math.isinf(self.se):
            return (
                f"{self.label}: this schedule cannot tell live from rep practice at any size, "
                "because everyone does the same mix."
            )
        needed = self.teams_needed()
        limit = (
            ""
            if self.outcome == "game"
            else f" This is about makes in {self.outcome} practice and says nothing about games."
        )
        return (
            f"{self.label}, {self.scenario.teams} team-season(s): live minus rep will be known "
            f"to a standard error of {self.se:.2f} logits per typical week, which leaves "
            f"{100 * self.contraction:.0f}% of the starting uncertainty. About "
            f"{math.ceil(needed - 1e-9)} team-seasons would find a difference of "
            f"{WORTH_FINDING:.2f} in {POWER:.0%} of cases (one-sided {ALPHA:.0%}).{limit}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "design": self.label,
            "outcome": self.outcome,
            "team_seasons": self.scenario.teams,
            "half_life": self.scenario.settings.half_life,
            "se": self.se,
            "contraction": self.contraction,
            "team_seasons_needed": self.teams_needed(),
        }


def default_designs(weeks: int = 26) -> dict[str, Schedule]:
    """Designs worth comparing: chosen mixes, one swap, blocks and parallel groups."""
    half = max(weeks // 2, 1)
    designs: dict[str, Schedule] = {
        "mix chosen, share varies .2 logit a week": Observational(week_noise=0.2),
        "mix chosen, share varies .5 logit a week": Observational(week_noise=0.5),
    }
    for share in (0.65, 0.80, 0.90):
        split = f"{round(100 * share)}/{round(100 - 100 * share)}"
        for block in (2, 4, 6):
            if block < half:
                designs[f"{block}-week blocks, {split}"] = Crossover(block, share)
        designs[f"one swap after {half} weeks, {split}"] = Crossover(half, share)
        designs[f"parallel groups, {split}"] = Parallel(share)
    return designs


def planned_season(schedule: Schedule, scenario: Scenario, seed: int = 0) -> GrowthData:
    """Expected attempts and planned minutes of a schedule.

    Parameters
    ----------
    schedule : Schedule
        See `transfer.simulation.schedules`.
    scenario : Scenario
    seed : int
        Of the lot and of weekly variation.

    Returns
    -------
    GrowthData
        With expected attempts in ``n`` and no makes.
    """
    rng = np.random.default_rng(seed)
    team = np.repeat(np.arange(scenario.teams), scenario.players)
    push = np.zeros((len(team), scenario.weeks))
    share, _ = schedule.live_share(team, scenario.weeks, rng, push)
    noise = scenario.minutes_noise
    total = scenario.minutes * np.exp(noise * rng.standard_normal(share.shape) - noise**2 / 2.0)
    minutes = np.stack([total * (1.0 - share), total * share])
    if scenario.kind_noise > 0.0:
        sd = scenario.kind_noise
        minutes *= np.exp(sd * rng.standard_normal(minutes.shape) - sd**2 / 2.0)
    on = np.broadcast_to(weeks_on(schedule, scenario.weeks), share.shape)
    if scenario.missed > 0.0:
        on = on & (rng.random(share.shape) >= scenario.missed)
    return _expected_cells(
        minutes * on,
        team,
        scenario,
        on,
        randomised=not isinstance(schedule, Observational),
        parallel=keeps_one_mix(schedule),
    )


def _expected_cells(
    minutes: np.ndarray,
    team: np.ndarray,
    scenario: Scenario,
    on: np.ndarray,
    *,
    randomised: bool,
    parallel: bool,
) -> GrowthData:
    """Attempts to expect in games and practice at planned minutes; no game in a break."""
    shape = minutes.shape[1:]
    return GrowthData(
        n=np.broadcast_to(np.where(on, scenario.game_attempts, 0.0), shape).copy(),
        y=np.zeros(shape),
        minutes=minutes,
        team=team,
        start=np.full((2, len(team)), scenario.start),
        rates=scenario.practice_rates,
        randomised=randomised,
        parallel=parallel,
        practice_n=np.array(scenario.practice_rates)[:, None, None] * minutes,
        practice_y=np.zeros(minutes.shape),
    )


def design_se(
    schedule: Schedule,
    scenario: Scenario | None = None,
    *,
    label: str | None = None,
    seed: int = 0,
    outcome: Outcome = "game",
    draws: int | None = None,
) -> DesignPrecision:
    """Standard error of live minus rep from the schedule alone.

    Parameters
    ----------
    schedule : Schedule
    scenario : Scenario, optional
    label : str, optional
        Name of the design.
    seed : int
        Of the lot.
    outcome : {"game", "rep", "live"}
        Whose makes are looked at. The attempts of a practice outcome follow the planned minutes
        and count as independent; make rate and spread of players are the scenario's. What it
        says is about that practice, not about games.
    draws : int, optional
        Draws over which the precision of a schedule that is random week by week is averaged;
        `RANDOM_DRAWS` when left out.

    Raises
    ------
    ArgumentError
        An unknown outcome.
    """
    expected = scenario or Scenario()
    varies = (
        isinstance(schedule, Observational)
        or getattr(schedule, "share_noise", 0.0) > 0.0
        or max(expected.minutes_noise, expected.kind_noise, expected.missed) > 0.0
    )
    used = (draws or RANDOM_DRAWS) if varies else 1
    precision = [
        precision_of(planned_season(schedule, expected, seed + draw), expected, outcome)
        for draw in range(used)
    ]
    mean = float(np.mean(precision))
    se = mean**-0.5 if mean > 0.0 else float("inf")
    return DesignPrecision(se, expected, label or repr(schedule), outcome)


def plan_se(
    plan: TrialPlan, scenario: Scenario | None = None, *, outcome: Outcome = "game"
) -> DesignPrecision:
    """Standard error of live minus rep for the very plan that was drawn, breaks included.

    Games are counted in weeks with practice only: whether any is played in a break is not known
    when the lot is drawn.

    Parameters
    ----------
    plan : TrialPlan
    scenario : Scenario, optional
        Attempts, rates and spread; sizes and minutes come from the plan.
    outcome : {"game", "rep", "live"}
        See `design_se`.
    """
    table = plan.table
    index = pd.MultiIndex.from_frame(table[["program", "player"]])
    code, keys = index.factorize()
    weeks = int(table["week"].max())
    minutes = np.zeros((2, len(keys), weeks))
    week = table["week"].to_numpy() - 1
    minutes[0, code, week] = table["rep_minutes"]
    minutes[1, code, week] = table["live_minutes"]
    team = pd.factorize(np.array([key[0] for key in keys]))[0]
    expected = replace(
        scenario or Scenario(),
        teams=int(team.max()) + 1,
        players=int(np.bincount(team).max()),
        weeks=weeks,
        minutes=float(plan.settings["minutes_per_week"]),
    )
    rng = np.random.default_rng(0)
    on = np.broadcast_to(plan.calendar["block"].to_numpy() >= 0, minutes.shape[1:])
    precision = 0.0
    draws = RANDOM_DRAWS if expected.missed > 0.0 else 1
    for _ in range(draws):
        there = on & (rng.random(on.shape) >= expected.missed)
        data = _expected_cells(
            minutes * there,
            team.astype(int),
            expected,
            there,
            randomised=True,
            parallel=plan.settings["design"] == "parallel",
        )
        precision += precision_of(data, expected, outcome) / draws
    se = precision**-0.5 if precision > 0.0 else float("inf")
    return DesignPrecision(se, expected, "the plan as drawn", outcome)


def design_grid(
    designs: Mapping[str, Schedule] | None = None,
    scenario: Scenario | None = None,
    half_lives: tuple[float, ...] = (2.0, 4.0, 8.0),
    *,
    outcome: Outcome = "game",
) -> pd.DataFrame:
    """Precision of many designs.

    Parameters
    ----------
    designs : mapping of label to Schedule, optional
        `default_designs` if left out.
    scenario : Scenario, optional
    half_lives : tuple of float
        Weeks; the default of the scenario is one of them in an honest table.
    outcome : {"game", "rep", "live"}
        See `design_se`.

    Returns
    -------
    DataFrame
        One row per design and half-life, see `DesignPrecision.table`.
    """
    base = scenario or Scenario()
    rows = []
    for label, schedule in (designs or default_designs(base.weeks)).items():
        for half_life in half_lives:
            expected = _with_half_life(base, half_life)
            rows.append(design_se(schedule, expected, label=label, outcome=outcome).to_dict())
    return pd.DataFrame(rows)


def _with_half_life(scenario: Scenario, half_life: float) -> Scenario:
    return replace(scenario, settings=replace(scenario.settings, half_life=half_life))


def precision_of(data: GrowthData, scenario: Scenario, outcome: Outcome = "game") -> float:
    """Inverse variance of live minus rep; 0 when the schedule cannot tell them apart.

    Parameters
    ----------
    data : GrowthData
        Planned minutes and expected attempts.
    scenario : Scenario
    outcome : {"game", "rep", "live"}
        See `design_se`.

    Raises
    ------
    ArgumentError
        An unknown outcome.
    """
    if outcome not in OUTCOMES:
        raise ArgumentError(
            f"outcome={outcome!r} is not an outcome",
            rule=f"one of {', '.join(OUTCOMES)}",
            next_step="leave it at 'game' unless you price a practice outcome",
        )
    information = planned_information(
        data,
        scenario.settings,
        scenario.player_sd,
        scenario.game_rate,
        outcome=None if outcome == "game" else KINDS.index(outcome),
    )
    if np.linalg.matrix_rank(information, tol=1e-8, hermitian=True) < 2:
        return 0.0
    c = np.array([-1.0, 1.0])
    return float(1.0 / (c @ np.linalg.solve(information, c)))
