"""A trial plan: everything that is fixed before the first practice, with its hash."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError, StorageError
from transfer.files import SETTINGS_BYTES, read_plain
from transfer.results import Result
from transfer.trial.assignment import (
    FIRST_ARMS,
    Lot,
    Unit,
    draw_first_arms,
    make_units,
)
from transfer.trial.lot_record import LOT, read_record
from transfer.trial.schedule import (
    BREAK,
    Design,
    as_date,
    block_numbers,
    calendar,
    weekly_arms,
)

__all__ = ["TrialPlan", "make_plan", "plan_from_dict", "read_plan"]

FORMAT = "transfer-trial-plan/2"
#: Smallest difference that would change a practice plan, in points of game make rate after eight
#: weeks of one mix instead of the other. Judgement, no source; state your own before the draw.
DEFAULT_ROPE_POINTS = (-1.0, 1.0)
HALF_LIFE_WEEKS = 4.0
HORIZON_WEEKS = 8
#: Where the lot came from: drawn here by the seed, or drawn elsewhere and registered here.
LOT_BY_SEED, LOT_ELSEWHERE = "drawn by the seed", "drawn elsewhere"
PRIMARY_OUTCOME = "makes out of attempts released in games from floater range, layups apart"


@dataclass(frozen=True)
class TrialPlan(Result):
    """A trial fixed in advance.

    Parameters
    ----------
    settings : mapping
        ``unit``, ``strata``, ``design``, ``weeks``, ``block_weeks``, ``contrast``,
        ``minutes_per_week``, ``seed``, ``lot``, ``start``, ``breaks``, ``looks``, ``rope``,
        ``half_life_weeks``, ``horizon_weeks``, ``primary_outcome``, ``registered`` (day on which
        the plan was made), ``fixed_on`` (day on which a lot drawn elsewhere was fixed, by the word
        of whoever drew it; None otherwise); plain values.
    units : DataFrame
        One row per player: ``program``, ``unit``, ``player``, ``stratum_*``, ``first_arm``.
    calendar : DataFrame
        One row per week, see `transfer.trial.schedule.calendar`, with ``block``
        (0, 1, ...; -1 in a break).
    """

    _figure = "transfer.trial.figure_lot"

    settings: Mapping[str, Any]
    units: pd.DataFrame
    calendar: pd.DataFrame

    @cached_property
    def table(self) -> pd.DataFrame:
        """The assignment: one row per player and week.

        Columns ``program``, ``player``, ``unit``, ``week``, ``first_day``, ``last_day``, ``arm``
        (``live_heavy``, ``rep_heavy`` or ``break``), ``live_share`` (share of shooting minutes;
        NaN in a break), ``rep_minutes``, ``live_minutes`` (minutes that week).
        """
        live = weekly_minutes(self.settings)
        total = float(self.settings["minutes_per_week"])
        blocks = [int(b) for b in self.calendar["block"] if b >= 0]
        arms = {arm: weekly_arms(self.calendar, blocks, arm) for arm in FIRST_ARMS}
        rows = []
        weeks = list(self.calendar.itertuples(index=False))
        for player in self.units.itertuples(index=False):
            for week, arm in zip(weeks, arms[str(player.first_arm)], strict=True):
                on = arm != BREAK
                minutes = live[arm] if on else 0.0
                rows.append(
                    {
                        "program": player.program,
                        "player": player.player,
                        "unit": player.unit,
                        "week": week.week,
                        "first_day": week.first_day,
                        "last_day": week.last_day,
                        "arm": arm,
                        "live_share": round(minutes / total, 4) if on else float("nan"),
                        "rep_minutes": round(total - minutes, 2) if on else 0.0,
                        "live_minutes": minutes,
                    }
                )
        return pd.DataFrame(rows)

    @cached_property
    def plan_hash(self) -> str:
        """SHA-256 of everything that was fixed; the analysis refuses a plan that lost it."""
        text = json.dumps(self.content(), sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode("ascii")).hexdigest()

    def content(self) -> dict[str, Any]:
        """What the hash covers, as plain values."""
        return {
            "format": FORMAT,
            "settings": json.loads(json.dumps(dict(self.settings))),
            "units": self.units.to_dict(orient="records"),
            "calendar": self.calendar.to_dict(orient="records"),
        }

    def to_dict(self) -> dict[str, Any]:
        """Plain values, with the hash, ready for ``plan.json``."""
        return {**self.content(), "hash": self.plan_hash}

    def follows_its_seed(self) -> bool:
        """Whether drawing the lot again gives this assignment."""
        drawn = draw_first_arms(self.units, Lot(self.settings["seed"]))
        keys = zip(self.units["program"], self.units["unit"], strict=True)
        return [drawn[key] for key in keys] == list(self.units["first_arm"])

    @property
    def programs(self) -> tuple[str, ...]:
        """Programs of the trial, sorted."""
        return tuple(sorted(set(self.units["program"])))

    @property
    def practice_weeks(self) -> int:
        """Weeks with practice."""
        return int((self.calendar["practice_week"] > 0).sum())

    @property
    def swap_weeks(self) -> tuple[int, ...]:
        """Calendar weeks that open a new block, the first block apart."""
        practice = self.calendar[self.calendar["block"] >= 0]
        opens = practice["block"].diff() > 0
        return tuple(int(week) for week in practice.loc[opens, "week"])

    def has_swapped(self, week: int) -> bool:
        """Whether anybody met a second mix by the end of a calendar week.

        Until then the design compares groups of different players.
        """
        return any(swap <= week for swap in self.swap_weeks)

    @property
    def registration(self) -> str:
        """Day of registration in words, and the stated day beside it where there is one."""
        said = f"registered on {self.settings['registered']}"
        if self.settings["fixed_on"] is None:
            return said
        return f"{said}, fixed on {self.settings['fixed_on']} by the word of who drew it"

    @property
    def text(self) -> str:
        """What was planned, in one paragraph."""
        s = self.settings
        share = round(100 * s["contrast"])
        shape = {
            "one_swap": f"swap once, at the start of week {self.swap_weeks[0]}"
            if self.swap_weeks
            else "swap once",
            "parallel": "keep their mix all season",
            "blocks": f"alternate every {s['block_weeks']} practice weeks",
        }[s["design"]]
        kind = {"player": "players", "pair": "pairs", "squad": "squads"}[s["unit"]]
        units = self.units[["program", "unit", "first_arm"]].drop_duplicates()
        first = int((units["first_arm"] == FIRST_ARMS[0]).sum())
        together = "" if s["unit"] == "player" else f" in {len(units)} {kind}"
        lot = f"seed {s['seed']}" if s["lot"] == LOT_BY_SEED else "lot drawn elsewhere"
        return (
            f"{len(self.units)} players of {_programs(self.programs)}{together}: by lot "
            f"{first} start live-heavy and {len(units) - first} rep-heavy "
            f"({share}/{100 - share} against {100 - share}/{share} of "
            f"{s['minutes_per_week']:g} shooting minutes a week) and {shape}; "
            f"{self.practice_weeks} practice weeks from {s['start']}; {lot}; "
            f"{self.registration}; plan {self.plan_hash[:12]}."
        )


def _programs(programs: Sequence[str]) -> str:
    return "1 program" if len(programs) == 1 else f"{len(programs)} programs"


def weekly_minutes(settings: Mapping[str, Any]) -> dict[str, float]:
    """Live minutes a week in each arm."""
    total, share = float(settings["minutes_per_week"]), float(settings["contrast"])
    return {"live_heavy": round(total * share, 2), "rep_heavy": round(total * (1 - share), 2)}


@kinds_checked
def make_plan(
    roster: pd.DataFrame,
    *,
    weeks: int,
    start: object,
    seed: int,
    unit: Unit = "player",
    strata: Sequence[str] = ("position", "baseline"),
    design: Design = "one_swap",
    block_weeks: int | None = None,
    contrast: float = 0.80,
    minutes_per_week: float = 70.0,
    breaks: Sequence[tuple[object, object]] = (),
    looks: Sequence[int] = (),
    rope: tuple[float, float] = DEFAULT_ROPE_POINTS,
    registered: object = None,
) -> TrialPlan:
    """Plan a trial and draw the lot.

    Parameters
    ----------
    roster : DataFrame
        One row per player, see `transfer.trial.assignment.make_units`.
    weeks : int
        Calendar weeks of the season, breaks included.
    start : date or str
        First day of week 1.
    seed : int
        Seed of the lot, written down before the draw.
    unit : {"player", "pair", "squad"}
        Who is drawn together.
    strata : sequence of str
        Any of ``position`` and ``baseline``; programs are always strata.
    design : {"one_swap", "parallel", "blocks"}
        Default two halves with one swap.
    block_weeks : int, optional
        Practice weeks in a block.
    contrast : float
        Share of shooting minutes that the favoured kind of work gets, above .5 and below 1.
    minutes_per_week : float
        Charted shooting minutes per player and week (judgement; use what your practices give).
    breaks : sequence of (date, date)
        First and last day of each break.
    looks : sequence of int
        Weeks after which the result is looked at; the last week when left out.
    rope : (float, float)
        Region of practical equivalence, in points of game make rate after eight weeks of one mix
        instead of the other.
    registered : date or str, optional
        Day of the draw; today by this machine's clock. State it for invented seasons only.

    Raises
    ------
    ArgumentError, InfeasibleError
        A setting outside its rule, or a season too short for the design.
    """
    check_settings(contrast, minutes_per_week, rope)
    season = calendar(start, weeks, breaks)
    practice = int((season["practice_week"] > 0).sum())
    blocks = block_numbers(practice, design, block_weeks)
    season["block"] = [blocks[w - 1] if w > 0 else -1 for w in season["practice_week"]]
    units = make_units(roster, unit, strata)
    drawn = draw_first_arms(units, Lot(seed))
    units["first_arm"] = [drawn[key] for key in zip(units["program"], units["unit"], strict=True)]
    settings = {
        "unit": unit,
        "strata": list(strata),
        "design": design,
        "weeks": weeks,
        "block_weeks": blocks.count(0),
        "contrast": float(contrast),
        "minutes_per_week": float(minutes_per_week),
        "seed": int(seed),
        "lot": LOT_BY_SEED,
        "start": as_date(start, "start").isoformat(),
        "breaks": [
            [as_date(a, "breaks").isoformat(), as_date(b, "breaks").isoformat()] for a, b in breaks
        ],
        "looks": checked_looks(looks, season),
        "rope": [float(rope[0]), float(rope[1])],
        "half_life_weeks": HALF_LIFE_WEEKS,
        "horizon_weeks": HORIZON_WEEKS,
        "primary_outcome": PRIMARY_OUTCOME,
        "registered": registration_day(registered),
        "fixed_on": None,
    }
    return TrialPlan(settings=settings, units=units, calendar=season)


def registration_day(given: object = None) -> str:
    """A day as ISO text, today when none is given."""
    return (today() if given is None else as_date(given, "registered")).isoformat()


def today() -> dt.date:
    """Today by this machine's clock."""
    return dt.datetime.now().astimezone().date()


