"""Record files in, checked records out; or every problem of all files at once."""

from __future__ import annotations

import datetime
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from transfer.errors import ArgumentError
from transfer.records.attempts import canonical, check_sets, fill_distances, plain_frame
from transfer.records.checked import Checked
from transfer.records.crosschecks import (
    check_players,
    settle_codes,
    warn_mixing,
    warn_unmatched,
)
from transfer.records.fingerprint import hash_records
from transfer.records.geometry import court
from transfer.records.limits import within_limits
from transfer.records.problems import Problem, Problems, problem_table
from transfer.records.raw import RawTable, from_frame, from_parquet
from transfer.records.rules import (
    check_counts,
    check_dates,
    check_duplicates,
    check_table,
    count_unknown,
    fill_from_drills,
)
from transfer.records.schema import TABLES
from transfer.records.settings import DEFAULTS
from transfer.records.sheet_file import from_workbook
from transfer.records.text_file import from_text
from transfer.results import Estimates, Result

__all__ = ["Records", "load_table", "read_records"]

#: A file name, or a table that is in memory already.
Input = str | Path | pd.DataFrame | None


@dataclass(frozen=True)
class Records(Result):
    """Checked records in one canonical form: rows of counts.

    Parameters
    ----------
    practice, games, roster, drills : DataFrame or None
        As described by `transfer.records.schema`, in a fixed row order; one row per attempt has
        been summed; ``program`` and ``season`` always present (empty when never charted); drill
        defaults and spot distances filled in. None when not given.
    problems : tuple of Problem
        Warnings and notes that came with the records (never errors).
    data_hash : str
        SHA-256 of the canonical tables, blind to row order and file form.
    sources : tuple of dict
        Per input: ``table``, ``file``, ``sheet``, ``rows``, ``sha256`` of the file's bytes.
    rule_body : str
        Rule body whose geometry gave the distances.
    season_start, season_end : date or None
        Limits the dates were checked against.
    """

    _estimates = Estimates("attempts", beside="makes")

    practice: pd.DataFrame | None
    games: pd.DataFrame | None
    roster: pd.DataFrame | None
    drills: pd.DataFrame | None
    problems: tuple[Problem, ...]
    data_hash: str
    sources: tuple[dict[str, Any], ...]
    rule_body: str = DEFAULTS.rule_body
    season_start: datetime.date | None = None
    season_end: datetime.date | None = None

    @property
    def quality(self) -> pd.DataFrame:
        """Data-quality table: warnings and notes, see `problem_table`."""
        return problem_table(self.problems)

    @property
    def table(self) -> pd.DataFrame:
        """One row per given table: rows, players, attempts, makes, first and last date.

        Attempts charted a second time by another charter are counted once.
        """
        rows = []
        for name in ("practice", "games"):
            frame = getattr(self, name)
            if frame is not None:
                if "second_chart" in frame:
                    frame = frame[frame["second_chart"] != "yes"]
                keys = frame[["program", "season", "player"]].drop_duplicates()
                rows.append(
                    {
                        "table": name,
                        "rows": len(frame),
                        "players": len(keys),
                        "attempts": int(frame["attempts"].sum()),
                        "makes": int(frame["makes"].sum()),
                        "first": frame["date"].min(),
                        "last": frame["date"].max(),
                    }
                )
        return pd.DataFrame(rows)

    @property
    def text(self) -> str:
        """One sentence on what the records hold."""
        parts = [
            f"{row['table']}: {row['makes']:,} makes of {row['attempts']:,} attempts by "
            f"{_many(row['players'], 'player')}, {row['first']:%Y-%m-%d} to {row['last']:%Y-%m-%d}"
            for row in self.table.to_dict(orient="records")
        ]
        warnings = sum(problem.severity == "warning" for problem in self.problems)
        notes = len(self.problems) - warnings
        return f"{'; '.join(parts)}. {_many(warnings, 'warning')}, {_many(notes, 'note')}."

    def to_dict(self) -> dict[str, Any]:
        """Return summary, problems, sources and hash as plain values (not the rows)."""
        summary = self.table.to_dict(orient="records")
        for row in summary:
            row["first"], row["last"] = f"{row['first']:%Y-%m-%d}", f"{row['last']:%Y-%m-%d}"
        return {
            "tables": summary,
            "text": self.text,
            "problems": [problem.to_dict() for problem in self.problems],
            "sources": [dict(source) for source in self.sources],
            "data_hash": self.data_hash,
            "rule_body": self.rule_body,
        }


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def read_records(
    practice: Input = None,
    games: Input = None,
    roster: Input = None,
    drills: Input = None,
    *,
    season_start: datetime.date | str | None = None,
    season_end: datetime.date | str | None = None,
    rule_body: str = DEFAULTS.rule_body,
    settings: tuple[str, ...] | list[str] | str = DEFAULTS.settings,
) -> Records:
    """Read and check all record tables together.

    Parameters
    ----------
    practice, games, roster, drills : path, DataFrame or None
        CSV, Parquet or .xlsx files (a workbook may hold several tables, one per sheet). Practice
        or games may be absent, not both.
    season_start, season_end : date or ISO text, optional
        First and last day on which an attempt may lie.
    rule_body : str
        Court whose geometry turns spots into distances: NFHS, NCAA, lane_16ft or FIBA.
    settings : tuple of str, or comma-separated str
        Practice columns that make a setting, as in `transfer.records.cells.build_cells`. Without
        contest among them, contest may be blank and is then ``unknown``.

    Raises
    ------
    RecordsError
        When any file has an error; ``problems`` lists all of all files.
    ArgumentError
        When nothing was given, or a date or the rule body is not valid.
    """
    court(rule_body)
    start = _day("season_start", season_start)
    end = _day("season_end", season_end)
    if practice is None and games is None:
        raise ArgumentError(
            "neither practice nor games was given",
            rule="there is at least one table of attempts",
            next_step="pass practice=FILE, games=FILE or both",
        )
    given = {"practice": practice, "games": games, "roster": roster, "drills": drills}
    problems = Problems()
    checked: dict[str, Checked] = {}
    for name, source in given.items():
        raw = None if source is None else load_table(source, name, problems)
        if raw is not None:
            checked[name] = check_table(raw, TABLES[name], problems)
    del raw  # its texts are read; a large table is held once
    names = settings.split(",") if isinstance(settings, str) else settings
    contest_needed = "contest" in [name.strip() for name in names]
    frames = _apply_rules(checked, start, end, rule_body, problems, contest_needed)
    problems.raise_errors()
    sources = tuple(
        {
            "table": name,
            "file": table.raw.place[0],
            "sheet": table.raw.place[1],
            "rows": table.raw.n,
            "sha256": table.raw.sha256,
        }
        for name, table in checked.items()
    )
    return Records(
        frames.get("practice"),
        frames.get("games"),
        frames.get("roster"),
        frames.get("drills"),
        problems.sorted(),
        hash_records(frames),
        sources,
        rule_body,
        start,
        end,
    )


