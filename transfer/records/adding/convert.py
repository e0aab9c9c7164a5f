"""One sheet of a foreign file into rows of the records, by its mapping, every row accounted for."""

from __future__ import annotations

import re
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from transfer.records.adding import floaters
from transfer.records.adding.dates import day_of, has_year
from transfer.records.adding.mapping import BOX, RESULTS, SHOTS, WIDE, LayoutMapping
from transfer.records.adding.sources import Sheet
from transfer.records.adding.words import plain_words
from transfer.records.adding.work import Work, number_text, pointed
from transfer.records.problems import Problems, nearest
from transfer.records.schema import TABLES
from transfer.records.values import BLANKS

__all__ = ["Converted", "convert"]

#: Cells that say nobody shot here (lower case).
_NOTHING = BLANKS | {"-", "–", "—", "dnp", "dnd", "absent", "abs", "out", "injured"}
_TOTAL = re.compile(r"(\d{1,4})\s*(?:[-–—/:]|of|for)\s*(\d{1,4})", re.I)
_CLOCK = re.compile(r"(\d{1,3}):(\d{2})(?::00)?")
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}")


@dataclass(frozen=True)
class Converted:
    """Rows of one sheet in the form of the records.

    Parameters
    ----------
    place : (str, str)
        File and sheet.
    table : str
        Record table they belong to.
    frame : DataFrame
        Texts, columns of the schema, blanks empty. Rows of one key are summed.
    rows : int array, shape (N,)
        Row of the file that each one begins with.
    read : int
        Rows of the file that hold anything (in a wide sheet: a player's drills).
    kept : int
        Those that went into `frame`.
    left_out : dict of str to int
        Reason to the number of rows left out for it.
    notes : tuple of str
        What else a person should know.
    settings : dict of str to str
        What selected and converted the rows, in words.
    """

    place: tuple[str, str]
    table: str
    frame: pd.DataFrame
    rows: np.ndarray
    read: int
    kept: int
    left_out: dict[str, int]
    notes: tuple[str, ...] = ()
    settings: dict[str, str] = field(default_factory=dict)


def convert(sheet: Sheet, mapping: LayoutMapping, rule_body: str, problems: Problems) -> Converted:
    """Turn a sheet into rows of the records.

    Parameters
    ----------
    sheet : Sheet
        The foreign table.
    mapping : LayoutMapping
        How its layout reads.
    rule_body : str
        Court on which places become distances.
    problems : Problems
        Takes cells that cannot be read by the mapping.
    """
    work = Work(sheet, mapping, rule_body, problems)
    _take_columns(work)
    if mapping.layout == WIDE:
        work = _lengthened(work)
    read = len(work.rows)
    player = work.get("player")
    sums = {plain_words(text) for text in mapping.left_out}
    work.leave_out(player.map(plain_words).isin(sums) & (player != ""), "a row of sums")
    work.leave_out(player == "", "no player")
    if mapping.table != "roster":
        _read_dates(work)
        _read_counts(work)
        for name in ("minutes", "session_minutes"):
            if name in work.columns:
                work.columns[name] = work.columns[name].map(_minutes)
    if mapping.table == "games" and mapping.layout != BOX:
        floaters.select(work)
    _read_words(work)
    kept = work.kept
    frame, first = _summed(work)
    _share_sessions(work, frame, first)
    counted = work.reason[~kept].value_counts(sort=False)
    left = {str(reason): int(n) for reason, n in counted.items() if reason != "refused"}
    return Converted(
        sheet.place, mapping.table, frame, work.rows[first].to_numpy(), read, int(kept.sum()),
        left, tuple(work.notes), work.settings,
    )  # fmt: skip


def _take_columns(work: Work) -> None:
    for name, header in work.mapping.columns.items():
        texts = work.sheet.column(header)
        work.columns[name] = texts.mask(texts.str.lower().isin(BLANKS), "")
    for name, value in work.mapping.fixed.items():
        own = work.columns.get(name)
        every = pd.Series(value, index=work.rows.index, dtype=object)
        work.columns[name] = every if own is None else own.mask(own == "", value)


def _lengthened(work: Work) -> Work:
    """A wide sheet as one row for each player and drill in which anything stands."""
    sheet, mapping = work.sheet, work.mapping
    parts = []
    for drill, headers in mapping.drills.items():
        names = ("total",) if len(headers) == 1 else ("makes", "attempts")
        cells = {n: sheet.column(h) for n, h in zip(names, headers, strict=True)}
        held = ~pd.concat([c.str.lower().isin(_NOTHING) for c in cells.values()], axis=1).all(
            axis=1
        )
        part = pd.DataFrame({**work.columns, **cells, "drill": drill, "row": work.rows})
        parts.append(part[held])
    long = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame({"row": []})
    order = np.lexsort((np.arange(len(long)), long["row"].to_numpy()))
    long = long.iloc[order].reset_index(drop=True)
    out = Work(
        replace(sheet, frame=long.drop(columns="row"), rows=long["row"].to_numpy()),
        mapping, work.rule_body, work.problems,
    )  # fmt: skip
    out.columns = {str(name): long[name] for name in long if name != "row"}
    return out


