"""Invented growth seasons: does the mix of practice change game shooting inside a player?

The truth has the structure of the growth model: players with their own level, free team-weeks,
effects of the exposure to rep and live practice, and (optionally) practice outcomes with gains of
their own. Rates and sizes are scenario assumptions with no source: 35 + 35 minutes a week, four
rep attempts and one live attempt a minute, three game attempts a player-week, a true spread of
players of .25 logit. Confounders of unassigned mixes are switched on one by one.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.rates.exposure import (
    HALF_LIFE_WEEKS,
    KINDS,
    TYPICAL_MINUTES,
    Shape,
    exposure,
    response,
)
from transfer.simulation.schedules import Schedule, weeks_on

__all__ = [
    "OUTCOMES",
    "Confounding",
    "GrowthSeason",
    "GrowthTruth",
    "simulate_growth",
    "without_difference",
]

#: Outcome settings along the first axis of attempts and makes.
OUTCOMES = ("game", "rep", "live")


@dataclass(frozen=True)
class GrowthTruth:
    """What is true in an invented growth season. Effects are logits per typical week (35 min).

    Parameters
    ----------
    gain_rep, gain_live : float
        Steady-state effect on game shooting of `typical` minutes a week against none.
    gain_practice : array-like, shape (2, 2)
        Effect on practice outcome (rows rep, live) of exposure (columns rep, live).
    teams, players, weeks : int
        Teams, players per team, weeks of the season.
    minutes : float
        Charted shooting minutes per player and week, both kinds together.
    rates : (float, float)
        Attempts per minute, rep and live.
    game_attempts : float
        Mean game attempts per player and week.
    attempts_spread : float
        Coefficient of variation between players of that mean (0: all equal).
    levels : (float, float, float)
        Mean logit of game, rep and live shooting.
    spread : (float, float, float)
        Between-player standard deviation of the three.
    correlation : array-like, shape (3, 3)
        Correlation of the players' three levels.
    team_sd, week_sd : float
        Spread of teams and of team-weeks (all outcomes), logits.
    form_sd, form_memory : float
        Stationary standard deviation and lag-one correlation of a player's weekly form (AR1).
    half_life, typical, shape
        Exposure, see `transfer.rates.exposure`.
    start : float
        Pre-season minutes a week of each kind.
    concentration : float
        Beta-binomial concentration of a practice week.
    minutes_noise : float
        Lognormal sd of the charted minutes about the plan (what the team really did).
    kind_noise : float
        The same again for each kind of practice on its own.
    missed : float
        Share of player-weeks in which a player neither practises nor plays.
    """

    gain_rep: float = 0.10
    gain_live: float = 0.25
    gain_practice: tuple[tuple[float, float], tuple[float, float]] = ((0.25, 0.10), (0.10, 0.40))
    teams: int = 1
    players: int = 14
    weeks: int = 26
    minutes: float = 70.0
    rates: tuple[float, float] = (4.0, 1.0)
    game_attempts: float = 3.0
    attempts_spread: float = 0.0
    levels: tuple[float, float, float] = (-0.405, 0.405, -0.20)
    spread: tuple[float, float, float] = (0.25, 0.35, 0.30)
    correlation: tuple[tuple[float, float, float], ...] = (
        (1.0, 0.4, 0.6),
        (0.4, 1.0, 0.6),
        (0.6, 0.6, 1.0),
    )
    team_sd: float = 0.15
    week_sd: float = 0.07
    form_sd: float = 0.0
    form_memory: float = 0.8
    half_life: float = HALF_LIFE_WEEKS
    typical: float = TYPICAL_MINUTES
    shape: Shape = "log1p"
    start: float = 20.0
    concentration: float = 150.0
    minutes_noise: float = 0.0
    kind_noise: float = 0.0
    missed: float = 0.0

    @property
    def delta(self) -> float:
        """Live minus rep effect on game shooting, logits per typical week."""
        return self.gain_live - self.gain_rep

    def to_dict(self) -> dict[str, object]:
        """Return plain values, with the contrast."""
        return {**self.__dict__, "delta": self.delta}


@dataclass(frozen=True)
class Confounding:
    """How an unassigned mix follows what also moves game shooting (logits of the live share).

    Parameters
    ----------
    ability : float
        Per standard deviation of a player's game level: better players get more live work.
    late : float
        From the middle to the end of the season: more live work late.
    late_gain : float
        What the season itself does to game shooting, logits from start to end: the trend that
        `late` is confounded with.
    form : float
        Per standard deviation of this week's form: live work goes to whoever is hot.
    """

    ability: float = 0.0
    late: float = 0.0
    late_gain: float = 0.0
    form: float = 0.0


@dataclass(frozen=True)
class GrowthSeason:
    """One invented growth season.

    Parameters
    ----------
    truth : GrowthTruth
    minutes : array, shape (2, P, T)
        Minutes of rep and live practice done.
    start : array, shape (2, P)
        Pre-season minutes a week.
    exposure, dose : array, shape (2, P, T)
        True exposure before each week and its response.
    attempts, makes : array, shape (3, P, T)
        Game, rep and live attempts and makes per player and week.
    team : array, shape (P,)
        Team of each player.
    arm : array, shape (P, T)
        Assigned block: ``1`` live-heavy, ``-1`` rep-heavy, ``0`` not assigned.
    level : array, shape (3, P)
        True player levels at zero practice, team included.
    rate : array, shape (3, P, T)
        True make rates.
    """

    truth: GrowthTruth
    minutes: np.ndarray
    start: np.ndarray
    exposure: np.ndarray
    dose: np.ndarray
    attempts: np.ndarray
    makes: np.ndarray
    team: np.ndarray
    arm: np.ndarray
    level: np.ndarray
    rate: np.ndarray = field(repr=False)

    @property
    def table(self) -> pd.DataFrame:
        """One row per player, week and outcome with a player code, minutes, ``n`` and ``y``."""
        players, weeks = self.arm.shape
        player = np.repeat(np.arange(players), weeks)
        week = np.tile(np.arange(weeks), players)
        blocks = []
        for index, outcome in enumerate(OUTCOMES):
            blocks.append(
                pd.DataFrame(
                    {
                        "program": [f"T{t + 1:02d}" for t in self.team[player]],
                        "player": [f"P{p + 1:03d}" for p in player],
                        "week": week + 1,
                        "setting": outcome,
                        "arm": self.arm.ravel(),
                        "minutes_rep": self.minutes[0].ravel(),
                        "minutes_live": self.minutes[1].ravel(),
                        "n": self.attempts[index].ravel(),
                        "y": self.makes[index].ravel(),
                    }
                )
            )
        return pd.concat(blocks, ignore_index=True)


def simulate_growth(
    truth: GrowthTruth,
    schedule: Schedule,
    seed: int,
    confounding: Confounding | None = None,
) -> GrowthSeason:
    """Draw one season of a growth study.

    Parameters
    ----------
    truth : GrowthTruth
        What is true.
    schedule : Schedule
        How the mix comes about, see `transfer.simulation.schedules`.
    seed : int
        Seed; equal seeds give equal seasons.
    confounding : Confounding, optional
        What an unassigned mix follows. An assigned mix ignores everything but `late_gain`, the
        season's own trend.
    """
    rng = np.random.default_rng(seed)
    pull = confounding or Confounding()
    team = np.repeat(np.arange(truth.teams), truth.players)
    standard = _player_levels(truth, len(team), rng)
    form = _form(truth, len(team), rng)
    season = np.linspace(-1.0, 1.0, truth.weeks)
    logit_push = (
        pull.ability * standard[0][:, None] + pull.late * season[None, :] + pull.form * form
    )
    share, arm = schedule.live_share(team, truth.weeks, rng, logit_push)
    on = np.broadcast_to(weeks_on(schedule, truth.weeks), share.shape)
    if truth.missed > 0.0:
        on = on & (rng.random(share.shape) >= truth.missed)
    minutes = _minutes(truth, share, rng) * on
    start = np.full((len(KINDS), len(team)), truth.start)
    M = exposure(minutes, start, truth.half_life)
    dose = response(M, truth.typical, truth.shape)
    gains = np.vstack([[truth.gain_rep, truth.gain_live], np.asarray(truth.gain_practice)])
    level = (
        np.asarray(truth.levels)[:, None]
        + np.asarray(truth.spread)[:, None] * standard
        + (truth.team_sd * rng.standard_normal((len(OUTCOMES), truth.teams)))[:, team]
    )
    team_week = truth.week_sd * rng.standard_normal((len(OUTCOMES), truth.teams, truth.weeks))
    eta = level[:, :, None] + team_week[:, team, :] + np.einsum("sk,kpt->spt", gains, dose)
    eta[0] += truth.form_sd * form + pull.late_gain * (season + 1.0) / 2.0
    rate = expit(eta)
    attempts, makes = _outcomes(truth, minutes, rate, on, rng)
    return GrowthSeason(truth, minutes, start, M, dose, attempts, makes, team, arm, level, rate)


def without_difference(truth: GrowthTruth, gain: float = 0.10) -> GrowthTruth:
    """Return the same truth with both kinds of practice worth `gain` in games."""
    return replace(truth, gain_rep=gain, gain_live=gain)


def _player_levels(truth: GrowthTruth, players: int, rng: np.random.Generator) -> np.ndarray:
    """Correlated standard scores, shape (3, P)."""
    try:
        factor = np.linalg.cholesky(np.asarray(truth.correlation, dtype=float))
    except np.linalg.LinAlgError as error:
        raise ArgumentError(
            f"correlation={truth.correlation!r} is not a correlation matrix",
            rule="symmetric and positive definite",
            next_step="lower the correlations until they can hold together",
        ) from error
    return np.asarray(factor @ rng.standard_normal((len(OUTCOMES), players)))


def _form(truth: GrowthTruth, players: int, rng: np.random.Generator) -> np.ndarray:
    """Standardised AR1 form per player and week, stationary from the first week."""
    shocks = rng.standard_normal((players, truth.weeks))
    form = np.empty_like(shocks)
    form[:, 0] = shocks[:, 0]
    innovation = np.sqrt(1.0 - truth.form_memory**2)
    for week in range(1, truth.weeks):
        form[:, week] = truth.form_memory * form[:, week - 1] + innovation * shocks[:, week]
    return form


def _minutes(truth: GrowthTruth, share: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    noise = rng.standard_normal(share.shape)
    total = truth.minutes * np.exp(truth.minutes_noise * noise - truth.minutes_noise**2 / 2.0)
    minutes = np.stack([total * (1.0 - share), total * share])
    if truth.kind_noise > 0.0:
        sd = truth.kind_noise
        minutes *= np.exp(sd * rng.standard_normal(minutes.shape) - sd**2 / 2.0)
    return minutes


def _outcomes(
    truth: GrowthTruth,
    minutes: np.ndarray,
    rate: np.ndarray,
    on: np.ndarray,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Attempts and makes of games (binomial) and practice (beta-binomial by week).

    There is no game in a player-week that is not `on`.
    """
    players = rate.shape[1]
    attempts = np.zeros(rate.shape, dtype=np.int64)
    volume = np.full(players, truth.game_attempts)
    if truth.attempts_spread > 0.0:
        form = 1.0 / truth.attempts_spread**2
        volume = volume * rng.gamma(form, 1.0 / form, players)
    attempts[0] = rng.poisson(volume[:, None], rate[0].shape) * on
    for kind, per_minute in enumerate(truth.rates):
        attempts[kind + 1] = rng.poisson(per_minute * minutes[kind])
    chance = rate.copy()
    chance[1:] = rng.beta(rate[1:] * truth.concentration, (1.0 - rate[1:]) * truth.concentration)
    return attempts, rng.binomial(attempts, chance)
