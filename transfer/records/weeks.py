"""Weekly cells for the growth model, and the pace (attempts per minute) of each setting."""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from transfer.arguments import choice, kinds_checked
from transfer.errors import ArgumentError, RecordsError
from transfer.provenance import hash_frames
from transfer.records.problems import Problem
from transfer.records.reading import Records
from transfer.records.schema import MODES
from transfer.records.units import GAME, WHO, game_rows, practice_rows, setting_labels
from transfer.records.values import masked

__all__ = ["WeeklyCells", "attempt_pace", "weekly_cells"]

#: How many rows without minutes a refusal names.
_NAMED = 20


@dataclass(frozen=True)
class WeeklyCells:
    """Attempts, makes and minutes by player-season, calendar week and mode.

    Parameters
    ----------
    table : DataFrame
        One row per unit x week x mode, complete: a week without work has n = y = 0 and 0
        minutes. Columns ``unit``, ``player``, ``program``, ``season``, ``week`` (0 is the week,
        Monday to Sunday, of the season's start), ``mode`` (``rep``, ``live``, ``game``), ``n``,
        ``y`` (integers), ``minutes`` (float; NaN where charted work lacks minutes).
    weeks : int
        Number of weeks of the longest season.
    starts : dict of str to date
        Season label to the Monday of week 0.
    data_hash : str
        SHA-256 of the table.
    """

    table: pd.DataFrame
    weeks: int
    starts: dict[str, datetime.date]
    data_hash: str

    @property
    def practice(self) -> pd.DataFrame:
        """Rows of rep and live work."""
        return self.table[self.table["mode"] != GAME].reset_index(drop=True)

    @property
    def games(self) -> pd.DataFrame:
        """Rows of game shooting."""
        return self.table[self.table["mode"] == GAME].reset_index(drop=True)


