"""Days in an owner's spelling: the order of day and month is found from all dates, or asked for.

10/3 is the tenth of March or the third of October. One date whose first or second number is above
12 settles it for a file; without one nothing is guessed.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable

__all__ = ["DAY_FIRST", "MONTH_FIRST", "ORDERS", "YEAR_FIRST", "day_of", "order_of"]

YEAR_FIRST = "year-month-day"
MONTH_FIRST = "month-day-year"
DAY_FIRST = "day-month-year"
ORDERS = (YEAR_FIRST, MONTH_FIRST, DAY_FIRST)

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_NAME = rf"({'|'.join(_MONTHS)})[a-z]*"
_YEAR = r"(?:[\s,./-]+'?(\d{4}|\d{2}))?"
_TIME = re.compile(
    r"[\sT,]+\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?\s*(?:[ap]\.?m\.?)?(?:Z|[+-]\d\d:?\d\d)?$", re.I
)
_ISO = re.compile(r"(?<!\d)(\d{4})([-/.]?)(\d{1,2})\2(\d{1,2})(?!\d)")
_NUMBERS = re.compile(
    r"(?<!\d)(?<!\d[-/.])(\d{1,2})([-/.])(\d{1,2})(?:\2'?(\d{4}|\d{2}))?(?![-/.]?\d)"
)
_DAY_NAMED = re.compile(rf"(?<!\d)(\d{{1,2}})(?:st|nd|rd|th)?[\s.-]*{_NAME}\b\.?{_YEAR}", re.I)
_NAMED_DAY = re.compile(rf"\b{_NAME}\.?[\s-]*(\d{{1,2}})(?:st|nd|rd|th)?(?!\d){_YEAR}", re.I)
_FULL = re.compile(r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*[\s,.]*)?", re.I)

#: Year (0 where none stands), first and second number, and their order if the text itself tells.
Parts = tuple[int, int, int, str]


def _parts(text: str) -> tuple[Parts, tuple[int, int]] | None:
    """The first date in a text and where it stands; its order is empty where it is open."""
    if found := _ISO.search(text):
        year, _, month, day = found.groups()
        return (int(year), int(month), int(day), YEAR_FIRST), found.span()
    spelt = [
        (found, month_leads)
        for pattern, month_leads in ((_DAY_NAMED, False), (_NAMED_DAY, True))
        if (found := pattern.search(text)) is not None
    ]
    if spelt:
        lengths = [found.end() - found.start() for found, _ in spelt]
        if len(spelt) == 2 and lengths[0] == lengths[1]:
            return None  # "2 Nov 3": a number before and after, either may be the day
        found, month_leads = spelt[lengths.index(max(lengths))]
        one, two, year = found.groups()
        month, day = (one, two) if month_leads else (two, one)
        number = _MONTHS.index(month.lower()[:3]) + 1
        return (_full_year(year), number, int(day), MONTH_FIRST), found.span()
    if found := _NUMBERS.search(text):
        one, _, two, year = found.groups()
        return (_full_year(year), int(one), int(two), ""), found.span()
    return None


def _full_year(text: str | None) -> int:
    if not text:
        return 0
    return int(text) + (2000 if len(text) == 2 else 0)


def order_of(texts: Iterable[str]) -> tuple[str, str]:
    """Order of day, month and year that the dates of a file agree on.

    Parameters
    ----------
    texts : iterable of str
        Distinct dates as they stand.

    Returns
    -------
    (str, str)
        One of `ORDERS`, or an empty text where the dates do not tell; and the date that told, or
        the two that contradict each other.
    """
    day_first = month_first = open_date = ""
    read = False
    for text in texts:
        found = _parts(_TIME.sub("", text.strip()))
        if found is None:
            continue
        _, first, second, order = found[0]
        read = True
        if order:
            continue
        if first > 12 >= second:
            day_first = day_first or text
        elif second > 12 >= first:
            month_first = month_first or text
        elif first != second:
            open_date = open_date or text
    if day_first and month_first:
        return "", f"{day_first} and {month_first} contradict each other"
    if day_first or month_first:
        return (DAY_FIRST, day_first) if day_first else (MONTH_FIRST, month_first)
    if open_date or not read:
        return "", open_date
    return YEAR_FIRST, ""


def day_of(
    text: str,
    order: str,
    season_start: datetime.date | None = None,
    *,
    inside: bool = False,
) -> datetime.date | None:
    """The day a text names, or None.

    Parameters
    ----------
    text : str
        A cell, or the name of a sheet or file.
    order : str
        One of `ORDERS`; how a date in numbers is read that does not begin with its year.
    season_start : date, optional
        A date without a year is the first such day on or after this one.
    inside : bool
        Whether other words may stand around the date, as in a sheet's name.
    """
    trimmed = _TIME.sub("", text.strip())
    found = _parts(trimmed)
    if found is None:
        return None
    (year, first, second, own_order), (start, end) = found
    rest = (trimmed[:start] + trimmed[end:]).strip(" ,.")
    if not inside and not (_FULL.fullmatch(rest) or _FULL.fullmatch(rest + " ")):
        return None
    if not own_order and order == YEAR_FIRST:
        return None
    day_leads = not own_order and order == DAY_FIRST
    month, day = (second, first) if day_leads else (first, second)
    if year:
        return _day(year, month, day)
    if season_start is None:
        return None
    for later in (season_start.year, season_start.year + 1):
        named = _day(later, month, day)
        if named is not None and named >= season_start:
            return named
    return None


def has_year(text: str) -> bool:
    """Whether a date in the text names its year (True where there is no date)."""
    found = _parts(_TIME.sub("", text.strip()))
    return found is None or found[0][0] > 0


def _day(year: int, month: int, day: int) -> datetime.date | None:
    try:
        return datetime.date(year, month, day) if 1900 <= year <= 2100 else None
    except ValueError:
        return None