def _read_dates(work: Work) -> None:
    mapping, sheet = work.mapping, work.sheet
    if mapping.date_in == "column":
        texts, inside = work.get("date"), False
    else:
        name = sheet.name if mapping.date_in == "sheet" else sheet.file.rpartition(".")[0]
        texts, inside = pd.Series(name, index=work.rows.index, dtype=object), True
    days = {
        text: day_of(str(text), mapping.date_order, mapping.season_start, inside=inside)
        for text in texts[work.kept].unique()
    }
    missing = texts.map(lambda text: days.get(text) is None)
    yearless = missing & ~texts.map(lambda text: has_year(str(text)))
    work.refuse(
        yearless & (mapping.season_start is None), "date", texts, "the date names no year",
        f"fill in season_start under [date] in {mapping.name}, for example 2025-08-01",
    )  # fmt: skip
    work.refuse(
        missing, "date", texts, f"a date is read as {mapping.date_order} here",
        f"correct the date, or order under [date] in {mapping.name}",
    )  # fmt: skip
    work.columns["date"] = texts.map(
        lambda text: day.isoformat() if (day := days.get(text)) is not None else ""
    )


def _read_counts(work: Work) -> None:
    """Makes and attempts as texts, whatever the layout wrote."""
    layout = work.mapping.layout
    if layout == BOX:
        zero = pd.Series("0", index=work.rows.index, dtype=object)
        work.leave_out(work.get("minutes").str.lower().isin(_NOTHING), "did not play")
        work.columns |= {"makes": zero, "attempts": zero}
        return
    if layout == SHOTS:
        _read_results(work)
        return
    if "total" in work.columns:
        _split_totals(work)
    makes, attempts = work.get("makes"), work.get("attempts")
    nothing = makes.str.lower().isin(_NOTHING) & attempts.str.lower().isin(_NOTHING)
    if "misses" in work.columns and "attempts" not in work.columns:
        misses = work.get("misses")
        nothing = makes.str.lower().isin(_NOTHING) & misses.str.lower().isin(_NOTHING)
        work.leave_out(nothing, "nothing charted")
        numbers = [pd.to_numeric(texts, errors="coerce") for texts in (makes, misses)]
        work.refuse(
            numbers[0].isna() | numbers[1].isna(), "misses", makes + " and " + misses,
            "makes and misses are whole numbers", "correct the cell",
        )  # fmt: skip
        work.columns["attempts"] = (numbers[0] + numbers[1]).map(number_text)
    work.leave_out(nothing, "nothing charted")


def _split_totals(work: Work) -> None:
    texts = work.columns.pop("total")
    work.leave_out(texts.str.lower().isin(_NOTHING), "nothing charted")
    work.refuse(
        texts.str.contains(_ISO.pattern), "total", texts,
        "the spreadsheet took a total such as 5-11 for a date",
        "format the column as text and write the total again",
    )  # fmt: skip
    found = texts.map(lambda text: _TOTAL.fullmatch(text))
    work.refuse(
        found.isna(), "total", texts, "a total is two numbers, such as 5-11 or 5/11",
        "correct the cell",
    )  # fmt: skip
    first, second = ("makes", "attempts") if work.mapping.total_order.startswith("makes") else (
        "attempts", "makes",
    )  # fmt: skip
    work.columns[first] = found.map(lambda m: m[1] if m else "")
    work.columns[second] = found.map(lambda m: m[2] if m else "")


def _read_results(work: Work) -> None:
    texts = work.columns.pop("result") if "result" in work.columns else work.columns.pop("made")
    meant = _meanings(work, "result", texts, RESULTS)
    work.leave_out(meant == "leave_out", "result is left out by the mapping")
    work.leave_out(texts == "", "no result")
    fouled = meant == "fouled"
    work.columns["makes"] = (meant == "made").map({True: "1", False: "0"})
    work.columns["attempts"] = fouled.map({True: "0", False: "1"})
    for name in ("blocked", "fouled"):
        if (meant == name).any():
            work.columns[name] = (meant == name).map({True: "1", False: "0"})


