"""Rules inside one table: blanks, counts that fit together, dates, duplicates, look of codes."""

from __future__ import annotations

import datetime
from dataclasses import replace

import numpy as np

from transfer.records.checked import Checked, combined_codes, group_codes, relabel
from transfer.records.headers import match_headers
from transfer.records.problems import Problems, nearest
from transfer.records.raw import RawTable
from transfer.records.schema import Table
from transfer.records.values import PEOPLE, is_name_like, masked, parse_column

__all__ = ["check_counts", "check_dates", "check_duplicates", "check_table", "fill_from_drills",
           "is_attempt_form"]  # fmt: skip


def is_attempt_form(c: Checked) -> bool:
    """Whether the table has one row per attempt."""
    return c.has("made")


def check_table(raw: RawTable, table: Table, problems: Problems) -> Checked:
    """Match headers, parse every cell and apply the rules that need one table only.

    Parameters
    ----------
    raw : RawTable
        The file's cells.
    table : Table
        The spec.
    problems : Problems
        Collector.

    Returns
    -------
    Checked
    """
    cells = match_headers(raw, table, problems)
    columns = {
        name: parse_column(raw, table.column(name), cell, problems) for name, cell in cells.items()
    }
    c = Checked(replace(raw, columns=[]), table, columns)  # the texts are read
    if raw.n == 0:
        problems.add(
            raw.place, "the table has a header and no rows (empty file)",
            "fill in the table" + (
                ", or leave the file out" if table.name in ("roster", "drills") else ""
            ),
        )  # fmt: skip
    _check_form(c, problems)
    for column in table.columns:
        if column.required in {"yes", "counts", "attempt"} and c.has(column.name):
            _check_blank(c, column.name, problems)
    _warn_names(c, problems)
    return c


def _check_form(c: Checked, problems: Problems) -> None:
    """Counts and one row per attempt exclude each other."""
    both = [name for name in ("attempts", "makes") if c.has(name)]
    if is_attempt_form(c) and both:
        problems.add(
            c.raw.place, "a table has either attempts and makes, or made with one row per attempt",
            "delete the columns of one form", row=1, column="made", value=", ".join(both),
        )  # fmt: skip


def _check_blank(c: Checked, name: str, problems: Problems) -> None:
    parsed = c.columns[name]
    c.report(
        (parsed.codes < 0) & ~parsed.bad, f"{name} is needed in every row",
        "fill in the cell, or delete the row if it is a total or a heading", problems, column=name,
        cause="a cell that every row needs is blank",
    )  # fmt: skip


def _warn_names(c: Checked, problems: Problems) -> None:
    """Warn when codes look like names, without repeating the names."""
    for name in PEOPLE:
        parsed = c.get(name)
        texts = [str(v) for v in parsed.values]
        people = [k for k, text in enumerate(texts) if is_name_like(text)]
        if people:
            rows = np.flatnonzero(np.isin(parsed.codes, people))
            problems.add(
                c.raw.place, f"{len(people)} values of {name} look like names of people",
                "use codes such as P01, and keep the key to the codes in another place",
                row=c.raw.row_numbers(rows[:1])[0], column=name, value=masked(texts[people[0]]),
                severity="warning", count=len(rows),
            )  # fmt: skip
        folded: dict[str, str] = {}
        for k, text in enumerate(texts):
            other = folded.setdefault(text.casefold(), text)
            if other != text:
                rows = np.flatnonzero(parsed.codes == k)
                pair = masked(text) if is_name_like(text) else f"{masked(other)}, {masked(text)}"
                problems.add(
                    c.raw.place, f"two codes differ by upper and lower case only: {pair}",
                    "spell one player one way; they count as two",
                    row=c.raw.row_numbers(rows[:1])[0], column=name, value=masked(text),
                    severity="warning", count=len(rows),
                    cause="two codes differ by upper and lower case only",
                )  # fmt: skip


