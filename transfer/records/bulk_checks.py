"""Rules for a counted file: the labels it was grouped by, and the rows that broke a rule."""

from __future__ import annotations

import datetime

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.records.bulk_sql import Part, keys_of
from transfer.records.geometry import spot
from transfer.records.problems import Problems
from transfer.records.raw import from_frame
from transfer.records.schema import TABLES
from transfer.records.values import parse_column

__all__ = ["check_part"]

#: Column, rule and next step of every count of broken rows.
_RULES = {
    "bad_date": ("date", "a date is written year-month-day", "correct the date"),
    "blank_session": ("session", "session is needed in every row", "fill in session"),
    "blank_drill": ("drill", "drill is needed in every row", "fill in drill"),
    "blank_game": ("game", "game is needed in every row", "fill in game"),
    "bad_made": ("made", "made is 1 or 0 (true/false, yes/no)", "write 1 for made, 0 for missed"),
    "bad_fouled": ("fouled", "fouled is 1 or 0 in one row per attempt", "correct fouled"),
    "bad_blocked": ("blocked", "blocked is 1 or 0, and a blocked attempt is a miss",
                    "correct made or blocked"),
    "bad_both": ("fouled", "a miss is blocked or fouled, not both",
                 "keep the one the scorer would keep"),
    "bad_attempts": ("attempts", "a count is a whole number, 0 to 10000", "correct the count"),
    "bad_makes": ("makes", "a count is a whole number, 0 or more", "correct the count"),
    "bad_counts": ("makes", "makes and blocked together are at most attempts",
                   "correct makes, blocked or attempts"),
    "bad_minutes": ("minutes", "minutes lie in the range of the schema", "correct the minutes"),
    "bad_distance_ft": ("distance_ft", "a distance lies between 0 and 94 ft",
                        "correct the distance"),
    "bad_same_minutes": ("minutes", "minutes are the same on all rows of one player's drill or "
                         "game", "write the whole minutes on each row"),
}  # fmt: skip


def check_part(
    counted: pd.DataFrame,
    part: Part,
    start: datetime.date | None,
    end: datetime.date | None,
    problems: Problems,
) -> pd.DataFrame:
    """Check a counted file and give its labels their canonical form.

    Parameters
    ----------
    counted : DataFrame
        From `transfer.records.bulk_sql.count_file`.
    part : Part
        What it was counted by.
    start, end : date or None
        Limits of the season.
    problems : Problems
        Collector; problems name the file and the number of rows, not the rows.

    Returns
    -------
    DataFrame
        Columns as the canonical records have them, as far as cells are made of them.
    """
    place = (part.path.name, "")
    for name, (column, rule, step) in _RULES.items():
        rows = int(counted[name].sum()) if name in counted else 0
        if rows:
            problems.add(place, rule, step, column=column, value=f"{rows:,} rows")
    _check_season(counted, place, start, end, problems)
    frame = _labels(counted, part, problems)
    frame["date"] = frame["first"] = pd.to_datetime(counted["first"]).astype("datetime64[s]")
    frame["last"] = pd.to_datetime(counted["last"]).astype("datetime64[s]")
    for name in ("attempts", "makes", "fouled"):
        frame[name] = counted[name].fillna(0).astype(np.int64)
    if "minutes" in counted:
        frame["minutes"] = counted["minutes"].astype(float)
    if part.distance:
        _distances(frame, counted, part, problems)
    return frame


def _check_season(
    counted: pd.DataFrame,
    place: tuple[str, str],
    start: datetime.date | None,
    end: datetime.date | None,
    problems: Problems,
) -> None:
    first, last = pd.to_datetime(counted["first"]).min(), pd.to_datetime(counted["last"]).max()
    if start is not None and first < pd.Timestamp(start):
        problems.add(
            place, f"the season starts on {start.isoformat()}",
            "correct the date, or correct the season's start", column="date",
            value=str(first)[:10],
        )  # fmt: skip
    if end is not None and last > pd.Timestamp(end):
        problems.add(
            place, f"the season ends on {end.isoformat()}",
            "correct the date, or correct the season's end", column="date", value=str(last)[:10],
        )  # fmt: skip


def _labels(counted: pd.DataFrame, part: Part, problems: Problems) -> pd.DataFrame:
    """Parse the labels by the same rules as small files; blanks where one is needed are told."""
    table = TABLES[part.table]
    keys = keys_of(part, set(counted.columns))
    raw = from_frame(counted[[*keys, "rows"]], part.path.name)
    needed = {"player", *part.settings}
    scratch = Problems()
    frame = {}
    for cells in raw.columns[: len(keys)]:
        parsed = parse_column(raw, table.column(cells.header), cells, scratch)
        frame[cells.header] = pd.Series(parsed.labels(), dtype="str")
        blank = (parsed.codes < 0) & ~parsed.bad
        required = table.column(cells.header).required in ("yes", "or_drill")
        if cells.header in needed and required and blank.any():
            rows = int(counted.loc[blank, "rows"].sum())
            problems.add(
                raw.place, f"{cells.header} is needed in every row", f"fill in {cells.header}",
                column=cells.header, value=f"{rows:,} rows",
            )  # fmt: skip
    told = {(p.column, p.value, p.rule): p for p in scratch.found}
    for (column, value, rule), p in told.items():
        problems.add(raw.place, rule, p.next_step, column=column, value=value, severity=p.severity)
    for name in ("program", "season"):
        frame.setdefault(name, pd.Series([""] * len(counted), dtype="str"))
    return pd.DataFrame(frame)


def _distances(frame: pd.DataFrame, counted: pd.DataFrame, part: Part, problems: Problems) -> None:
    """Mean charted distance of every row of the counted file, else its spot's distance."""
    own = pd.Series(np.nan, index=frame.index)
    if "reach" in counted:
        own = counted["reach"] / counted["weight"].where(counted["weight"] > 0)
    if "spot" in frame:
        by_spot = {}
        for label in frame["spot"].unique():
            try:
                by_spot[label] = (
                    round(spot(label, part.rule_body).distance_ft, 4) if label else np.nan
                )
            except ArgumentError as error:
                by_spot[label] = np.nan
                if own[frame["spot"] == label].isna().any():
                    problems.add(
                        (part.path.name, ""), error.rule,
                        f"{error.next_step} distance_ft may stand instead", column="spot",
                        value=label,
                    )  # fmt: skip
        own = own.fillna(frame.pop("spot").map(by_spot).astype(float))
    frame["distance_ft"] = own