@kinds_checked
def weekly_cells(
    records: Records,
    *,
    season_start: datetime.date | str | None = None,
    minutes: Literal["require", "allow_missing"] = "require",
    fouled_miss_counts: bool = False,
) -> WeeklyCells:
    """Count by player-season, week and mode, every week of the season present.

    Parameters
    ----------
    records : Records
        Checked records with a practice table.
    season_start : date or ISO text, optional
        A day of week 0 (one season only). Otherwise the records' own season start, otherwise the
        first date of each season over all programs.
    minutes : {"require", "allow_missing"}
        Whether practice rows without minutes are refused, or make their cell's minutes NaN.
        Minutes are never guessed.
    fouled_miss_counts : bool
        Whether a fouled miss is an attempt.

    Raises
    ------
    RecordsError
        When there is no practice, or minutes are required and a row lacks them.
    ArgumentError
        When an option is not valid or a date lies before the given start.
    """
    choice(
        "minutes",
        minutes,
        ("require", "allow_missing"),
        "is not known",
        rule="minutes is 'require' or 'allow_missing'",
    )
    practice = practice_rows(records, fouled_miss_counts=fouled_miss_counts)
    if practice.empty:
        raise RecordsError(
            "the records hold no practice, so there is no exposure to count by week",
            rule="weekly cells need a practice table",
            next_step="read the practice file as well",
        )
    practice = practice.reindex(columns=[*practice.columns.drop("minutes", "ignore"), "minutes"])
    if minutes == "require":
        _require_minutes(practice, records)
    games = game_rows(records, fouled_miss_counts=fouled_miss_counts).assign(mode=GAME)
    games = games.reindex(columns=[*games.columns.drop("minutes", "ignore"), "minutes"])
    again = games.duplicated(["unit", "date", "game"])
    games["minutes"] = games["minutes"].astype(float).where(~again, 0.0)
    keep = [*WHO, "date", "mode", "n", "y", "minutes"]
    rows = pd.concat([practice[keep], games[keep]], ignore_index=True)
    starts = _starts(rows, season_start or records.season_start)
    monday = rows["season"].map({season: pd.Timestamp(day) for season, day in starts.items()})
    rows["week"] = ((rows["date"] - monday).dt.days // 7).astype(np.int64)
    table = _complete(rows)
    return WeeklyCells(table, int(table["week"].max()) + 1, starts, hash_frames(weekly=table))


def _starts(rows: pd.DataFrame, given: datetime.date | str | None) -> dict[str, datetime.date]:
    """Season to the Monday of its first week."""
    first = {
        str(season): day.date() for season, day in rows.groupby("season")["date"].min().items()
    }
    if given is not None:
        day = datetime.date.fromisoformat(str(given)) if isinstance(given, str) else given
        early = min(first.values())
        if len(first) > 1 or early < day - datetime.timedelta(days=day.weekday()):
            raise ArgumentError(
                f"season_start={day.isoformat()} does not fit the records: first date "
                f"{early.isoformat()}, {len(first)} seasons",
                rule="season_start belongs to one season and lies in or before its first week",
                next_step="leave season_start out, or read one season",
            )
        first = dict.fromkeys(first, day)
    return {season: day - datetime.timedelta(days=day.weekday()) for season, day in first.items()}


def _complete(rows: pd.DataFrame) -> pd.DataFrame:
    """Sum by unit, week and mode; add the empty weeks of each program's season."""
    rows = rows.assign(uncharted=rows["minutes"].isna())
    by = [*WHO, "week", "mode"]
    summed = rows.groupby(by, as_index=False, observed=True).agg(
        n=("n", "sum"), y=("y", "sum"), minutes=("minutes", "sum"), uncharted=("uncharted", "any")
    )
    summed["minutes"] = summed["minutes"].mask(summed["uncharted"])
    last = rows.groupby(["program", "season"], as_index=False)["week"].max()
    units = rows[list(WHO)].drop_duplicates().merge(last, on=["program", "season"])
    modes = (*MODES, GAME)
    repeats = (units["week"] + 1).to_numpy() * len(modes)
    grid = units.drop(columns="week").loc[units.index.repeat(repeats)].reset_index(drop=True)
    grid["week"] = np.concatenate(
        [np.repeat(np.arange(week + 1), len(modes)) for week in units["week"]]
    )
    grid["mode"] = pd.Series(list(modes) * int((units["week"] + 1).sum()), dtype="str")
    table = grid.merge(summed, how="left", on=by)
    absent = table["n"].isna()
    table["minutes"] = table["minutes"].mask(absent, 0.0)
    table = table.fillna({"n": 0, "y": 0}).astype({"n": np.int64, "y": np.int64})
    rank = {mode: i for i, mode in enumerate(modes)}
    table = table.assign(rank=table["mode"].map(rank)).sort_values(
        ["unit", "week", "rank"], ignore_index=True
    )
    return table[[*by, "n", "y", "minutes"]]


def _require_minutes(practice: pd.DataFrame, records: Records) -> None:
    """Refuse practice rows without minutes, naming the first ones."""
    lacking = practice[practice["minutes"].isna()]
    if lacking.empty:
        return
    file = next(
        (str(source["file"]) for source in records.sources if source["table"] == "practice"),
        "practice",
    )
    rule = "exposure by week needs the minutes of every practice row"
    step = "write the minutes of the work into each practice row, column minutes"
    problems = tuple(
        Problem(
            file,
            "",
            None,
            "minutes",
            f"{row['date']:%Y-%m-%d}, session {row['session']}, {masked(row['player'])}, "
            f"{row['drill']}",
            rule,
            step,
        ).to_dict()
        for row in lacking.head(_NAMED).to_dict(orient="records")
    )
    raise RecordsError(
        f"{len(lacking)} of {len(practice)} practice rows lack minutes "
        f"({len(problems)} of them listed)",
        problems,
        rule=rule,
        next_step=step,
    )


def attempt_pace(
    records: Records, settings: tuple[str, ...] | list[str] | str = ("mode",)
) -> pd.DataFrame:
    """Attempts per minute of each setting, measured on the rows that carry minutes.

    Parameters
    ----------
    records : Records
        Checked records.
    settings : tuple of str, or comma-separated str
        As in `transfer.records.cells.build_cells`.

    Returns
    -------
    DataFrame
        Columns ``setting``, ``attempts`` and ``minutes`` (of the rows with minutes),
        ``per_minute`` (NaN where no minutes were charted), ``share_charted`` (share of the
        setting's attempts that carry minutes).
    """
    rows = practice_rows(records)
    labels, order = setting_labels(rows, settings)
    timed = rows["minutes"].notna() if "minutes" in rows else pd.Series(False, index=rows.index)
    spent = rows["minutes"].where(timed, 0.0) if "minutes" in rows else pd.Series(0.0, rows.index)
    charted = rows["n"].where(timed, 0)
    table = pd.DataFrame(
        {"setting": labels, "all": rows["n"], "attempts": charted, "minutes": spent}
    )
    table = table.groupby("setting").sum().reindex(list(order)).rename_axis("setting").reset_index()
    table["per_minute"] = table["attempts"] / table["minutes"].where(table["minutes"] > 0)
    table["share_charted"] = table["attempts"] / table["all"].where(table["all"] > 0)
    return table.drop(columns="all")
