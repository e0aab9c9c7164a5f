"""A plan from a lot that was drawn elsewhere: coins, a hat, or another program's list."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Any

import pandas as pd

from transfer.errors import ArgumentError
from transfer.trial.assignment import FIRST_ARMS, make_units
from transfer.trial.plan import (
    DEFAULT_ROPE_POINTS,
    HALF_LIFE_WEEKS,
    HORIZON_WEEKS,
    LOT_ELSEWHERE,
    PRIMARY_OUTCOME,
    TrialPlan,
    check_settings,
    checked_looks,
    registration_day,
)
from transfer.trial.schedule import BREAK, Design, as_date

__all__ = ["plan_from_assignments"]

NEEDED = ("player", "week", "arm", "live_share")
ARMS = (*FIRST_ARMS, BREAK)
#: More than any season has; a week beyond is a slip.
MOST_WEEKS = 520


def plan_from_assignments(
    assignments: pd.DataFrame,
    roster: pd.DataFrame | None = None,
    *,
    strata: Sequence[str] = (),
    looks: Sequence[int] = (),
    rope: tuple[float, float] = DEFAULT_ROPE_POINTS,
    registered: object = None,
    fixed_on: object = None,
) -> TrialPlan:
    """Register a lot that was drawn elsewhere.

    The plan vouches for the assignment from the day it is registered; that the list came from a
    lot is the word of whoever drew it.

    Parameters
    ----------
    assignments : DataFrame
        One row per player and week: ``player``, ``week`` (from 1), ``week_start`` or
        ``first_day`` (Monday), ``arm`` (``live_heavy``, ``rep_heavy``, ``break``), ``live_share``
        and ``minutes`` (or ``rep_minutes`` and ``live_minutes``); optional ``program``.
    roster : DataFrame, optional
        Needed when strata are named.
    strata : sequence of str
        Strata inside which the lot was drawn, beside the program; the randomisation test draws
        again inside them.
    looks, rope, registered
        As in `transfer.trial.plan.make_plan`.
    fixed_on : date or str, optional
        Day on which the lot was fixed where it was drawn. It is taken as the word of whoever drew
        it and printed as such, beside the day of registration.

    Raises
    ------
    ArgumentError
        Missing columns, an unknown arm, players with different weeks, arms that are not one swap,
        parallel groups or equal blocks, or a lot fixed after it was registered.
    """
    day = registration_day(registered)
    stated = None if fixed_on is None else as_date(fixed_on, "fixed_on").isoformat()
    if stated is not None and stated > day:
        raise _refuse(f"fixed_on={stated} lies after {day}", "a lot is fixed before it is kept")
    frame = _checked(assignments)
    grid = frame.pivot(index=["program", "player"], columns="week", values="arm")
    if grid.isna().any(axis=None):
        raise _refuse("some players lack some weeks", "every player has a row for every week")
    first_arm, blocks = _pattern(grid)
    season = _season(frame, blocks)
    share = frame.loc[frame["arm"] == "live_heavy", "live_share"].unique()
    low = frame.loc[frame["arm"] == "rep_heavy", "live_share"].unique()
    if len(share) != 1 or len(low) != 1 or abs(share[0] + low[0] - 1.0) > 1e-6:
        raise _refuse(
            f"live shares {sorted(share)} and {sorted(low)}",
            "one live share per arm, and the two add up to 1, e.g. .8 and .2",
        )
    minutes = float(frame.loc[frame["arm"] != BREAK, "minutes"].median())
    check_settings(float(share[0]), minutes, rope)
    known = grid.index.to_frame(index=False)
    if roster is not None:
        extra = [c for c in strata if c not in known]
        keys = [c for c in ("program", "player") if c in roster]
        known = known.merge(roster[[*keys, *extra]].astype(dict.fromkeys(keys, str)), on=keys)
    units = make_units(known, "player", strata)
    units["first_arm"] = [first_arm[k] for k in zip(units["program"], units["player"], strict=True)]
    settings: dict[str, Any] = {
        "unit": "player",
        "strata": list(strata),
        "design": _design(blocks),
        "weeks": len(season),
        "block_weeks": blocks.count(0),
        "contrast": float(share[0]),
        "minutes_per_week": minutes,
        "seed": None,
        "lot": LOT_ELSEWHERE,
        "start": season["first_day"].iloc[0],
        "breaks": [],
        "looks": checked_looks(looks, season),
        "rope": [float(rope[0]), float(rope[1])],
        "half_life_weeks": HALF_LIFE_WEEKS,
        "horizon_weeks": HORIZON_WEEKS,
        "primary_outcome": PRIMARY_OUTCOME,
        "registered": day,
        "fixed_on": stated,
    }
    return TrialPlan(settings=settings, units=units, calendar=season)


def _checked(assignments: pd.DataFrame) -> pd.DataFrame:
    frame = assignments.rename(columns={"first_day": "week_start"})
    missing = [c for c in (*NEEDED, "week_start") if c not in frame]
    if missing:
        raise _refuse(f"no column {', '.join(missing)}", "see the recording guide for assignments")
    unknown = sorted(set(frame["arm"].astype(str)) - set(ARMS))
    if unknown:
        raise _refuse(f"arm {unknown[0]!r} is unknown", f"one of {', '.join(ARMS)}")
    if "program" not in frame:
        frame["program"] = "program"
    on = frame["arm"] != BREAK
    frame["week"] = _numbers(frame, "week", on | ~on)
    odd = frame.loc[(frame["week"] % 1 != 0) | (frame["week"].abs() > MOST_WEEKS), "week"]
    if len(odd):
        raise _refuse(f"week {odd.iloc[0]:g}", f"weeks are whole numbers from 1 to {MOST_WEEKS}")
    frame["week"] = frame["week"].astype(int)
    frame["live_share"] = _numbers(frame, "live_share", on)
    if "minutes" in frame:
        frame["minutes"] = _numbers(frame, "minutes", on)
    elif {"rep_minutes", "live_minutes"} <= set(frame.columns):
        frame["minutes"] = _numbers(frame, "rep_minutes", on) + _numbers(frame, "live_minutes", on)
    else:
        raise _refuse("no column minutes", "shooting minutes a week, or rep_minutes, live_minutes")
    frame = frame.astype({"program": str, "player": str})
    if frame.duplicated(["program", "player", "week"]).any():
        raise _refuse("a player has two rows for one week", "one row per player and week")
    return frame


def _numbers(frame: pd.DataFrame, column: str, needed: pd.Series) -> pd.Series:
    """A column as numbers; what cannot be read in a needed row is refused."""
    numbers = pd.to_numeric(frame[column], errors="coerce")
    bad = (numbers.isna() | numbers.abs().eq(float("inf"))) & needed
    if bad.any():
        value = frame.loc[bad, column].iloc[0]
        row = int(bad.to_numpy().argmax()) + 1
        raise _refuse(f"row {row}, {column} {str(value)!r}", f"{column} is a number")
    return numbers


def _pattern(grid: pd.DataFrame) -> tuple[dict[tuple[str, str], str], list[int]]:
    """First arm of each player and the block of each week (-1 in a break)."""
    first: dict[tuple[str, str], str] = {}
    patterns: set[tuple[int, ...]] = set()
    for key, row in zip(grid.index, grid.to_numpy(), strict=True):
        arms = [str(arm) for arm in row]
        practised = [arm for arm in arms if arm != BREAK]
        if not practised:
            raise _refuse(f"player {key[-1]!r} has breaks only", "every player has an arm")
        first[key] = practised[0]
        patterns.add(tuple(-1 if a == BREAK else int(a != practised[0]) for a in arms))
    if len(patterns) != 1:
        raise _refuse(
            f"players follow {len(patterns)} different calendars of swaps",
            "all players swap in the same weeks",
        )
    swapped = list(next(iter(patterns)))
    blocks, block, previous = [], 0, 0
    for state in swapped:
        if state < 0:
            blocks.append(-1)
            continue
        block += state != previous
        previous = state
        blocks.append(block)
    return first, blocks


def _season(frame: pd.DataFrame, blocks: Sequence[int]) -> pd.DataFrame:
    starts = frame.drop_duplicates("week").sort_values("week")
    first = as_date(starts["week_start"].iloc[0], "week_start")
    rows = []
    practice = 0
    for number, (week, block) in enumerate(zip(starts["week"], blocks, strict=True)):
        monday = first + dt.timedelta(days=7 * number)
        stated = as_date(starts["week_start"].iloc[number], "week_start")
        if int(week) != number + 1 or stated != monday or monday.weekday():
            raise _refuse(
                f"week {week} starts on {stated.isoformat()}",
                "weeks count from 1 without gaps, each from Monday",
            )
        practice += block >= 0
        rows.append(
            {
                "week": number + 1,
                "first_day": monday.isoformat(),
                "last_day": (monday + dt.timedelta(days=6)).isoformat(),
                "practice_week": practice if block >= 0 else 0,
                "block": block,
            }
        )
    return pd.DataFrame(rows)


def _design(blocks: Sequence[int]) -> Design:
    last = max(blocks)
    return "parallel" if last == 0 else "one_swap" if last == 1 else "blocks"


def _refuse(what: str, rule: str) -> ArgumentError:
    return ArgumentError(
        f"the assignments cannot be registered: {what}",
        rule=rule,
        next_step="correct the list, or draw a new lot with `transfer trial plan`",
    )
