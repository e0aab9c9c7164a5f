"""Headers against the schema: forgiven spellings, duplicates, missing and unknown columns."""

from __future__ import annotations

import re

from transfer.records.problems import Problems, nearest
from transfer.records.raw import RawColumn, RawTable
from transfer.records.schema import Table

__all__ = ["NAME_HEADERS", "match_headers"]

#: Headers that announce names of people; such columns are left unread.
NAME_HEADERS = frozenset(
    [
        "name",
        "first_name",
        "last_name",
        "firstname",
        "lastname",
        "surname",
        "family_name",
        "given_name",
        "full_name",
        "fullname",
        "player_name",
        "playername",
        "nickname",
        "athlete_name",
        "student_name",
        "email",
        "phone",
    ]
)


#: Unknown columns without a likely meaning that get a note of their own; the rest share one.
_NAMED = 12


_UNREAD = "columns are not known and are not read"


def normal_header(header: str) -> str:
    """Lower case with underscores, as in the schema."""
    return re.sub(r"[\s\-]+", "_", header.strip().lstrip("\ufeff").lower())


def match_headers(raw: RawTable, table: Table, problems: Problems) -> dict[str, RawColumn]:
    """Assign a file's columns to the schema's.

    Returns
    -------
    dict of str to RawColumn
        By schema name; unknown columns are left out with a warning.
    """
    found: dict[str, RawColumn] = {}
    unknown: list[str] = []
    seen: set[str] = set()
    for column in raw.columns:
        name = normal_header(column.header)
        if name in seen and name:
            problems.add(
                raw.place,
                f"the header {name!r} stands more than once",
                "keep one of the columns, or rename the other",
                row=1,
                column=column.header,
                cause="a header stands more than once",
            )
        elif name in table.names:
            found[name] = column
        else:
            unknown.append(column.header)
        seen.add(name)
    missing = _missing(found, table)
    close = _guesses(missing, [normal_header(header) for header in unknown])
    _report_missing(raw, table, missing, close, problems)
    others = [header for header in unknown if normal_header(header) not in close.values()]
    free = [name for name in table.names if name not in found]
    unguessed = [header for header in others if not _report_meant(raw, free, header, problems)]
    _report_unknown(raw, unguessed, problems)
    return found


def _missing(found: dict[str, RawColumn], table: Table) -> list[str]:
    """Required columns the file lacks (``or_drill`` ones are judged after the drills)."""
    missing = [
        column.name
        for column in table.columns
        if column.required == "yes" and column.name not in found
    ]
    counts = [column.name for column in table.columns if column.required == "counts"]
    if counts and "made" not in found:
        missing += [name for name in counts if name not in found]
    return missing


def _guesses(missing: list[str], unknown: list[str]) -> dict[str, str]:
    """For each missing column the unknown header that may be meant; none is meant twice."""
    guesses: dict[str, str] = {}
    for want in missing:
        guesses[want] = nearest(want, [name for name in unknown if name not in guesses.values()])
    return guesses


def _report_missing(
    raw: RawTable, table: Table, missing: list[str], close: dict[str, str], problems: Problems
) -> None:
    present = ", ".join(column.header for column in raw.columns[: 4 * _NAMED])
    for want in missing:
        guess = close[want]
        step = f"rename {guess!r} to {want!r}" if guess else f"add the column {want!r}"
        counts = [column.name for column in table.columns if column.required == "counts"]
        if want in counts and not guess and missing[-len(counts) :] == counts:
            step += ", or chart one row per attempt with a column 'made'"
        problems.add(
            raw.place,
            f"the column {want!r} is missing",
            step,
            row=1,
            column=want,
            value=present,
            cause="a column that is needed is missing",
        )


def _report_meant(raw: RawTable, free: list[str], header: str, problems: Problems) -> bool:
    """Report an unknown column that holds names or is spelt like a free one; whether it is."""
    name = normal_header(header)
    if name in NAME_HEADERS:
        problems.add(
            raw.place,
            "the header announces names or contacts of people; the column is not read",
            "keep codes only, and the key to the codes in another place",
            row=1,
            column=header,
            severity="warning",
        )
        return True
    guess = nearest(name, free) if name else ""
    if guess:
        problems.add(
            raw.place,
            "the column is not known and is not read",
            f"rename it to {guess!r} if that is meant",
            row=1,
            column=header,
            severity="warning",
        )
    return bool(guess)


def _report_unknown(raw: RawTable, headers: list[str], problems: Problems) -> None:
    """Note columns that no known one is meant by; a crowd of them is one note."""
    named = headers if len(headers) <= _NAMED else headers[: _NAMED - 1]
    for header in named:
        problems.add(
            raw.place,
            "the column is not known and is not read",
            "nothing, if it is not needed",
            row=1,
            column=header,
            severity="note",
            cause=_UNREAD,
        )
    if len(named) < len(headers):
        problems.add(
            raw.place,
            f"{len(headers) - len(named):,} more columns are not known and are not read",
            "nothing, if they are not needed",
            row=1,
            column=headers[len(named)],
            severity="note",
            count=len(headers) - len(named),
            cause=_UNREAD,
        )
