"""Problems found in record files: where, what, which rule, what to do next.

All problems of all files are gathered before anything is refused, so that a person mends a
season's files in one go. Errors refuse the records; warnings and notes travel with them.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, field, fields
from typing import Literal

import pandas as pd

from transfer.errors import RecordsError

__all__ = ["Problem", "Problems", "nearest", "problem_table"]

Severity = Literal["error", "warning", "note"]
_ORDER = {"error": 0, "warning": 1, "note": 2}

#: Equal problems (same value, same rule) listed one by one before they are summed up.
LISTED = 20


@dataclass(frozen=True)
class Problem:
    """One problem of one cell, row, column or file.

    Parameters
    ----------
    file : str
        File name (no folder), or the name of the data frame.
    sheet : str
        Sheet of a workbook, else empty.
    row : int or None
        Line of the text file or row of the sheet as a person sees it (the header is row 1);
        None when the problem is the file's or the column's.
    column : str
        Header, or empty.
    value : str
        What stood there, shortened.
    rule : str
        The rule that was broken.
    next_step : str
        What the person can do.
    severity : {"error", "warning", "note"}
        Only errors refuse the records.
    count : int
        How many places this entry stands for; above 1 it sums up those not listed one by one.
    cause : str
        What problems of one cause share, as a sentence: the rule without the value or row.
    """

    file: str
    sheet: str
    row: int | None
    column: str
    value: str
    rule: str
    next_step: str
    severity: Severity = "error"
    count: int = 1
    cause: str = ""

    def to_dict(self) -> dict[str, object]:
        """Return plain values."""
        return dict(asdict(self))


@dataclass
class Problems:
    """The collector that reading and checking write to."""

    found: list[Problem] = field(default_factory=list)

    def add(
        self,
        place: tuple[str, str],
        rule: str,
        next_step: str,
        *,
        row: int | None = None,
        column: str = "",
        value: object = "",
        severity: Severity = "error",
        count: int = 1,
        cause: str = "",
    ) -> None:
        """Note one problem; `place` is (file, sheet), `cause` the rule unless it is given."""
        self.found.append(
            Problem(
                *place, row, column, _short(value), rule, next_step, severity, count, cause or rule
            )
        )

    def add_rows(
        self,
        place: tuple[str, str],
        rows: Sequence[int],
        rule: str,
        next_step: str,
        *,
        column: str = "",
        value: object = "",
        severity: Severity = "error",
        cause: str = "",
    ) -> None:
        """Note the same problem for many rows: the first ones by row, the rest summed up."""
        cause = cause or rule
        for row in rows[:LISTED]:
            self.add(
                place,
                rule,
                next_step,
                row=row,
                column=column,
                value=value,
                severity=severity,
                cause=cause,
            )
        rest = rows[LISTED:]
        if len(rest):
            self.add(
                place,
                f"{rule} (the same in {len(rest)} more rows, {rest[0]} to {rest[-1]})",
                next_step,
                row=rest[0],
                column=column,
                value=value,
                severity=severity,
                count=len(rest),
                cause=cause,
            )

    @property
    def errors(self) -> list[Problem]:
        """Only the problems that refuse the records."""
        return [problem for problem in self.found if problem.severity == "error"]

    def sorted(self) -> tuple[Problem, ...]:
        """Errors first, then by file, sheet, row and column."""
        return tuple(
            sorted(
                self.found,
                key=lambda problem: (
                    _ORDER[problem.severity],
                    problem.file,
                    problem.sheet,
                    problem.row or 0,
                    problem.column,
                    problem.rule,
                ),
            )
        )

    def raise_errors(self) -> None:
        """Refuse the records when there is an error.

        Raises
        ------
        RecordsError
            With every problem, warnings and notes included, errors first.
        """
        errors = self.errors
        if not errors:
            return
        files = sorted({problem.file for problem in errors})
        total = sum(problem.count for problem in errors)
        raise RecordsError(
            f"{total:,} {'problem' if total == 1 else 'problems'} in "
            f"{len(files)} {'file' if len(files) == 1 else 'files'}: {', '.join(files)}",
            tuple(problem.to_dict() for problem in self.sorted()),
            rule="records are read whole or not at all",
            next_step="mend what is listed, then read again; nothing was written",
        )


def _short(value: object, limit: int = 60) -> str:
    text = "" if value is None else str(value)
    return text if len(text) <= limit else text[: limit - 1] + "…"


def nearest(value: str, known: Iterable[str]) -> str:
    """The known label closest to a value, or an empty string when none is close.

    Parameters
    ----------
    value : str
        What was written.
    known : iterable of str
        The accepted labels.
    """
    wanted = value.strip().lower().replace(" ", "_").replace("-", "_")
    wanted = wanted.replace("1_", "one_").replace("2_", "two_")  # 1_foot is closer to one_foot
    labels = list(known)
    if wanted in labels:
        return wanted
    found = difflib.get_close_matches(value.strip().lower(), labels, n=1, cutoff=0.6)
    found = difflib.get_close_matches(wanted, labels, n=1, cutoff=0.6) or found
    return found[0] if found else ""


def problem_table(problems: Iterable[Problem]) -> pd.DataFrame:
    """Problems as a table with one row each (the data-quality table).

    Returns
    -------
    DataFrame
        Columns file, sheet, row (nullable integer), column, value, rule, next_step, severity,
        count, cause; see `Problem`.
    """
    columns = [part.name for part in fields(Problem)]
    table = pd.DataFrame([problem.to_dict() for problem in problems], columns=columns)
    table["row"] = table["row"].astype("Int64")
    return table