def read_plan(path: Path | str, expected_hash: str | None = None) -> TrialPlan:
    """Read ``plan.json`` and check that nobody changed it.

    Parameters
    ----------
    path : path
        The file that `write_plan` wrote, beside the folder's record of its lot.
    expected_hash : str, optional
        The hash printed on the protocol (or its first 12 or more characters), which a changed
        and re-hashed file does not have. Needed where the record is missing.

    Raises
    ------
    StorageError
        The file cannot be read, is no plan, was changed after the lot was drawn, or stands
        without record and hash.
    """
    try:
        value = json.loads(read_plain(path, SETTINGS_BYTES))
    except (OSError, ValueError, RecursionError) as error:
        raise StorageError(
            f"{path} cannot be read as a trial plan: {error}",
            rule="the file plan.json as `transfer trial plan` wrote it",
            next_step="give the path of that file, or restore it from a copy",
        ) from error
    plan = plan_from_dict(value, expected_hash=expected_hash, place=str(path))
    kept = read_record(Path(path).parent)
    if kept is not None and kept.plan_hash != plan.plan_hash:
        where = f"its hash is {plan.plan_hash[:12]}, {LOT} beside it has {kept.plan_hash[:12]}"
        raise _changed(str(path), where)
    if kept is None and expected_hash is None:
        raise StorageError(
            f"{path} stands without {LOT}, the record of its lot",
            rule="a plan is held against the record of the folder in which its lot was drawn, or "
            "against the printed protocol",
            next_step=f"put {LOT} back beside it, or give --plan-hash as the protocol prints it",
        )
    return plan


