"""Weekly records laid on a plan's calendar: one row per player and week of the trial."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from transfer.errors import RecordsError
from transfer.models.growth_data import START_MINUTES
from transfer.rates.exposure import HALF_LIFE_WEEKS, exposure
from transfer.records.units import GAME
from transfer.records.weeks import WeeklyCells
from transfer.trial.plan import TrialPlan

__all__ = ["TrialCells", "log_cells", "plan_cells"]

KEYS = ["unit", "player", "program", "season", "week"]
MINUTES = {"rep": "rep_minutes", "live": "live_minutes"}
COUNTS = {
    "rep": ("rep_n", "rep_y"),
    "live": ("live_n", "live_y"),
    GAME: ("n", "y"),
}


@dataclass(frozen=True)
class TrialCells:
    """What was done and what came of it, by player and week.

    Parameters
    ----------
    table : DataFrame
        Columns ``unit`` (player-season), ``player``, ``program``, ``season``, ``week``,
        ``rep_minutes``, ``live_minutes`` (NaN where charted work lacks minutes), ``n``, ``y``
        (game attempts and makes), ``rep_n``, ``rep_y``, ``live_n``, ``live_y``. With a plan,
        ``week`` is the plan's week and every player of the plan has every week.
    start : mapping of str to (float, float)
        Rep and live minutes a week that each unit brings into the first week.
    recorded_weeks : int
        Last week for which anything was recorded.
    notes : tuple of str
        What was left out, and why.
    """

    table: pd.DataFrame
    start: Mapping[str, tuple[float, float]]
    recorded_weeks: int
    notes: tuple[str, ...] = ()


def log_cells(weekly: WeeklyCells) -> TrialCells:
    """Weekly records without a plan: all weeks, all players.

    Parameters
    ----------
    weekly : WeeklyCells
    """
    table = _wide(weekly.table)
    start = dict.fromkeys(table["unit"], (START_MINUTES, START_MINUTES))
    return TrialCells(table, start, int(table["week"].max()) + 1)


def plan_cells(weekly: WeeklyCells, plan: TrialPlan) -> TrialCells:
    """Weekly records on the plan's calendar.

    Work before the first week of the trial is not analysed; it sets the exposure that each player
    brings along. Weeks after the last one and players outside the plan are left out and named.

    Parameters
    ----------
    weekly : WeeklyCells
    plan : TrialPlan

    Raises
    ------
    RecordsError
        When no player of the plan, or no week of it, is in the records.
    """
    wide = _wide(weekly.table)
    first = dt.date.fromisoformat(plan.settings["start"])
    offset = {season: (first - monday).days // 7 for season, monday in weekly.starts.items()}
    wide["week"] = wide["week"] - wide["season"].map(offset) + 1
    roster = plan.units[["program", "player"]]
    wide, notes = _of_the_plan(wide, roster)
    before, after = wide["week"] < 1, wide["week"] > plan.settings["weeks"]
    inside = wide[~before & ~after]
    if inside.empty:
        raise RecordsError(
            "no week of the plan is in the records",
            rule=f"the trial runs {plan.settings['weeks']} weeks from {plan.settings['start']}",
            next_step="give the records of that season",
        )
    late = int(wide.loc[after, "n"].sum())
    if late:
        notes.append(f"{late} game attempts after the last week of the plan are left out.")
    start = _brought_along(wide[before], wide)
    if before.any():
        notes.append(
            "Records before week 1 are not analysed; they set the exposure each player brings."
        )
    table = _complete(inside, plan)
    start = {unit: start.get(unit, (START_MINUTES, START_MINUTES)) for unit in table["unit"]}
    active = table[["n", "rep_n", "live_n", "rep_minutes", "live_minutes"]].fillna(1.0).sum(axis=1)
    return TrialCells(table, start, int(table.loc[active > 0, "week"].max()), tuple(notes))


def _wide(long: pd.DataFrame) -> pd.DataFrame:
    """One row per player-season and week, modes side by side."""
    parts = []
    for mode, (n, y) in COUNTS.items():
        rows = long[long["mode"] == mode]
        named = rows.rename(columns={"n": n, "y": y, "minutes": MINUTES.get(mode, "game_minutes")})
        keep = [n, y, *([MINUTES[mode]] if mode in MINUTES else [])]
        parts.append(named.set_index(KEYS)[keep])
    wide = pd.concat(parts, axis=1).reset_index()
    wide[[c for pair in COUNTS.values() for c in pair]] = (
        wide[[c for pair in COUNTS.values() for c in pair]].fillna(0).astype(np.int64)
    )
    return wide


def _of_the_plan(wide: pd.DataFrame, roster: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Rows of the plan's players. A plan of one program may leave the program unnamed."""
    wide = wide.copy()
    programs = set(roster["program"])
    if len(programs) == 1 and wide["program"].nunique() == 1:
        wide["program"] = next(iter(programs))
    keys = set(roster.itertuples(index=False, name=None))
    inside = pd.Series(
        [key in keys for key in wide[["program", "player"]].itertuples(index=False, name=None)],
        index=wide.index,
    )
    if not inside.any():
        raise RecordsError(
            "no player of the plan is in the records",
            rule=f"players by program and code, as in the plan: "
            f"{', '.join('/'.join(key) for key in sorted(keys)[:3])}, ...",
            next_step="use the codes of the plan in the records",
        )
    outside = sorted(set(wide.loc[~inside, "program"] + "/" + wide.loc[~inside, "player"]))
    notes = []
    if outside:
        named = ", ".join(outside[:5]) + (", ..." if len(outside) > 5 else "")
        notes.append(f"{len(outside)} players outside the plan are left out: {named}.")
    return wide[inside], notes


def _brought_along(before: pd.DataFrame, wide: pd.DataFrame) -> dict[str, tuple[float, float]]:
    """Exposure at week 1 from the weeks charted before it; the scenario value without any."""
    start = dict.fromkeys(wide["unit"], (START_MINUTES, START_MINUTES))
    for unit, rows in before.groupby("unit"):
        done = rows.sort_values("week")[list(MINUTES.values())].fillna(0.0).to_numpy().T
        # One empty week more, so that the last value is the exposure before week 1.
        weeks = np.pad(done, ((0, 0), (0, 1)))[:, None, :]
        carried = exposure(weeks, np.full((2, 1), START_MINUTES), HALF_LIFE_WEEKS)[:, 0, -1]
        start[str(unit)] = (float(carried[0]), float(carried[1]))
    return start


def _complete(inside: pd.DataFrame, plan: TrialPlan) -> pd.DataFrame:
    """Every player of the plan with every week; weeks without a row hold no work and no game."""
    season = inside["season"].mode().iloc[0]
    known = inside.drop_duplicates(["program", "player"]).set_index(["program", "player"])["unit"]
    grid = plan.table[["program", "player", "week"]].merge(
        inside.drop(columns=["unit", "season"]), on=["program", "player", "week"], how="left"
    )
    grid["season"] = season
    pairs = list(zip(grid["program"], grid["player"], strict=True))
    grid["unit"] = [known.get(pair, "/".join(pair)) for pair in pairs]
    absent = grid["n"].isna()
    values = [c for pair in COUNTS.values() for c in pair]
    grid[values] = grid[values].fillna(0).astype(np.int64)
    for name in MINUTES.values():
        grid[name] = grid[name].mask(absent, 0.0)
    return grid[[*KEYS, *MINUTES.values(), *values]]
