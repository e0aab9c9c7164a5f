"""What a page is about and what made it, in one line that every page has."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable
from typing import TYPE_CHECKING

from transfer.provenance import package_versions

if TYPE_CHECKING:
    from transfer.records.reading import Records

__all__ = ["days_of", "stamp_line"]


def stamp_line(
    programs: Iterable[str] = (),
    seasons: Iterable[str] = (),
    days: tuple[str, str] | None = None,
    *,
    what: str = "records",
    printed: str = "",
    version: str = "",
    seed: int | None = None,
) -> str:
    """Program, season, days, day of printing, version and seed; what is not known is left out.

    Parameters
    ----------
    programs, seasons : iterable of str
        Labels; more than three are counted.
    days : (str, str), optional
        First and last day.
    what : str
        What these are the days of.
    printed : str
        Day on which the page is made; today when empty.
    version : str
        Of this package; the one that runs when empty.
    seed : int, optional

    Returns
    -------
    str
    """
    parts = [
        _named("program", programs),
        _named("season", seasons),
        "" if days is None else f"{what} from {days[0]} to {days[1]}",
        f"printed {printed or dt.date.today().isoformat()}",
        f"version {version or package_versions()['practice-transfer']}",
        "" if seed is None else f"seed {seed}",
    ]
    line = "; ".join(part for part in parts if part)
    return f"{line[:1].upper()}{line[1:]}."


def days_of(records: Records) -> tuple[str, str]:
    """First and last day of practice and games."""
    dates = [frame["date"] for frame in (records.practice, records.games) if frame is not None]
    first, last = min(d.min() for d in dates), max(d.max() for d in dates)
    return f"{first:%Y-%m-%d}", f"{last:%Y-%m-%d}"


def _named(what: str, labels: Iterable[str]) -> str:
    """Up to three labels, the number of more; nothing where none was charted."""
    known = sorted(set(labels) - {""})
    if len(known) > 3:
        return f"{len(known)} {what}s"
    return f"{what} {', '.join(known)}" if known else ""