def plan_from_dict(
    value: object, expected_hash: str | None = None, place: str = "the plan"
) -> TrialPlan:
    """Rebuild a plan from plain values; same checks and errors as `read_plan`."""
    if not isinstance(value, dict) or value.get("format") != FORMAT:
        found = value.get("format") if isinstance(value, dict) else type(value).__name__
        raise StorageError(
            f"{place} is not a plan of this version: format {found!r}",
            rule=f"format {FORMAT!r}",
            next_step="use the version of the package that wrote the plan",
        )
    try:
        plan = TrialPlan(
            settings=dict(value["settings"]),
            units=pd.DataFrame(value["units"]),
            calendar=pd.DataFrame(value["calendar"]),
        )
        stated, found = str(value["hash"]), plan.plan_hash
        dt.date.fromisoformat(plan.settings["registered"])
        dt.date.fromisoformat(plan.settings["fixed_on"] or plan.settings["registered"])
        follows_lot = plan.settings["lot"] == LOT_ELSEWHERE or plan.follows_its_seed()
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _changed(place, f"a part is missing or has another form ({error})") from error
    if stated != found:
        raise _changed(place, f"it states hash {stated[:12]}, its content has {found[:12]}")
    if not follows_lot:
        raise _changed(place, "its assignment is not the one its seed draws")
    if expected_hash is not None and (
        len(expected_hash) < 12 or not found.startswith(expected_hash.lower())
    ):
        raise _changed(place, f"its hash is {found[:12]}, the protocol has {expected_hash[:12]}")
    return plan