def fill_from_drills(c: Checked, drills: Checked | None, problems: Problems) -> None:
    """Fill blanks of practice rows with their drill's defaults; then demand mode and contest.

    Parameters
    ----------
    c : Checked
        The practice table; changed in place.
    drills : Checked or None
        The drills table, if there is one.
    problems : Problems
        Collector.
    """
    if drills is not None:
        lookup = _drill_rows(c, drills, problems)
        shared = [n for n in c.table.names if n in drills.columns and n not in ("drill", "program")]
        for name in shared:
            default, own = drills.columns[name], c.get(name)
            if default.codes.size == 0:
                continue
            filled = np.where(lookup >= 0, default.codes[lookup], -1)
            take = (own.codes < 0) & ~own.bad & (filled >= 0)
            if take.any():
                shifted = np.where(take, filled + len(own.values), own.codes)
                c.columns[name] = relabel(shifted, [*own.values, *default.values], own.bad)
    labels = c.get("drill").labels()
    for column in c.table.columns:
        if column.required != "or_drill":
            continue
        if not c.has(column.name):
            problems.add(
                c.raw.place, f"the column {column.name!r} is missing and no drill supplies it",
                f"add the column {column.name!r}, or give it in the drills table", row=1,
                column=column.name,
            )  # fmt: skip
            continue
        parsed = c.columns[column.name]
        c.report(
            (parsed.codes < 0) & ~parsed.bad,
            f"{column.name} is needed in every row, or as the drill's default",
            "fill in the cell, or give the drill its default in the drills table", problems,
            column=column.name, value=lambda i: f"drill {labels[i]}" if labels[i] else "",
            cause="a cell that every row or its drill needs is blank",
        )  # fmt: skip


def _drill_rows(c: Checked, drills: Checked, problems: Problems) -> np.ndarray:
    """Row of the drills table for every practice row, -1 where there is none."""
    by_program = drills.has("program")
    programs = drills.get("program").labels()
    names = drills.get("drill").labels()
    index = {(p if by_program else "", d): i for i, (p, d) in enumerate(zip(programs, names,
             strict=True))}  # fmt: skip
    group = group_codes([c.get("program"), c.get("drill")], c.raw.n)
    first = np.full(int(group.max(initial=-1)) + 1, -1)
    first[group[::-1]] = np.arange(c.raw.n)[::-1]
    own_programs, own_names = c.get("program").labels(), c.get("drill").labels()
    rows = np.full(len(first), -1, dtype=np.int64)
    for g, at in enumerate(first):
        drill = own_names[at]
        program = own_programs[at] if by_program else ""
        rows[g] = index.get((program, drill), index.get(("", drill), -1))
        if rows[g] < 0 and drill:
            guess = nearest(str(drill), [str(n) for n in names])
            c.report(
                np.array([at]), "the drill is not in the drills table, so it has no defaults",
                f"did you mean {guess!r}?" if guess else "add the drill to the drills table",
                problems, column="drill", value=str(drill), severity="warning",
            )  # fmt: skip
    return rows[group]


def check_dates(
    c: Checked,
    start: datetime.date | None,
    end: datetime.date | None,
    problems: Problems,
) -> None:
    """Attempts must lie inside the season."""
    days = c.get("date").days()
    if end is not None:
        c.report(
            days > np.datetime64(end), f"the season ends on {end.isoformat()}",
            "correct the date, move the row to its season, or correct the season's end", problems,
            column="date", value=lambda i: days[i],
        )  # fmt: skip
    if start is not None:
        c.report(
            days < np.datetime64(start), f"the season starts on {start.isoformat()}",
            "correct the date, move the row to its season, or correct the season's start",
            problems, column="date", value=lambda i: days[i],
        )  # fmt: skip