def _apply_rules(
    checked: dict[str, Checked],
    start: datetime.date | None,
    end: datetime.date | None,
    rule_body: str,
    problems: Problems,
    contest_needed: bool,
) -> dict[str, pd.DataFrame]:
    """Rules in and between tables, then the canonical frames."""
    drills = checked.get("drills")
    people = {name: table for name, table in checked.items() if name != "drills"}
    if "games" in people:
        warn_mixing(people["games"], problems)
    for name in ("program", "season"):
        settle_codes(people, name, problems)
        warn_unmatched(people, name, problems)
    if "practice" in checked:
        fill_from_drills(checked["practice"], drills, problems, contest_needed=contest_needed)
        count_unknown(checked["practice"], problems)
    frames: dict[str, pd.DataFrame] = {}
    for name, table in checked.items():
        check_duplicates(table, problems)
        if name in {"practice", "games"}:
            check_dates(table, start, end, problems)
            check_counts(table, problems)
            check_sets(table, problems)
            fill_distances(table, rule_body, problems)
            frames[name] = canonical(table, problems)
        else:
            frames[name] = plain_frame(table)
    check_players(people, problems)
    return frames


def _day(argument: str, value: datetime.date | str | None) -> datetime.date | None:
    if value is None or (isinstance(value, datetime.date) and not isinstance(value, str)):
        return value.date() if isinstance(value, datetime.datetime) else value
    try:
        return datetime.date.fromisoformat(str(value))
    except ValueError:
        raise ArgumentError(
            f"{argument}={value!r} is not a date",
            rule="a date is written year-month-day",
            next_step=f"pass {argument}='2026-03-15', for example",
        ) from None


#: Other endings of the three kinds of files that are read.
_ALIASES = {".txt": ".csv", ".tsv": ".csv", ".pq": ".parquet", ".xlsm": ".xlsx"}


def load_table(source: Any, table: str, problems: Problems) -> RawTable | None:
    """Cells of one input, whatever its kind; None when nothing could be read.

    Parameters
    ----------
    source : path or DataFrame
        CSV, Parquet, ``.xlsx`` or a table in memory.
    table : str
        Name of the table wanted.
    problems : Problems
        Takes what is found.
    """
    if isinstance(source, pd.DataFrame):
        return from_frame(source, f"{table} (data frame)")
    path = Path(source)
    place = (path.name, "")
    ending = path.suffix.lower()
    ending = _ALIASES.get(ending, ending)
    try:
        data = within_limits(path, ending == ".csv", problems)
    except OSError as error:
        problems.add(
            place,
            f"the file cannot be opened ({error.strerror or type(error).__name__})",
            "check the name, the folder and the right to read it",
        )
        return None
    if data is None:
        return None
    if not data:
        problems.add(place, "the file is empty", "export the table again, header row included")
        return None
    readers: dict[str, Callable[[], RawTable | None]] = {
        ".csv": lambda: from_text(data, path.name, problems),
        ".parquet": lambda: from_parquet(data, path.name, problems),
        ".xlsx": lambda: from_workbook(data, path.name, table, problems),
    }
    reader = readers.get(ending)
    if reader is None:
        problems.add(
            place,
            f"a file ending in {ending or 'nothing'} is not read",
            "save the table as .csv (UTF-8), .parquet or .xlsx",
        )
        return None
    return reader()
