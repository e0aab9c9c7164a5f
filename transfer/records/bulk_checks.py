"""Counted files through the rules of small files: season, labels, drill defaults, distances."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from transfer.records.attempts import fill_distances
from transfer.records.bulk_read import Part
from transfer.records.checked import Checked, encode_numbers
from transfer.records.crosschecks import settle_codes
from transfer.records.problems import LISTED, Problems, Severity
from transfer.records.raw import REPORTED, RawTable
from transfer.records.rules import check_duplicates, check_table, fill_from_drills
from transfer.records.schema import TABLES
from transfer.records.values import Parsed

__all__ = ["CountedTable", "check_labels", "check_season", "counted_table", "read_drills"]


@dataclass
class CountedTable(Checked):
    """A counted file that the rules of small files can judge: its rows stand for many.

    Parameters
    ----------
    rows : int array, shape (G,)
        How many rows of the file each counted row stands for.
    """

    rows: np.ndarray

    def report(
        self,
        rows: np.ndarray,
        rule: str,
        next_step: str,
        problems: Problems,
        *,
        column: str = "",
        value: Callable[[int], object] | str = "",
        severity: Severity = "error",
    ) -> None:
        """Report a broken rule once per value, with the number of rows in the file."""
        at = np.flatnonzero(rows) if rows.dtype == bool else rows
        counts: dict[str, int] = {}
        for i in at:
            text = str(value(int(i))) if callable(value) else value
            counts[text] = counts.get(text, 0) + int(self.rows[i])
        told = list(counts.items())
        for text, count in told[:LISTED]:
            shown = f"{text}, {count:,} rows" if text else f"{count:,} rows"
            problems.add(
                self.raw.place, rule, next_step, column=column, value=shown, severity=severity
            )
        if rest := told[LISTED:]:
            problems.add(
                self.raw.place, f"{rule} (in {len(rest)} more values)", next_step, column=column,
                value=f"{sum(count for _, count in rest):,} rows", severity=severity,
            )  # fmt: skip


def counted_table(part: Part, table: pd.DataFrame) -> CountedTable:
    """Labels of a counted file in the form that the rules of small files take.

    Parameters
    ----------
    part : Part
        What the file was counted by.
    table : DataFrame
        From `transfer.records.bulk_count.count_file`.
    """
    spec = TABLES[part.table]
    wanted = {*table.columns, *part.settings, "program", "season", "distance_ft"}
    if part.distance:  # a drill may supply the spot that its rows do not carry
        wanted.add("spot")
    narrow = replace(spec, columns=tuple(c for c in spec.columns if c.name in wanted))
    raw = RawTable((part.path.name, ""), [], len(table), lambda at: [0] * len(at), "")
    columns = {}
    for name in table.columns:
        if isinstance(table[name].dtype, pd.CategoricalDtype):
            labels = table[name].cat.categories
            codes = table[name].cat.codes.to_numpy().astype(np.int64)
            bad = codes == (labels.get_loc(REPORTED) if REPORTED in labels else -2)
            # A mark for refused texts sorts first, so that leaving it out shifts all codes.
            shift = int(REPORTED in labels)
            columns[name] = Parsed(np.where(codes < 0, -1, codes - shift),
                                   [str(v) for v in labels[shift:]], bad)  # fmt: skip
    if "known" in table:
        columns["distance_ft"] = encode_numbers(table["distance_ft"].to_numpy())
    return CountedTable(raw, narrow, columns, table["rows"].to_numpy())


def read_drills(raw: RawTable, problems: Problems) -> Checked:
    """Check the drills table by the rules of small files.

    Parameters
    ----------
    raw : RawTable
        Its cells.
    problems : Problems
        Collector.
    """
    drills = check_table(raw, TABLES["drills"], problems)
    check_duplicates(drills, problems)
    return drills


def check_season(
    table: pd.DataFrame,
    part: Part,
    start: datetime.date | None,
    end: datetime.date | None,
    problems: Problems,
) -> None:
    """Attempts must lie inside the season.

    Parameters
    ----------
    table : DataFrame
        A counted file.
    part : Part
        Whose name problems show.
    start, end : date or None
        Limits of the season.
    problems : Problems
        Collector.
    """
    place = (part.path.name, "")
    first, last = table["first"].min(), table["last"].max()
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


def check_labels(
    tables: Mapping[Part, CountedTable],
    drills: Checked | None,
    rule_body: str,
    problems: Problems,
) -> None:
    """Settle program and season, fill in drill defaults and distances; tables change in place.

    Parameters
    ----------
    tables : mapping of Part to CountedTable
        All files.
    drills : Checked or None
        The drills table, if there is one.
    rule_body : str
        Court whose geometry turns spots into distances.
    problems : Problems
        Collector.
    """
    files: dict[str, Checked] = {f"{p.table} {p.path}": c for p, c in tables.items()}
    for name in ("program", "season"):
        settle_codes(files, name, problems)
    for part, c in tables.items():
        if part.table == "practice" and drills is not None:
            fill_from_drills(c, drills, problems)
        elif part.table == "practice":
            _require_settings(c, part, problems)
        if part.distance:
            # How far a spot lies from a charted distance cannot be told from a mean.
            found = Problems()
            fill_distances(c, rule_body, found)
            problems.found.extend(found.errors)


def _require_settings(c: CountedTable, part: Part, problems: Problems) -> None:
    """Without drill defaults, mode and contest stand in every row."""
    for column in c.table.columns:
        if column.name in part.settings and column.required == "or_drill":
            parsed = c.get(column.name)
            c.report(
                (parsed.codes < 0) & ~parsed.bad, f"{column.name} is needed in every row",
                f"fill in {column.name}", problems, column=column.name,
            )  # fmt: skip
