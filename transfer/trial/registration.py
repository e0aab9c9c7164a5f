"""Was the lot there before the first game? Registered later, it counts as a chosen mix."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

from transfer.records.reading import Records
from transfer.records.units import game_rows
from transfer.records.weeks import WeeklyCells
from transfer.trial.cells import TrialCells
from transfer.trial.plan import TrialPlan

__all__ = ["Registration", "registration_of"]


@dataclass(frozen=True)
class Registration:
    """The day from which a lot stands, held against the first game that is analysed.

    Parameters
    ----------
    registered : date
        Day on which the plan was made here.
    fixed_on : date or None
        Day on which a lot drawn elsewhere was fixed, by the word of whoever drew it.
    first_game : date
        First day with a game attempt of the plan's players in the plan's weeks. Where only weeks
        are known, the first day of that week.
    """

    registered: dt.date
    fixed_on: dt.date | None
    first_game: dt.date

    @property
    def in_time(self) -> bool:
        """Whether the lot was registered by the day of the first game.

        A stated day does not count: nothing shows that the list is the one of that day.
        """
        return self.registered <= self.first_game

    @property
    def text(self) -> str:
        """Both days, and what follows from their order."""
        first = f"the first game ({self.first_game.isoformat()})"
        day = f"The lot was registered on {self.registered.isoformat()}"
        if self.in_time:
            return f"{day}, before or on the day of {first}."
        chosen = f"{day}, after {first}: it may follow those games, so it counts as chosen."
        if self.fixed_on is None:
            return chosen
        return f"{chosen} That it was fixed on {self.fixed_on.isoformat()} is somebody's word."

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "registered": self.registered.isoformat(),
            "fixed_on": None if self.fixed_on is None else self.fixed_on.isoformat(),
            "first_game": self.first_game.isoformat(),
            "in_time": self.in_time,
            "text": self.text,
        }


def registration_of(
    records: Records | WeeklyCells, cells: TrialCells, plan: TrialPlan
) -> Registration | None:
    """Hold a plan's day of registration against the first game.

    Parameters
    ----------
    records : Records or WeeklyCells
        Records tell the day of a game, weekly cells only its week.
    cells : TrialCells
        The same on the plan's calendar.
    plan : TrialPlan

    Returns
    -------
    Registration or None
        ``None`` while there is no game.
    """
    weeks = cells.table.loc[cells.table["n"] > 0, "week"]
    if weeks.empty:
        return None
    week = plan.calendar[plan.calendar["week"] == int(weeks.min())].to_dict(orient="records")[0]
    monday, sunday = (dt.date.fromisoformat(week[name]) for name in ("first_day", "last_day"))
    first = monday
    if isinstance(records, Records):
        games = game_rows(records)
        shot = games[(games["n"] > 0) & games["player"].isin(plan.units["player"])]
        days = [day.date() for day in shot["date"] if monday <= day.date() <= sunday]
        first = min(days)
    stated = plan.settings["fixed_on"]
    return Registration(
        dt.date.fromisoformat(plan.settings["registered"]),
        None if stated is None else dt.date.fromisoformat(stated),
        first,
    )
