"""Invented trial seasons for the tests: a plan's own lot, laid on a simulated season."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from transfer.provenance import hash_frames
from transfer.records.weeks import WeeklyCells
from transfer.simulation.growth import GrowthSeason, GrowthTruth, simulate_growth
from transfer.trial.cells import TrialCells
from transfer.trial.plan import TrialPlan, make_plan

START = dt.date(2026, 11, 2)
#: A week before the first practice.
REGISTERED = dt.date(2026, 10, 26)


def trial_roster(programs: int, players: int = 14) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "program": [f"T{t + 1:02d}" for t in range(programs) for _ in range(players)],
            "player": [f"P{p + 1:03d}" for p in range(programs * players)],
        }
    )


def trial_plan(programs: int, players: int = 14, **changes) -> TrialPlan:
    values = {
        "weeks": 26,
        "start": START,
        "seed": 5,
        "strata": (),
        "registered": REGISTERED,
        **changes,
    }
    return make_plan(trial_roster(programs, players), **values)


def one_week_of_parallel_groups(seed: int):
    """Eight players of one program with attempts in a single week of a parallel design."""
    plan = trial_plan(1, 8, weeks=4, design="parallel", seed=seed)
    rng = np.random.default_rng(seed)
    table = plan.table[["program", "player", "week"]].assign(n=0, y=0)
    week = table["week"] == 2
    n = rng.integers(5, 20, 8)
    table.loc[week, "n"] = n
    table.loc[week, "y"] = rng.binomial(n, 0.4)
    return plan, TrialCells(table, {}, 4), table[week].reset_index(drop=True)


@dataclass(frozen=True)
class PlanSchedule:
    """Practice exactly as the plan's lot says, with some weekly noise in the share."""

    plan: TrialPlan
    noise: float = 0.0

    def live_share(self, team, weeks, rng, push):
        table = self.plan.table
        share = table.pivot(index="player", columns="week", values="live_share").to_numpy()
        logit = np.log(share / (1 - share)) + self.noise * rng.standard_normal(share.shape)
        return 1 / (1 + np.exp(-logit)), np.where(share > 0.5, 1, -1)


def play(plan: TrialPlan, truth: GrowthTruth, seed: int, noise: float = 0.0) -> GrowthSeason:
    return simulate_growth(truth, PlanSchedule(plan, noise), seed)


def weekly_of(season: GrowthSeason, first_day: dt.date = START) -> WeeklyCells:
    """The season as the records' weekly cells."""
    long = season.table.rename(columns={"setting": "mode"})
    minutes = np.where(long["mode"] == "rep", long["minutes_rep"], long["minutes_live"])
    table = pd.DataFrame(
        {
            "unit": long["program"] + "/" + long["player"],
            "player": long["player"],
            "program": long["program"],
            "season": "S1",
            "week": long["week"] - 1,
            "mode": long["mode"],
            "n": long["n"],
            "y": long["y"],
            "minutes": np.where(long["mode"] == "game", 20.0, minutes),
        }
    )
    weeks = int(table["week"].max()) + 1
    return WeeklyCells(table, weeks, {"S1": first_day}, hash_frames(weekly=table))
