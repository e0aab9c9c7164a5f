"""Rules inside one table: blanks, counts that fit together, dates, duplicates, look of codes."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np

from transfer.records.checked import Checked, combined_codes, group_codes, relabel
from transfer.records.headers import match_headers
from transfer.records.problems import Problems, nearest
from transfer.records.raw import RawTable
from transfer.records.schema import UNKNOWN, Table
from transfer.records.values import PEOPLE, Parsed, is_name_like, masked, parse_column

__all__ = [
    "check_counts",
    "check_dates",
    "check_duplicates",
    "check_table",
    "count_unknown",
    "fill_from_drills",
    "is_attempt_form",
]


def is_attempt_form(checked: Checked) -> bool:
    """Whether the table has one row per attempt."""
    return checked.has("made")


def check_table(raw: RawTable, table: Table, problems: Problems) -> Checked:
    """Match headers, parse every cell and apply the rules that need one table only."""
    cells = match_headers(raw, table, problems)
    columns = {
        name: parse_column(raw, table.column(name), cell, problems) for name, cell in cells.items()
    }
    checked = Checked(replace(raw, columns=[]), table, columns)  # the texts are read
    if raw.n == 0:
        problems.add(
            raw.place,
            "the table has a header and no rows (empty file)",
            "fill in the table"
            + (", or leave the file out" if table.name in ("roster", "drills") else ""),
        )
    _check_form(checked, problems)
    for column in table.columns:
        if column.required in {"yes", "counts", "attempt"} and checked.has(column.name):
            _check_blank(checked, column.name, problems)
    _warn_names(checked, problems)
    return checked


def _check_form(checked: Checked, problems: Problems) -> None:
    """Counts and one row per attempt exclude each other."""
    both = [name for name in ("attempts", "makes") if checked.has(name)]
    if is_attempt_form(checked) and both:
        problems.add(
            checked.raw.place,
            "a table has either attempts and makes, or made with one row per attempt",
            "delete the columns of one form",
            row=1,
            column="made",
            value=", ".join(both),
        )


def _check_blank(checked: Checked, name: str, problems: Problems) -> None:
    parsed = checked.columns[name]
    checked.report(
        (parsed.codes < 0) & ~parsed.bad,
        f"{name} is needed in every row",
        "fill in the cell, or delete the row if it is a total or a heading",
        problems,
        column=name,
        cause="a cell that every row needs is blank",
    )


def _warn_names(checked: Checked, problems: Problems) -> None:
    """Warn when codes look like names, without repeating the names."""
    for name in PEOPLE:
        parsed = checked.get(name)
        texts = [str(v) for v in parsed.values]
        people = [code for code, text in enumerate(texts) if is_name_like(text)]
        if people:
            rows = np.flatnonzero(np.isin(parsed.codes, people))
            problems.add(
                checked.raw.place,
                f"{len(people)} values of {name} look like names of people",
                "use codes such as P01, and keep the key to the codes in another place",
                row=checked.raw.row_numbers(rows[:1])[0],
                column=name,
                value=masked(texts[people[0]]),
                severity="warning",
                count=len(rows),
            )
        folded: dict[str, str] = {}
        for code, text in enumerate(texts):
            other = folded.setdefault(text.casefold(), text)
            if other != text:
                rows = np.flatnonzero(parsed.codes == code)
                pair = masked(text) if is_name_like(text) else f"{masked(other)}, {masked(text)}"
                problems.add(
                    checked.raw.place,
                    f"two codes differ by upper and lower case only: {pair}",
                    "spell one player one way; they count as two",
                    row=checked.raw.row_numbers(rows[:1])[0],
                    column=name,
                    value=masked(text),
                    severity="warning",
                    count=len(rows),
                    cause="two codes differ by upper and lower case only",
                )


def fill_from_drills(
    checked: Checked, drills: Checked | None, problems: Problems, *, contest_needed: bool = True
) -> None:
    """Fill blanks of practice rows with their drill's defaults; then demand mode and contest.

    Parameters
    ----------
    checked : Checked
        The practice table; changed in place.
    drills : Checked or None
        The drills table, if there is one.
    problems : Problems
        Takes what is found.
    contest_needed : bool
        Whether a contest left blank is a problem; it is `UNKNOWN` otherwise.
    """
    if drills is not None:
        lookup = _drill_rows(checked, drills, problems)
        shared = [
            name
            for name in checked.table.names
            if name in drills.columns and name not in ("drill", "program")
        ]
        for name in shared:
            default, own = drills.columns[name], checked.get(name)
            if default.codes.size == 0:
                continue
            filled = np.where(lookup >= 0, default.codes[lookup], -1)
            take = (own.codes < 0) & ~own.bad & (filled >= 0)
            if take.any():
                shifted = np.where(take, filled + len(own.values), own.codes)
                checked.columns[name] = relabel(shifted, [*own.values, *default.values], own.bad)
    if not contest_needed:
        _blank_contest(checked)
    labels = checked.get("drill").labels()
    for column in checked.table.columns:
        if column.required != "or_drill":
            continue
        if not checked.has(column.name):
            problems.add(
                checked.raw.place,
                f"the column {column.name!r} is missing and no drill supplies it",
                f"add the column {column.name!r}, or give it in the drills table",
                row=1,
                column=column.name,
            )
            continue
        parsed = checked.columns[column.name]
        checked.report(
            (parsed.codes < 0) & ~parsed.bad,
            f"{column.name} is needed in every row, or as the drill's default",
            "fill in the cell, or give the drill its default in the drills table",
            problems,
            column=column.name,
            value=lambda row: f"drill {labels[row]}" if labels[row] else "",
            cause="a cell that every row or its drill needs is blank",
        )


def _blank_contest(checked: Checked) -> None:
    """Contest that was left blank becomes `UNKNOWN`."""
    own = checked.get("contest")
    codes = np.where((own.codes < 0) & ~own.bad, len(own.values), own.codes)
    checked.columns["contest"] = relabel(codes, [*own.values, UNKNOWN], own.bad)


def count_unknown(checked: Checked, problems: Problems) -> None:
    """Note how many rows and attempts have a contest that nobody charted."""
    labels = checked.get("contest").labels()
    rows = np.flatnonzero(labels == UNKNOWN)
    if not len(rows):
        return
    attempts = np.nan_to_num(checked.get("attempts").numbers()[rows]).sum()
    if is_attempt_form(checked):
        attempts = len(rows)
    problems.add(
        checked.raw.place,
        f"contest is unknown in {len(rows):,} of {checked.raw.n:,} rows ({attempts:,.0f} attempts)",
        "nothing to do where nobody charted it; such attempts are compared within their mode only",
        row=checked.raw.row_numbers(rows[:1])[0],
        column="contest",
        value=UNKNOWN,
        severity="note",
        count=len(rows),
        cause="contest is unknown",
    )


def _drill_rows(checked: Checked, drills: Checked, problems: Problems) -> np.ndarray:
    """Row of the drills table for every practice row, -1 where there is none."""
    by_program = drills.has("program")
    programs = drills.get("program").labels()
    names = drills.get("drill").labels()
    index = {
        (program if by_program else "", drill_name): row
        for row, (program, drill_name) in enumerate(zip(programs, names, strict=True))
    }
    group = group_codes([checked.get("program"), checked.get("drill")], checked.raw.n)
    first = np.full(int(group.max(initial=-1)) + 1, -1)
    first[group[::-1]] = np.arange(checked.raw.n)[::-1]
    own_programs, own_names = checked.get("program").labels(), checked.get("drill").labels()
    rows = np.full(len(first), -1, dtype=np.int64)
    for number, row in enumerate(first):
        drill = own_names[row]
        program = own_programs[row] if by_program else ""
        rows[number] = index.get((program, drill), index.get(("", drill), -1))
        if rows[number] < 0 and drill:
            guess = nearest(str(drill), [str(known) for known in names])
            checked.report(
                np.array([row]),
                "the drill is not in the drills table, so it has no defaults",
                f"did you mean {guess!r}?" if guess else "add the drill to the drills table",
                problems,
                column="drill",
                value=str(drill),
                severity="warning",
            )
    return rows[group]


def check_dates(
    checked: Checked,
    start: datetime.date | None,
    end: datetime.date | None,
    problems: Problems,
) -> None:
    """Attempts must lie inside the season."""
    days = checked.get("date").days()
    if end is not None:
        checked.report(
            days > np.datetime64(end),
            f"the season ends on {end.isoformat()}",
            "correct the date, move the row to its season, or correct the season's end",
            problems,
            column="date",
            value=lambda row: days[row],
        )
    if start is not None:
        checked.report(
            days < np.datetime64(start),
            f"the season starts on {start.isoformat()}",
            "correct the date, move the row to its season, or correct the season's start",
            problems,
            column="date",
            value=lambda row: days[row],
        )


def check_counts(checked: Checked, problems: Problems) -> None:
    """Makes, blocked and fouled must fit the attempts of their row."""
    blocked = np.nan_to_num(checked.get("blocked").numbers())
    fouled = np.nan_to_num(checked.get("fouled").numbers())
    if is_attempt_form(checked):
        made = checked.get("made").numbers()
        checked.report(
            (made == 1) & (blocked > 0),
            "a blocked attempt is a miss",
            "correct made or blocked",
            problems,
            column="blocked",
            value=lambda row: "made, blocked",
        )
        for name, counts in (("blocked", blocked), ("fouled", fouled)):
            checked.report(
                counts > 1,
                f"{name} is 1 or 0 in one row per attempt",
                f"correct {name}",
                problems,
                column=name,
                value="more than 1",
            )
        checked.report(
            (blocked > 0) & (fouled > 0),
            "a miss is blocked or fouled, not both",
            "keep the one the scorer would keep",
            problems,
            column="fouled",
        )
        return
    attempts, makes = checked.get("attempts").numbers(), checked.get("makes").numbers()
    checked.report(
        makes > attempts,
        "makes are at most attempts",
        "correct makes or attempts",
        problems,
        column="makes",
        value=lambda row: f"makes {makes[row]:.0f}, attempts {attempts[row]:.0f}",
    )
    checked.report(
        (makes <= attempts) & (blocked > attempts - makes),
        "blocked shots are missed attempts: makes and blocked together are at most attempts",
        "correct blocked, makes or attempts",
        problems,
        column="blocked",
        value=lambda row: f"blocked {blocked[row]:.0f}, misses {attempts[row] - makes[row]:.0f}",
    )


def check_duplicates(checked: Checked, problems: Problems) -> None:
    """A row key may occur once; in one row per attempt the attempt's number belongs to it."""
    keys = [checked.get(name) for name in checked.table.key]
    judged = np.ones(checked.raw.n, dtype=bool)
    if is_attempt_form(checked):
        if not checked.has("attempt"):
            problems.add(
                checked.raw.place,
                "without the column attempt a row entered twice cannot be noticed",
                "number the attempts of a drill in the column attempt",
                severity="note",
            )
            return
        keys.append(checked.get("attempt"))
        judged = checked.get("attempt").codes >= 0
    if checked.table.name == "games" and checked.has("attempts"):
        # A row without attempts holds a game's minutes; it may stand beside the game's shots.
        empty = (checked.columns["attempts"].numbers() == 0).astype(np.int64)
        keys.append(Parsed(empty, [0, 1], np.zeros(checked.raw.n, dtype=bool)))
    for name in checked.table.key:  # an unread or lacking key cell was reported already
        judged &= ~checked.get(name).bad
        if checked.has(name) and checked.table.column(name).required in ("yes", "or_drill"):
            judged &= checked.get(name).codes >= 0
    judged_rows = np.flatnonzero(judged)
    ordered = np.sort(combined_codes(keys, checked.raw.n)[judged_rows])
    if np.all(ordered[1:] != ordered[:-1]):
        return
    group = group_codes(keys, checked.raw.n)
    first = np.full(int(group.max(initial=-1)) + 1, -1)
    first[group[judged_rows][::-1]] = judged_rows[::-1]
    repeated = judged_rows[first[group[judged_rows]] != judged_rows]
    named = [name for name in checked.table.key if checked.has(name)]
    checked.report(
        repeated,
        f"the row key ({', '.join(named)}) occurs once",
        _duplicate_step(checked),
        problems,
        column=checked.table.key[-1] if checked.table.name == "drills" else "player",
        value=lambda row: f"as in row {checked.raw.row_numbers(first[group[row : row + 1]])[0]}",
    )


def _duplicate_step(checked: Checked) -> str:
    if checked.table.name in ("roster", "drills"):
        step = "keep one of the rows"
        if not checked.has("program"):
            what = "use the same code" if checked.table.name == "roster" else "name drills alike"
            step += f"; if two programs {what}, add the column program"
        return step
    if is_attempt_form(checked):
        return "delete the row, or correct the number of the attempt"
    step = "delete the row, or add its counts to the first one"
    if checked.table.name == "practice":
        step += "; number several sets in the column set; mark a second charting second_chart=yes"
    attempts = checked.get("attempts").values
    if attempts and max(float(str(value)) for value in attempts) <= 1:
        step += "; if each row is one attempt, use the column made instead of attempts and makes"
    return step