def _changed(place: str, why: str) -> StorageError:
    return StorageError(
        f"{place} was changed after the lot was drawn: {why}",
        rule="a plan is fixed before the first practice; only an unchanged plan allows words "
        "of cause",
        next_step="restore the original plan.json, or analyse the records without a plan",
    )


def check_settings(contrast: float, minutes: float, rope: tuple[float, float]) -> None:
    """Refuse a split, minutes or a region outside their rules."""
    if not 0.5 < contrast < 1.0:
        raise ArgumentError(
            f"contrast={contrast!r} is not a split",
            rule="above .5 and below 1: share of shooting minutes for the favoured work",
            next_step="use .80, which asks 80/20 against 20/80",
        )
    if not 0.0 < minutes <= 1200.0:
        raise ArgumentError(
            f"minutes_per_week={minutes!r} is not possible",
            rule="above 0 and at most 1200 charted shooting minutes per player and week",
            next_step="enter what your practices give; the governing body's limits apply",
        )
    if len(tuple(rope)) != 2 or not rope[0] < 0.0 < rope[1]:
        raise ArgumentError(
            f"rope={rope!r} does not span zero",
            rule="low < 0 < high, in points",
            next_step="state the smallest difference that would change your plan, e.g. (-1, 1)",
        )


def checked_looks(looks: Sequence[int], season: pd.DataFrame) -> list[int]:
    """Planned looks in order, the last week added; refuse weeks outside the season."""
    last = int(season["week"].iloc[-1])
    planned = sorted({int(week) for week in looks} | {last}) if looks else [last]
    if planned[0] < 1 or planned[-1] > last:
        raise ArgumentError(
            f"looks={tuple(looks)!r} are not weeks of the season",
            rule=f"week numbers from 1 to {last}",
            next_step="name the weeks after which the result is looked at; the last is added",
        )
    return planned
