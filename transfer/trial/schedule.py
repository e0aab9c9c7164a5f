"""The calendar of a trial: weeks, breaks, blocks, and the mix of every week."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Literal

import pandas as pd

from transfer.errors import ArgumentError, InfeasibleError
from transfer.trial.assignment import FIRST_ARMS

__all__ = ["BREAK", "DESIGNS", "Design", "as_date", "block_numbers", "calendar", "weekly_arms"]

Design = Literal["one_swap", "parallel", "blocks"]
DESIGNS: tuple[Design, ...] = ("one_swap", "parallel", "blocks")
#: Arm of a week in which nobody is asked to practise.
BREAK = "break"
#: Below this number of practice weeks the carry-over of one half fills the other.
MIN_PRACTICE_WEEKS = 4


def as_date(value: object, argument: str) -> dt.date:
    """Read an ISO date (``YYYY-MM-DD``) or a date object.

    Raises
    ------
    ArgumentError
        When the value is no date.
    """
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, dt.date):
        return value
    try:
        return dt.date.fromisoformat(str(value))
    except ValueError as error:
        raise ArgumentError(
            f"{argument}={value!r} is not a date",
            rule="year-month-day, e.g. 2026-11-02",
            next_step="write the date in that form",
        ) from error


def calendar(
    start: object, weeks: int, breaks: Sequence[tuple[object, object]] = ()
) -> pd.DataFrame:
    """Weeks of the season, with breaks marked.

    Parameters
    ----------
    start : date or str
        First day of week 1, a Monday.
    weeks : int
        Calendar weeks of the season, breaks included.
    breaks : sequence of (date, date)
        First and last day of each break. A week in which four or more days are in a break has no
        assigned practice.

    Returns
    -------
    DataFrame
        ``week`` (1, 2, ...), ``first_day``, ``last_day`` (ISO text), ``practice_week`` (1, 2, ...
        over the weeks with practice, 0 in a break).

    Raises
    ------
    ArgumentError
        Not a date or not a Monday, a break that ends before it begins or lies outside the season.
    """
    if isinstance(weeks, bool) or not isinstance(weeks, int) or not 1 <= weeks <= 60:
        raise ArgumentError(
            f"weeks={weeks!r} is not a season",
            rule="a whole number from 1 to 60",
            next_step="count the calendar weeks from the first to the last practice",
        )
    first = as_date(start, "start")
    if first.weekday():
        monday = first - dt.timedelta(days=first.weekday())
        raise ArgumentError(
            f"start={first.isoformat()} is not a Monday",
            rule="records count weeks from Monday to Sunday, so the trial does too",
            next_step=f"use {monday.isoformat()} or {(monday + dt.timedelta(days=7)).isoformat()}",
        )
    off = _days_off(first, weeks, breaks)
    rows = []
    practice = 0
    for week in range(weeks):
        monday = first + dt.timedelta(days=7 * week)
        days = [monday + dt.timedelta(days=d) for d in range(7)]
        closed = sum(day in off for day in days) >= 4
        practice += not closed
        rows.append(
            {
                "week": week + 1,
                "first_day": days[0].isoformat(),
                "last_day": days[-1].isoformat(),
                "practice_week": 0 if closed else practice,
            }
        )
    return pd.DataFrame(rows)


def block_numbers(practice_weeks: int, design: Design, block_weeks: int | None) -> list[int]:
    """Block (0, 1, ...) of each practice week.

    Parameters
    ----------
    practice_weeks : int
        Weeks with practice.
    design : {"one_swap", "parallel", "blocks"}
        Two halves with one swap; one mix all season; alternating blocks.
    block_weeks : int or None
        Practice weeks in a block. One swap: weeks before the swap, half when ``None``. Blocks:
        needed. Parallel: must be ``None``.

    Raises
    ------
    ArgumentError
        Unknown design or a block length that does not go with it.
    InfeasibleError
        The season is too short for it.
    """
    if design not in DESIGNS:
        raise ArgumentError(
            f"design={design!r} is not a design",
            rule=f"one of {', '.join(DESIGNS)}",
            next_step="one_swap is the most precise for a season of given length",
        )
    if practice_weeks < MIN_PRACTICE_WEEKS:
        raise InfeasibleError(
            f"the season has {practice_weeks} practice weeks",
            rule=f"a trial needs at least {MIN_PRACTICE_WEEKS} (judgement, no source)",
            next_step="plan more weeks or shorten the breaks",
        )
    if design == "parallel":
        if block_weeks is not None:
            raise ArgumentError(
                f"block_weeks={block_weeks} with parallel groups",
                rule="parallel groups keep one mix all season",
                next_step="leave block_weeks out, or use design='one_swap'",
            )
        return [0] * practice_weeks
    length = _block_length(practice_weeks, design, block_weeks)
    if design == "one_swap":
        return [int(week >= length) for week in range(practice_weeks)]
    return [week // length for week in range(practice_weeks)]


def weekly_arms(weeks: pd.DataFrame, blocks: Sequence[int], first_arm: str) -> list[str]:
    """Arm of each calendar week for a unit that starts with `first_arm`.

    Parameters
    ----------
    weeks : DataFrame
        As `calendar` returns.
    blocks : sequence of int
        Block of each practice week, see `block_numbers`.
    first_arm : str
        One of ``live_heavy`` and ``rep_heavy``.

    Returns
    -------
    list of str
        ``live_heavy``, ``rep_heavy`` or ``break``.
    """
    other = FIRST_ARMS[1 - FIRST_ARMS.index(first_arm)]
    arms = []
    for practice_week in weeks["practice_week"]:
        if practice_week == 0:
            arms.append(BREAK)
        else:
            arms.append(other if blocks[practice_week - 1] % 2 else first_arm)
    return arms


def _block_length(practice_weeks: int, design: Design, block_weeks: int | None) -> int:
    if block_weeks is None:
        if design == "blocks":
            raise ArgumentError(
                "design='blocks' without block_weeks",
                rule="alternating blocks need their length in practice weeks",
                next_step="pass e.g. block_weeks=6, or use design='one_swap'",
            )
        return practice_weeks // 2
    if isinstance(block_weeks, bool) or not isinstance(block_weeks, int) or block_weeks < 1:
        raise ArgumentError(
            f"block_weeks={block_weeks!r} is not a block length",
            rule="a whole number of practice weeks, 1 or more",
            next_step="pass e.g. block_weeks=13",
        )
    if block_weeks >= practice_weeks:
        raise InfeasibleError(
            f"block_weeks={block_weeks} leaves no second block in {practice_weeks} practice weeks",
            rule="each unit must meet both mixes",
            next_step=f"use block_weeks={practice_weeks // 2} or design='parallel'",
        )
    return block_weeks


def _days_off(first: dt.date, weeks: int, breaks: Sequence[tuple[object, object]]) -> set[dt.date]:
    last = first + dt.timedelta(days=7 * weeks - 1)
    off: set[dt.date] = set()
    for begin, end in breaks:
        begins, ends = as_date(begin, "breaks"), as_date(end, "breaks")
        if ends < begins:
            raise ArgumentError(
                f"the break {begins} to {ends} ends before it begins",
                rule="first day, then last day",
                next_step="swap the two dates",
            )
        if ends < first or begins > last:
            raise ArgumentError(
                f"the break {begins} to {ends} lies outside the season {first} to {last}",
                rule="breaks are inside the season",
                next_step="correct the dates, or start and weeks",
            )
        day = begins
        while day <= ends:
            off.add(day)
            day += dt.timedelta(days=1)
    return off