def check_counts(c: Checked, problems: Problems) -> None:
    """Makes, blocked and fouled must fit the attempts of their row."""
    blocked = np.nan_to_num(c.get("blocked").numbers())
    fouled = np.nan_to_num(c.get("fouled").numbers())
    if is_attempt_form(c):
        made = c.get("made").numbers()
        c.report(
            (made == 1) & (blocked > 0), "a blocked attempt is a miss",
            "correct made or blocked", problems, column="blocked", value=lambda i: "made, blocked",
        )  # fmt: skip
        for name, counts in (("blocked", blocked), ("fouled", fouled)):
            c.report(
                counts > 1, f"{name} is 1 or 0 in one row per attempt", f"correct {name}",
                problems, column=name, value="more than 1",
            )  # fmt: skip
        c.report(
            (blocked > 0) & (fouled > 0), "a miss is blocked or fouled, not both",
            "keep the one the scorer would keep", problems, column="fouled",
        )  # fmt: skip
        return
    attempts, makes = c.get("attempts").numbers(), c.get("makes").numbers()
    c.report(
        makes > attempts, "makes are at most attempts", "correct makes or attempts", problems,
        column="makes", value=lambda i: f"makes {makes[i]:.0f}, attempts {attempts[i]:.0f}",
    )  # fmt: skip
    c.report(
        (makes <= attempts) & (blocked > attempts - makes),
        "blocked shots are missed attempts: makes and blocked together are at most attempts",
        "correct blocked, makes or attempts", problems, column="blocked",
        value=lambda i: f"blocked {blocked[i]:.0f}, misses {attempts[i] - makes[i]:.0f}",
    )  # fmt: skip


def check_duplicates(c: Checked, problems: Problems) -> None:
    """A row key may occur once; in one row per attempt the attempt's number belongs to it."""
    keys = [c.get(name) for name in c.table.key]
    judged = np.ones(c.raw.n, dtype=bool)
    if is_attempt_form(c):
        if not c.has("attempt"):
            problems.add(
                c.raw.place, "without the column attempt a row entered twice cannot be noticed",
                "number the attempts of a drill in the column attempt", severity="note",
            )  # fmt: skip
            return
        keys.append(c.get("attempt"))
        judged = c.get("attempt").codes >= 0
    for name in c.table.key:  # an unread or lacking key cell was reported already
        judged &= ~c.get(name).bad
        if c.has(name) and c.table.column(name).required in ("yes", "or_drill"):
            judged &= c.get(name).codes >= 0
    at = np.flatnonzero(judged)
    ordered = np.sort(combined_codes(keys, c.raw.n)[at])
    if np.all(ordered[1:] != ordered[:-1]):
        return
    group = group_codes(keys, c.raw.n)
    first = np.full(int(group.max(initial=-1)) + 1, -1)
    first[group[at][::-1]] = at[::-1]
    repeated = at[first[group[at]] != at]
    named = [n for n in c.table.key if c.has(n)]
    c.report(
        repeated, f"the row key ({', '.join(named)}) occurs once", _duplicate_step(c), problems,
        column=c.table.key[-1] if c.table.name == "drills" else "player",
        value=lambda i: f"as in row {c.raw.row_numbers(first[group[i : i + 1]])[0]}",
    )  # fmt: skip


def _duplicate_step(c: Checked) -> str:
    if c.table.name in ("roster", "drills"):
        step = "keep one of the rows"
        if not c.has("program"):
            what = "use the same code" if c.table.name == "roster" else "name drills alike"
            step += f"; if two programs {what}, add the column program"
        return step
    if is_attempt_form(c):
        return "delete the row, or correct the number of the attempt"
    step = "delete the row, or add its counts to the first one"
    if c.table.name == "practice":
        step += "; number several sets in the column set; mark a second charting second_chart=yes"
    attempts = c.get("attempts").values
    if attempts and max(float(str(v)) for v in attempts) <= 1:
        step += "; if each row is one attempt, use the column made instead of attempts and makes"
    return step
