"""A mapping proposed for an unknown layout: what headers and cells tell, and what they do not."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field

import pandas as pd

from transfer.records.adding.dates import DAY_FIRST, MONTH_FIRST, day_of, has_year, order_of
from transfer.records.adding.mapping import BOX, COUNTS, OPEN, SHOTS, UNITS, WIDE
from transfer.records.adding.sources import Sheet, Source
from transfer.records.adding.words import (
    ATTEMPT_WORDS,
    FLOATER_WORDS,
    HEADERS,
    LEVEL_WORDS,
    MAKE_WORDS,
    MISS_WORDS,
    RESULT_WORDS,
    TOTAL_ROWS,
    TOTAL_WORDS,
    plain_words,
)
from transfer.records.headers import normal_header
from transfer.records.schema import TABLES

__all__ = ["Proposal", "propose"]

_TOTAL = re.compile(r"(\d{1,4})\s*[-–—/:]\s*(\d{1,4})")
#: Headers that only a box score has.
_BOX_WORDS = {"pts", "points", "reb", "rebounds", "ast", "assists", "stl", "steals", "tov"}
_ORDERS = (MONTH_FIRST, DAY_FIRST)
#: A day on or after which any date without a year falls.
_LONG_AGO = datetime.date(2000, 1, 1)
#: Most distinct words of a column that are listed.
_LISTED = 40
_YES_NO = frozenset(["yes", "no", "y", "n", "true", "false", "1", "0"])


@dataclass
class Proposal:
    """What could be guessed of a layout; `OPEN` where nothing could.

    Parameters
    ----------
    table, layout, date_order, date_in, season_start, total_order : str
        As in the mapping file.
    columns : dict of str to str
        Column to header.
    words : dict of str to dict
        Column to words and what they mean.
    drills : dict of str to tuple
        Of a wide sheet.
    floaters : tuple of str or None
        Texts of types that are floaters; ``(OPEN,)`` where none could be told.
    units : dict of str to str
        Key of the section ``floor`` to its value.
    bands : bool
        Whether the nearest defender's distance is there.
    left_out : tuple of str
        Texts of rows of sums.
    unread : tuple of str
        Headers that nothing is taken from.
    remarks : dict of str to str
        Key to what is known about an open value.
    """

    table: str = OPEN
    layout: str = COUNTS
    date_order: str = ""
    date_in: str = "column"
    season_start: str = ""
    total_order: str = ""
    columns: dict[str, str] = field(default_factory=dict)
    words: dict[str, dict[str, str]] = field(default_factory=dict)
    drills: dict[str, tuple[str, ...]] = field(default_factory=dict)
    floaters: tuple[str, ...] | None = None
    units: dict[str, str] = field(default_factory=dict)
    bands: bool = False
    left_out: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()
    remarks: dict[str, str] = field(default_factory=dict)


def propose(source: Source) -> Proposal:
    """Guess a layout from headers, words and dates.

    Parameters
    ----------
    source : Source
        The file; its first sheet decides, the others are taken to be alike.
    """
    sheet = source.sheets[0]
    made = Proposal(columns=_columns(sheet))
    if "drill" not in made.columns and "attempts" not in made.columns:
        made.drills = _drill_columns(sheet, made.columns)
    headers = {plain_words(header) for header in sheet.headers}
    made.layout = _layout(made, headers)
    if made.layout == WIDE:
        for name in ("makes", "attempts", "total", "misses"):
            made.columns.pop(name, None)
    made.table = _table(made)
    _tidy_columns(made, sheet)
    _dates(made, source)
    _totals(made, sheet)
    _words(made, source)
    if made.table == "games" and made.layout != BOX:
        _shots(made, sheet)
    if "player" in made.columns:
        players = sheet.column(made.columns["player"]).unique()
        made.left_out = tuple(t for t in players if plain_words(t) in TOTAL_ROWS)
    taken = {*made.columns.values(), *(h for pair in made.drills.values() for h in pair)}
    made.unread = tuple(h for h in sheet.headers if h and h not in taken)
    return made


def _columns(sheet: Sheet) -> dict[str, str]:
    """Column to header by the words that people use; no header is taken twice."""
    columns: dict[str, str] = {}
    schema = {name for table in TABLES.values() for name in table.names}
    free = [header for header in sheet.headers if header]
    for header in list(free):
        name = normal_header(header)
        if name in schema and name not in columns:
            columns[name] = header
            free.remove(header)
    for name, meant in HEADERS.items():
        found = next((header for header in free if plain_words(header) in meant), None)
        if found is not None and name not in columns:
            columns[name] = found
            free.remove(found)
    for name in ("result", "made", "total", "makes"):
        if name in columns and _is_totals(sheet.column(columns[name])):
            columns["total"] = columns.pop(name)
    return columns


def _is_totals(texts: pd.Series) -> bool:
    held = texts[texts != ""]
    return bool(len(held)) and held.str.fullmatch(_TOTAL.pattern).mean() > 0.8


def _drill_columns(sheet: Sheet, columns: dict[str, str]) -> dict[str, tuple[str, ...]]:
    """Drills of a wide sheet: pairs of headers that end in makes and attempts, or totals."""
    pairs: dict[str, dict[str, str]] = {}
    for header in sheet.headers:
        drill, kind = _drill_and_kind(header)
        if drill and kind:
            pairs.setdefault(drill, {}).setdefault(kind, header)
    drills: dict[str, tuple[str, ...]] = {
        drill: (found["makes"], found["attempts"])
        for drill, found in pairs.items()
        if {"makes", "attempts"} <= set(found)
    }
    if len(drills) >= 2:
        return drills
    taken = set(columns.values())
    totals = [h for h in sheet.headers if h and h not in taken and _is_totals(sheet.column(h))]
    return {header: (header,) for header in totals} if len(totals) >= 2 else {}


def _drill_and_kind(header: str) -> tuple[str, str]:
    """``"Chase floater FGM"`` into the drill and ``makes``."""
    words = re.split(r"[\s_:|/()-]+", header.strip(" )"))
    last = words[-1].lower() if len(words) > 1 else ""
    kinds = (("makes", MAKE_WORDS), ("attempts", ATTEMPT_WORDS), ("misses", MISS_WORDS),
             ("total", TOTAL_WORDS))  # fmt: skip
    kind = next((name for name, meant in kinds if last in meant), "")
    at = header.lower().rfind(last) if kind else 0
    return header[:at].strip(" _:|/(-"), kind


def _layout(made: Proposal, headers: set[str]) -> str:
    if made.drills:
        return WIDE
    if {"minutes", "player"} <= set(made.columns) and len(headers & _BOX_WORDS) >= 2:
        return BOX
    if "attempts" in made.columns or "total" in made.columns or "misses" in made.columns:
        return COUNTS
    return SHOTS if {"result", "made"} & set(made.columns) else COUNTS


def _table(made: Proposal) -> str:
    if made.layout == BOX:
        return "games"
    if made.layout == WIDE or "drill" in made.columns:
        return "practice"
    games = {"game", "opponent", "type", "distance_ft", "x", "defender_distance"}
    if games & set(made.columns):
        return "games"
    counts = {"makes", "attempts", "total", "result", "made"} & set(made.columns)
    return "roster" if {"player", "position"} <= set(made.columns) and not counts else OPEN


#: Columns of a layout that its rows are never made from.
_UNUSED = {
    BOX: ("makes", "attempts", "total", "misses", "result", "made", "type", "distance_ft"),
    COUNTS: ("result", "made"),
    SHOTS: ("makes", "attempts", "misses", "total"),
    WIDE: ("result", "made"),
}


def _tidy_columns(made: Proposal, sheet: Sheet) -> None:
    """Leave out what the table has no use for; open what it needs and lacks."""
    if made.layout == SHOTS and "made" in made.columns and "result" not in made.columns:
        made.columns["result"] = made.columns["made"]
    for name in _UNUSED[made.layout]:
        made.columns.pop(name, None)
    if "total" in made.columns:
        for name in ("makes", "attempts", "misses"):
            made.columns.pop(name, None)
    if "distance_ft" in made.columns:
        made.columns.pop("x", None)
        made.columns.pop("y", None)
    used = {*TABLES.get(made.table, TABLES["practice"]).names, "total", "misses", "result"}
    used |= {"type", "x", "y", "defender_distance"} if made.table == "games" else set()
    used |= {"session_minutes"} if made.table == "practice" else set()
    made.columns = {n: h for n, h in made.columns.items() if n in used}
    wanted = ["player"]
    if made.layout == COUNTS and "total" not in made.columns and made.table != "roster":
        wanted += ["makes"] if "misses" in made.columns else ["makes", "attempts"]
    for name in wanted:
        if name not in made.columns:
            made.columns[name] = OPEN
            made.remarks[f"columns.{name}"] = "one of the headers: " + ", ".join(
                repr(header) for header in sheet.headers if header
            )


def _dates(made: Proposal, source: Source) -> None:
    """Where the date stands and in which order, from all sheets."""
    if made.table == "roster":
        return
    if "date" in made.columns:
        header = made.columns["date"]
        texts = [
            text
            for sheet in source.sheets
            if header in sheet.headers
            for text in sheet.column(header).unique()
            if text
        ]
    else:
        names = [sheet.name for sheet in source.sheets if sheet.name]
        stem = source.path.stem
        dated = [any(day_of(n, o, _LONG_AGO, inside=True) for o in _ORDERS) for n in names]
        if names and all(dated):
            made.date_in, texts = "sheet", names
        elif any(day_of(stem, o, _LONG_AGO, inside=True) for o in _ORDERS):
            made.date_in, texts = "file", [stem]
        else:
            made.columns["date"] = OPEN
            made.remarks["columns.date"] = "no header, sheet or file name holds a date"
            return
    order, evidence = order_of(texts)
    made.date_order = order or OPEN
    if not order:
        made.remarks["date.order"] = f"{evidence or 'the dates'} can be read in two ways"
    if not all(has_year(text) for text in texts):
        made.season_start = OPEN
        made.remarks["date.season_start"] = "the dates name no year"


def _totals(made: Proposal, sheet: Sheet) -> None:
    """Which number of a total stands first: makes are at most attempts."""
    headers = [made.columns["total"]] if "total" in made.columns else []
    headers += [pair[0] for pair in made.drills.values() if len(pair) == 1]
    if not headers:
        return
    cells = pd.concat([sheet.column(header) for header in headers])
    found = [m for text in cells.unique() if (m := _TOTAL.fullmatch(text))]
    less = sum(int(m[1]) < int(m[2]) for m in found)
    more = sum(int(m[1]) > int(m[2]) for m in found)
    if less and not more:
        made.total_order = "makes-attempts"
    elif more and not less:
        made.total_order = "attempts-makes"
    else:
        made.total_order = OPEN
        made.remarks["total.order"] = "the totals do not tell which number is the makes"


def _words(made: Proposal, source: Source) -> None:
    """Words of level columns and results, known ones with their meaning."""
    if made.table not in TABLES:
        return
    names = [n for n in made.columns if n in TABLES[made.table].names]
    levels = {n: TABLES[made.table].column(n) for n in names}
    columns = [n for n, column in levels.items() if column.type == "level"]
    columns += ["result"] if "result" in made.columns else []
    for name in columns:
        header = made.columns[name]
        texts = [
            text
            for sheet in source.sheets
            if header in sheet.headers
            for text in sheet.column(header).unique()
            if text
        ]
        known = dict(RESULT_WORDS) if name == "result" else dict(LEVEL_WORDS.get(name, {}))
        if name != "result":
            known |= {plain_words(level): level for level in levels[name].levels}
        meant = {}
        for text in dict.fromkeys(texts):
            plain = plain_words(text)
            sure = name != "mode" or plain not in _YES_NO or plain_words(header) == "live"
            meant[text] = known.get(plain, OPEN) if sure else OPEN
        if len(meant) <= _LISTED:
            made.words[name] = meant


def _shots(made: Proposal, sheet: Sheet) -> None:
    """Selection of floaters, units and bands of a game log."""
    columns = made.columns
    placed = {"distance_ft", "x", "type"} & set(columns)
    if placed and made.layout == SHOTS:
        types = (
            [str(t) for t in sheet.column(columns["type"]).unique()] if "type" in columns else []
        )
        found = tuple(t for t in types if any(w in plain_words(t) for w in FLOATER_WORDS))
        made.floaters = found
        if len(types) and not found:
            made.floaters = (OPEN,)
            shown = ", ".join(repr(t) for t in types[:_LISTED] if t)
            made.remarks["floaters.types"] = f"which of these are floaters: {shown}"
    for key, name in (("distance_unit", "distance_ft"), ("place_unit", "x"),
                      ("defender_unit", "defender_distance")):  # fmt: skip
        if name in columns:
            unit = columns[name].replace("(", " ").replace(")", " ").replace("_", " ").split()[-1]
            unit = {"feet": "ft", "meters": "m", "metres": "m"}.get(unit.lower(), unit.lower())
            made.units[key] = unit if unit in UNITS else OPEN
            made.remarks[f"floor.{key}"] = f"the header {columns[name]!r} names no unit"
    if "x" in columns:
        made.units |= {"origin": OPEN, "along": OPEN}
    made.bands = "defender_distance" in columns
