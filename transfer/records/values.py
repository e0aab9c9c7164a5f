"""Texts to values, one distinct text at a time: dates, counts, numbers, levels, codes."""

from __future__ import annotations

import datetime
import re
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from transfer.records.exports import restored_cell
from transfer.records.problems import Problems, nearest
from transfer.records.raw import REPORTED, RawColumn, RawTable
from transfer.records.schema import Column

__all__ = ["BLANKS", "PEOPLE", "Parsed", "is_name_like", "masked", "parse_column"]

#: Texts that mean "nothing charted" (lower case). "none" is not among them: it is a contest.
BLANKS = frozenset({"", "na", "n/a", "#n/a", "nan", "null", "<na>", "nat"})

#: Different refused texts of one column listed one by one before the rest is summed up.
_DISTINCT = 100

#: Longest code that problems repeat, characters: three with two slashes fit into one value.
_LONGEST_SHOWN = 19

#: Columns of people's codes.
PEOPLE = ("player", "defender", "charter")

#: A year outside is a slip of the pen, not a season.
_YEARS = (1900, 2100)

_WHOLE = re.compile(r"\+?\d+(\.0*)?")
_COUNT = re.compile(r"\+?\d{1,15}(\.0*)?")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_ISO = re.compile(r"(\d{4})-(\d{2})-(\d{2})(?:[T ]00:00(?::00(?:\.0+)?)?)?")
_WORD = r"[^\W\d_](?:[^\W\d_]|['’\-])+"
_NAME = re.compile(rf"{_WORD}[.,]? (?:[^\W\d_]\.? )?{_WORD}")

_TRUE = frozenset({"1", "true", "yes", "1.0", "y", "t"})
_FALSE = frozenset({"0", "false", "no", "0.0", "n", "f"})


class RefusedError(Exception):
    """A text that breaks its column's rule; `cause` is the rule without the value."""

    def __init__(self, rule: str, next_step: str, cause: str = "") -> None:
        self.rule = rule
        self.next_step = next_step
        self.cause = cause or rule
        super().__init__(rule)


@dataclass
class Parsed:
    """One column after parsing.

    Parameters
    ----------
    codes : int array, shape (N,)
        Into `values`; -1 blank or refused.
    values : list
        Distinct parsed values (str, int, float or date).
    bad : bool array, shape (N,)
        Rows whose text was refused, so that no second rule complains about them.
    """

    codes: np.ndarray
    values: list[object]
    bad: np.ndarray

    def numbers(self) -> np.ndarray:
        """Values as floats, NaN where blank, shape (N,)."""
        table = np.append(np.asarray(self.values, dtype=float), np.nan)
        return table[self.codes]

    def days(self) -> np.ndarray:
        """Dates as ``datetime64[D]``, NaT where blank, shape (N,)."""
        table = np.array([*self.values, None], dtype="datetime64[D]")
        return table[self.codes]

    def labels(self) -> np.ndarray:
        """Values as objects, empty text where blank, shape (N,)."""
        table = np.array([*self.values, ""], dtype=object)
        return table[self.codes]


def _date(text: str, column: Column) -> datetime.date:
    match = _ISO.fullmatch(text)
    if re.fullmatch(r"\d{5}", text):
        raise RefusedError(
            "a date is written year-month-day, as in 2025-11-03",
            "this looks like a spreadsheet's day number: format the column as a date",
        )
    if not match:
        raise RefusedError(
            "a date is written year-month-day, as in 2025-11-03",
            "rewrite the date; day-first and month-first dates cannot be told apart",
        )
    year, month, day = (int(part) for part in match.groups())
    try:
        date = datetime.date(year, month, day)
    except ValueError:
        raise RefusedError(
            f"there is no such day: year {year}, month {month}, day {day}",
            "check the order year-month-day and the day of the month",
            "there is no such day",
        ) from None
    if not _YEARS[0] <= year <= _YEARS[1]:
        raise RefusedError(f"a date lies between {_YEARS[0]} and {_YEARS[1]}", "correct the year")
    return date


def _count(text: str, column: Column) -> int:
    if _COUNT.fullmatch(text):
        return int(_limited(float(text), column))
    if _NUMBER.fullmatch(text):
        if _WHOLE.fullmatch(text):
            _limited(float(text), column)
            raise RefusedError("a count has at most 15 digits", "correct it; it is too large")
        what = "negative" if text.startswith("-") else "fractional"
        raise RefusedError("a count is a whole number, 0 or more", f"correct the {what} count")
    raise RefusedError(
        "a count is a whole number in digits, 0 or more",
        "write digits only, without words, units or thousands separators",
    )


def _number(text: str, column: Column) -> float:
    if not _NUMBER.fullmatch(text):
        raise RefusedError(
            "a number is written in digits with a decimal point", _number_step(text, column)
        )
    return _limited(float(text), column)


def _number_step(text: str, column: Column) -> str:
    """Advise the decimal point where a comma was meant as one, as far as the limits tell."""
    if re.fullmatch(r"[+-]?\d+,\d+", text):
        pointed = text.replace(",", ".")
        try:
            _limited(float(pointed), column)
        except RefusedError:
            return "write a decimal point, and no separator between thousands"
        return f"write {pointed}"
    return "write the number without unit or word"


def _limited(number: float, column: Column) -> float:
    low, high = column.low, column.high
    if (low is not None and number < low) or (high is not None and number > high):
        unit = f" {column.unit}" if column.unit else ""
        span = f"{low:g} or more" if high is None else f"between {low:g} and {high:g}"
        raise RefusedError(f"{column.name} is {span}{unit}", "correct the number or its unit")
    return number


