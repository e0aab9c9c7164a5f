"""The demo study at record level: practice, games, roster, drills, assignments, free throws.

Everything is invented; `transfer.simulation.plans` holds the scenario.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.rates.exposure import HALF_LIFE_WEEKS, TYPICAL_MINUTES, exposure, response
from transfer.simulation.game_log import free_throw_table, game_table
from transfer.simulation.people import People, draw_arms, draw_people
from transfer.simulation.plans import DemoPlan
from transfer.simulation.practice_log import drills_table, plan_work, practice_table
from transfer.simulation.seasons import FOUR_MODES, FOUR_SETTINGS, true_reading

__all__ = ["ARM_NAMES", "DemoSeason", "simulate_demo"]

ARM_NAMES = {1: "live_heavy", -1: "rep_heavy", 0: "usual"}


@dataclass(frozen=True)
class DemoSeason:
    """One invented study.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        ``practice``, ``games``, ``roster``, ``drills``; with a trial also ``assignments``; with
        free throws also ``free_throws``.
    truth : mapping
        Plain values: seed, scenario, means, spreads, correlations, the true reading, growth
        effects and every player's true rates.
    """

    tables: dict[str, pd.DataFrame]
    truth: dict[str, Any]


def simulate_demo(plan: DemoPlan, seed: int) -> DemoSeason:
    """Draw an invented study.

    Parameters
    ----------
    plan : DemoPlan
        Scenario, see `transfer.simulation.plans`.
    seed : int
        Seed; equal seeds give equal records.
    """
    # One stream per part, so that a change in one part leaves the others as they were.
    streams = [np.random.default_rng(s) for s in np.random.SeedSequence(seed).spawn(6)]
    for_people, for_lots, for_work, for_practice, for_games, for_throws = streams
    people = draw_people(plan, for_people)
    arm = draw_arms(plan, people, for_lots)
    work = plan_work(plan, arm, for_work)
    start = np.repeat(np.asarray(plan.start)[:, None], plan.size, axis=1)
    dose = response(exposure(work.minutes, start, HALF_LIFE_WEEKS), TYPICAL_MINUTES, "log1p")
    games, played = game_table(plan, people, dose, for_games)
    tables = {
        "practice": practice_table(plan, people, work, dose, for_practice),
        "games": games,
        "roster": people.roster(plan),
        "drills": drills_table(),
    }
    if plan.swap_after is not None:
        tables["assignments"] = _assignments(plan, people, arm, seed)
    if plan.free_throws:
        tables["free_throws"] = free_throw_table(plan, people, for_throws)
    return DemoSeason(tables, _truth(plan, people, arm, played, seed))


def _assignments(plan: DemoPlan, people: People, arm: np.ndarray, seed: int) -> pd.DataFrame:
    p, week = np.indices(arm.shape).reshape(2, -1)
    high = arm[p, week] > 0
    return pd.DataFrame(
        {
            "program": np.asarray(plan.programs)[people.program[p]],
            "player": people.code[p],
            "week": week + 1,
            "week_start": [plan.monday(int(w)).isoformat() for w in week],
            "arm": [ARM_NAMES[int(a)] for a in arm[p, week]],
            "live_share": np.round(np.where(high, plan.high, 1.0 - plan.high), 6),
            "minutes": plan.minutes,
            "seed": seed,
        }
    )


def _truth(
    plan: DemoPlan, people: People, arm: np.ndarray, played: np.ndarray, seed: int
) -> dict[str, Any]:
    effects = plan.effects
    names = (*FOUR_SETTINGS, "game")
    gains = {
        name: {"rep": float(g[0]), "live": float(g[1])}
        for name, g in zip(names, effects.gains, strict=True)
    }
    delta = effects.gain_game[1] - effects.gain_game[0]
    rates = expit(people.theta)
    return {
        "note": "invented data; scale is logit unless a key says rate",
        "seed": seed,
        "scenario": plan.to_dict(),
        "settings": list(FOUR_SETTINGS),
        "mu": _rounded(effects.mu),
        "tau": _rounded(effects.tau),
        "omega": [_rounded(row) for row in effects.omega],
        "rho": dict(zip(FOUR_SETTINGS, _rounded(effects.omega[:-1, -1]), strict=True)),
        "reading": {k: round(v, 6) for k, v in true_reading(effects.omega, FOUR_MODES).items()},
        "growth": {"gain_per_typical_week": gains, "delta_game": round(delta, 6)},
        "players": [
            {
                "program": plan.programs[people.program[i]],
                "player": str(people.code[i]),
                "first_half": ARM_NAMES[int(arm[i, 0])],
                "rate": dict(zip(names, _rounded(rates[i]), strict=True)),
                "game_rate_played": round(float(played[i]), 6),
                "defence": round(float(people.defence[i]), 6),
                "free_throw_rate": round(float(expit(people.free_throw[i])), 6),
            }
            for i in range(plan.size)
        ],
    }


def _rounded(values: Any) -> list[float]:
    return [round(float(v), 6) for v in np.asarray(values)]