def _meanings(work: Work, column: str, texts: pd.Series, known: tuple[str, ...]) -> pd.Series:
    """What the words of a column mean; unknown ones are refused with the line to add."""
    words = work.mapping.words.get(column, {})
    meanings = {}
    for text in texts[work.kept].unique():
        plain = plain_words(str(text))
        level = words.get(plain, plain.replace(" ", "_"))
        meanings[text] = level if level in known else None
    unknown = texts.map(lambda text: meanings.get(text, "") is None) & (texts != "")
    for text in texts[unknown & work.kept].unique():
        close = nearest(str(text), known) or known[0]
        work.refuse(
            unknown & (texts == text), column, texts,
            f"the word is not among those of [words.{column}]",
            f'add a line under [words.{column}] in {work.mapping.name}: "{text}" = "{close}", '
            f"or one of {', '.join(known)}",
        )  # fmt: skip
    return texts.map(lambda text: meanings.get(text) or "")


def _read_words(work: Work) -> None:
    """Level columns of the records from the words of the file."""
    for name in [n for n in work.columns if n in TABLES[work.mapping.table].names]:
        column = TABLES[work.mapping.table].column(name)
        if column.type == "level":
            work.columns[name] = _meanings(work, name, work.columns[name], column.levels)


def _minutes(text: str) -> str:
    """Minutes as a decimal number, from 24:30 as well."""
    clock = _CLOCK.fullmatch(text)
    if clock:
        return number_text(int(clock[1]) + int(clock[2]) / 60)
    return pointed(text)


def _summed(work: Work) -> tuple[pd.DataFrame, pd.Index]:
    """Kept rows with the columns of the records, rows of one key summed; and their first rows."""
    table = TABLES[work.mapping.table]
    _label_occasion(work)
    kept = work.rows.index[work.kept]
    names = [name for name in table.names if name in work.columns and name not in ("made",)]
    frame = pd.DataFrame({name: work.columns[name].loc[kept] for name in names}, dtype=object)
    key = [name for name in table.key if name in frame]
    if not len(frame) or work.mapping.table == "roster":
        return frame.reset_index(drop=True), kept
    once = work.mapping.layout == SHOTS or work.mapping.table == "games"
    summed = [n for n in ("attempts", "makes", "blocked", "fouled") if n in frame]
    summed += [] if once else [n for n in ("minutes",) if n in frame]
    groups = frame.groupby(key, sort=False)
    again = groups.ngroup().duplicated()
    if not again.any():
        return frame.reset_index(drop=True), kept
    if work.mapping.layout != SHOTS:
        whole = work.sheet.frame.loc[kept].duplicated()
        if whole.any():
            work.notes.append(
                f"{int(whole.sum())} rows repeat another one in every cell and were added up with "
                "it; if they were entered twice, correct the file and add it again"
            )
    total = groups[[n for n in names if n not in key]].first().reset_index()
    for name in summed:
        total[name] = _sums(frame[name], groups.ngroup())
    return total[names], kept[~again.to_numpy()]


def _share_sessions(work: Work, frame: pd.DataFrame, first: pd.Index) -> None:
    """Give rows without minutes their share of the session's length, equal for every drill."""
    if "session_minutes" not in work.columns or work.mapping.table != "practice":
        return
    texts = work.columns["session_minutes"]
    length = pd.to_numeric(texts, errors="coerce")
    work.refuse(
        (length.isna() & (texts != "")) | ~length.fillna(0.0).between(0, 600), "session_minutes",
        texts, "the length of a session is 0 to 600 minutes", "correct the cell",
    )  # fmt: skip
    own = frame["minutes"] if "minutes" in frame else pd.Series("", index=frame.index, dtype=object)
    day = [frame[name] for name in ("date", "session", "player")]
    drills = frame.groupby(day)["drill"].transform("nunique")
    rows = frame.groupby([*day, frame["drill"]])["drill"].transform("size")
    share = pd.Series(length.loc[first].to_numpy(), index=frame.index) / drills / rows
    charted = own.ne("").groupby(day).transform("any")
    frame["minutes"] = own.mask(~charted, share.map(number_text))
    work.settings["minutes"] = (
        "a session's length in equal parts for each drill of a player; where any of his drills "
        "that day has minutes of its own, those alone"
    )


def _sums(texts: pd.Series, group: pd.Series) -> np.ndarray:
    """Sums by group of numbers written as text; what is no number stays, for the check to tell."""
    numbers = pd.to_numeric(texts, errors="coerce")
    sums = numbers.groupby(group).sum(min_count=1).map(number_text).to_numpy(dtype=object)
    wrong = numbers.isna() & (texts != "")
    sums[group[wrong].to_numpy()] = texts[wrong].to_numpy()
    return sums


def _label_occasion(work: Work) -> None:
    """A session or game that has no label of its own takes a fixed one."""
    if work.mapping.table == "practice":
        session = work.get("session")
        work.columns["session"] = session.mask(session == "", "1")
    if work.mapping.table == "games":
        game = work.get("game")
        work.columns["game"] = game.mask(game == "", work.get("date"))