def _level(text: str, column: Column) -> str:
    wanted = re.sub(r"[\s\-]+", "_", text.lower())
    if set(column.levels) == {"yes", "no"} and wanted in _TRUE | _FALSE:
        return "yes" if wanted in _TRUE else "no"
    if wanted in column.levels:
        return wanted
    guess = nearest(text, column.levels)
    # Slips of the pen keep the first letter; "tight" is not meant for "light".
    meant = guess and (guess[0] == wanted[0] or wanted[0].isdigit())
    raise RefusedError(
        f"{column.name} is one of {', '.join(column.levels)}",
        f"did you mean {guess!r}?" if meant else "use one of the levels",
    )


def _flag(text: str, column: Column) -> int:
    low = text.lower()
    if low in _TRUE:
        return 1
    if low in _FALSE:
        return 0
    raise RefusedError(
        f"{column.name} is 1 or 0 (true/false, yes/no)", "write 1 for made, 0 for missed"
    )


def _text(text: str, column: Column) -> str:
    text = restored_cell(text)
    if "\n" in text or len(text) > 200:
        if column.name == "description":
            return text
        raise RefusedError(
            "a code or label is one short line",
            "look for a quotation mark that is not closed, or shorten the label",
        )
    if column.name in {"player", "program"} and "/" in text:
        raise RefusedError(f"a {column.name} code holds no '/'", "use another sign, such as '-'")
    return text


_PARSERS: dict[str, Callable[[str, Column], object]] = {
    "date": _date,
    "count": _count,
    "number": _number,
    "level": _level,
    "flag": _flag,
    "text": _text,
}


def is_name_like(text: str) -> bool:
    """Whether a cell looks like a person's first and last name rather than a code."""
    words = text.replace(",", " ").split()
    return bool(_NAME.fullmatch(text)) and all(word[:1].isupper() for word in words)


def masked(text: str) -> str:
    """A code whole, or nothing of it: names and cells too long for a code are not repeated."""
    if any(is_name_like(part.strip()) for part in re.split(r"[/\n;]", text)):
        return "(a name, not shown)"
    if len(text) > _LONGEST_SHOWN:
        return f"({len(text):,} characters, not shown)"
    return text


def parse_column(raw: RawTable, column: Column, cells: RawColumn, problems: Problems) -> Parsed:
    """Parse the distinct texts of a column; report every row of a refused one.

    Values stand in the order in which the file has them first; a row of a refused text is bad.
    """
    parser = _PARSERS[column.type]
    values: list[object] = []
    index: dict[object, int] = {}
    recode = np.full(len(cells.values) + 1, -1, dtype=np.int32)
    refusals: dict[int, RefusedError | None] = {}
    for code, original in enumerate(cells.values):
        text = original.strip()
        if text.lower() in BLANKS:
            continue
        if original == REPORTED:
            refusals[code] = None
            continue
        try:
            value = parser(text, column)
        except RefusedError as error:
            refusals[code] = error
            continue
        recode[code] = index.setdefault(value, len(values))
        if recode[code] == len(values):
            values.append(value)
    bad = _report_refusals(raw, column, cells, refusals, problems)
    _note_text_numbers(raw, column, cells, problems)
    return Parsed(recode[cells.codes], values, bad)


def _report_refusals(
    raw: RawTable,
    column: Column,
    cells: RawColumn,
    refusals: dict[int, RefusedError | None],
    problems: Problems,
) -> np.ndarray:
    """Report the refused texts row by row; return which rows hold one, shape (N,)."""
    if not refusals:
        return np.zeros(len(cells.codes), dtype=bool)
    order = np.argsort(cells.codes, kind="stable")
    ranked = cells.codes[order]
    by_cause: dict[str, list[tuple[int, RefusedError]]] = {}
    for code, error in refusals.items():
        if error is not None:
            by_cause.setdefault(error.cause, []).append((code, error))
    shown: Callable[[str], str] = masked if column.name in PEOPLE else str
    for cause, told in by_cause.items():
        for code, error in told[:_DISTINCT]:
            positions = order[
                np.searchsorted(ranked, code) : np.searchsorted(ranked, code, side="right")
            ]
            problems.add_rows(
                raw.place,
                raw.row_numbers(positions),
                error.rule,
                error.next_step,
                column=column.name,
                value=shown(cells.values[code]),
                cause=cause,
            )
        rest = [code for code, _ in told[_DISTINCT:]]
        if rest:
            positions = np.flatnonzero(np.isin(cells.codes, rest))
            first, last = raw.row_numbers(positions[[0, -1]])
            problems.add(
                raw.place,
                f"{len(rest)} more different values of {column.name} were refused, in "
                f"{len(positions)} rows, {first} to {last}",
                told[_DISTINCT][1].next_step,
                row=first,
                column=column.name,
                value=shown(cells.values[rest[0]]),
                count=len(positions),
                cause=cause,
            )
    return np.isin(cells.codes, list(refusals))


def _note_text_numbers(raw: RawTable, column: Column, cells: RawColumn, problems: Problems) -> None:
    """Worksheet cells that hold digits as text are read, and said."""
    if column.type not in {"count", "number"} or not cells.held_as_text:
        return
    held = [code for code, text in enumerate(cells.values) if text in cells.held_as_text]
    numeric = [code for code in held if _NUMBER.fullmatch(cells.values[code].strip())]
    if not numeric:
        return
    rows = raw.row_numbers(np.flatnonzero(np.isin(cells.codes, numeric)))
    problems.add(
        raw.place,
        f"{len(rows)} cells hold numbers as text; they were read as numbers",
        "format the column as numbers",
        row=rows[0],
        column=column.name,
        value=cells.values[numeric[0]],
        severity="note",
    )
