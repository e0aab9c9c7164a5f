"""Games and free throws of the demo data."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.simulation.people import People
from transfer.simulation.plans import DemoPlan

__all__ = ["free_throw_table", "game_table", "opponents"]

_GAME_DAYS = (3, 5)
_AVAILABLE = 0.93
_MEAN_FT, _SPREAD_FT, _REFERENCE_FT = 8.3, 1.6, 8.0
_FREE_THROWS_A_GAME = 2.2


def opponents(programs: int, days: int) -> np.ndarray:
    """Round robin by the circle method, repeated until the days are full.

    Parameters
    ----------
    programs : int
        Number of programs, even.
    days : int
        Game days.

    Returns
    -------
    array of int, shape (days, programs)
        Opponent of each program on each day.
    """
    circle = list(range(programs))
    out = np.empty((days, programs), dtype=np.int64)
    for day in range(days):
        for i in range(programs // 2):
            home, away = circle[i], circle[-1 - i]
            out[day, home], out[day, away] = away, home
        circle = [circle[0], circle[-1], *circle[1:-1]]
    return out


def game_table(
    plan: DemoPlan, people: People, dose: np.ndarray, rng: np.random.Generator
) -> tuple[pd.DataFrame, np.ndarray]:
    """Draw the season's games.

    Parameters
    ----------
    plan : DemoPlan
    people : People
    dose : array, shape (2, P, T)
        Response to the exposure before each week.
    rng : Generator

    Returns
    -------
    games : DataFrame
        One row per player and game played, games without an attempt included.
    rate : array, shape (P,)
        True game rate of each player at 8 ft, the mean over the game weeks.
    """
    effects = plan.effects
    weeks = np.repeat(np.arange(plan.first_game_week - 1, plan.weeks), len(_GAME_DAYS))
    team = effects.week_sd * rng.standard_normal((len(plan.programs), plan.weeks))
    level = people.theta[:, -1, None] + team[people.program]
    level = level + np.einsum("k,kpt->pt", effects.gains[-1], dose - 1.0)
    p, game = np.nonzero(rng.random((plan.size, len(weeks))) < _AVAILABLE)
    n = rng.poisson(people.volume[p])
    ft = _MEAN_FT + _SPREAD_FT * rng.standard_normal(len(p)) / np.sqrt(np.maximum(n, 1))
    ft = np.round(ft.clip(4.5, 13.9), 1)
    y = rng.binomial(n, expit(level[p, weeks[game]] + effects.distance * (ft - _REFERENCE_FT)))
    minutes = (people.playing_minutes[p] * np.exp(0.2 * rng.standard_normal(len(p)))).clip(1, 40)
    dates = [
        (plan.monday(int(week)) + dt.timedelta(days=_GAME_DAYS[i % 2])).isoformat()
        for i, week in enumerate(weeks)
    ]
    frame = pd.DataFrame(
        {
            "date": np.asarray(dates)[game],
            "game": [f"G{g + 1:02d}" for g in game],
            "player": people.code[p],
            "attempts": n,
            "makes": y,
            "minutes": np.round(minutes).astype(np.int64),
            "distance_ft": np.where(n > 0, ft, np.nan),
            "opponent": _opponent_codes(plan, game, people.program[p]),
            "blocked": rng.binomial(n - y, 0.06),
            "program": np.asarray(plan.programs)[people.program[p]],
            "season": plan.season,
        }
    )
    frame = frame.sort_values(["date", "program", "player"], kind="stable")
    played = expit(level[:, plan.first_game_week - 1 :]).mean(axis=1)
    return frame.reset_index(drop=True), np.asarray(played)


def free_throw_table(plan: DemoPlan, people: People, rng: np.random.Generator) -> pd.DataFrame:
    """Free throws per player and week: a negative control, no practice mix moves them.

    Parameters
    ----------
    plan : DemoPlan
    people : People
    rng : Generator

    Returns
    -------
    DataFrame
        Columns ``program``, ``player``, ``week`` (from 1), ``attempts``, ``makes``.
    """
    p, week = np.indices((plan.size, plan.weeks - plan.first_game_week + 1)).reshape(2, -1)
    share = people.volume / plan.attempts_per_game
    n = rng.poisson(len(_GAME_DAYS) * _FREE_THROWS_A_GAME * share[p])
    return pd.DataFrame(
        {
            "program": np.asarray(plan.programs)[people.program[p]],
            "player": people.code[p],
            "week": week + plan.first_game_week,
            "attempts": n,
            "makes": rng.binomial(n, expit(people.free_throw[p])),
        }
    )


def _opponent_codes(plan: DemoPlan, game: np.ndarray, program: np.ndarray) -> np.ndarray:
    if len(plan.programs) == 1:
        return np.asarray([f"OPP{g % 9 + 1}" for g in game])
    schedule = opponents(len(plan.programs), int(game.max()) + 1)
    return np.asarray(plan.programs)[schedule[game, program]]
