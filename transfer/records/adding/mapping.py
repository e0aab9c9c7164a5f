"""The mapping file: how one layout of an owner becomes rows of the records.

It is TOML with remarks, written by `transfer.records.adding.propose` and corrected by hand. A value
that could not be guessed stands as ``"?"``; a mapping that holds one is refused with the line to
fill in.
"""

from __future__ import annotations

import datetime
import hashlib
import tomllib
from collections.abc import Mapping as MappingType
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from transfer.errors import RecordsError
from transfer.records.adding.dates import ORDERS
from transfer.records.adding.words import plain_words
from transfer.records.problems import Problems, nearest
from transfer.records.schema import TABLES

__all__ = [
    "BOX",
    "CONVERTED",
    "COUNTS",
    "LAYOUTS",
    "OPEN",
    "ORIGINS",
    "RESULTS",
    "SHOTS",
    "UNITS",
    "WIDE",
    "Band",
    "Floaters",
    "Floor",
    "LayoutMapping",
    "read_mapping",
]

#: Stands where nothing could be guessed.
OPEN = "?"

COUNTS, SHOTS, WIDE, BOX = "counts", "shots", "wide", "box"
LAYOUTS = {
    COUNTS: "a row holds makes and attempts",
    SHOTS: "a row is one shot",
    WIDE: "a row is a player, columns are drills",
    BOX: "a row is a player's game; only its minutes are used",
}
#: Columns that are no column of the records but are turned into some.
CONVERTED = {
    "total": 'makes and attempts in one cell, such as "5-11" or "5/11"',
    "misses": "misses, where attempts are not written",
    "result": "made or missed, in a row for each shot",
    "type": "type of shot, to select floaters by",
    "x": "place on the floor",
    "y": "place on the floor",
    "defender_distance": "distance of the nearest defender",
    "session_minutes": "length of the whole session, shared by a player's drills of that day",
}
RESULTS = ("made", "missed", "blocked", "fouled", "leave_out")
#: Feet in a unit; exact by definition.
UNITS = {"ft": 1.0, "in": 1 / 12, "m": 1 / 0.3048, "cm": 1 / 30.48}
ORIGINS = {
    "ring": "on the floor below the ring",
    "end_line": "middle of the end line",
    "corner": "a corner of the court",
    "centre": "centre of the court",
}
TOTAL_ORDERS = ("makes-attempts", "attempts-makes")


@dataclass(frozen=True)
class Floaters:
    """Which of all shots are floaters.

    Parameters
    ----------
    types : tuple of str
        Texts of the column type that are floaters; none: any type.
    from_ft, to_ft : float
        Distance band, both ends included.
    """

    types: tuple[str, ...] = ()
    from_ft: float = 4.0
    to_ft: float = 14.0


@dataclass(frozen=True)
class Band:
    """Distances of the nearest defender that make one contest level; the upper end is outside."""

    from_ft: float
    to_ft: float
    contest: str


@dataclass(frozen=True)
class Floor:
    """Units and axes of distances and places.

    Parameters
    ----------
    distance_unit, place_unit, defender_unit : str
        Keys of `UNITS`.
    origin : str
        Key of `ORIGINS`.
    along : str
        Which of x and y runs from end line to end line.
    length_ft : float or None
        Length of the court from end line to end line; None: that of the rule body.
    """

    distance_unit: str = "ft"
    place_unit: str = "ft"
    defender_unit: str = "ft"
    origin: str = "ring"
    along: str = "y"
    length_ft: float | None = None


@dataclass(frozen=True)
class LayoutMapping:
    """One mapping file.

    Parameters
    ----------
    path : Path or None
        Where it stands.
    table : str
        Record table the rows go to.
    layout : str
        Key of `LAYOUTS`.
    headers : tuple of str
        Headers of the file it was proposed for; files with these headers are read by it.
    columns : mapping of str to str
        Column of the records, or key of `CONVERTED`, to the header in the file.
    words : mapping of str to mapping
        Column to words of the file (as `plain_words` has them) and what they mean.
    fixed : mapping of str to str
        Column to a value that is the same in every row.
    date_order : str
        One of `transfer.records.adding.dates.ORDERS`.
    date_in : str
        ``column``, ``sheet`` or ``file``: where the date stands.
    season_start : date or None
        A date without a year is the first such day on or after this one.
    total_order : str
        Which number stands first in a total.
    drills : mapping of str to tuple
        Drill to its headers, in a wide sheet: makes and attempts, or one total.
    floaters : Floaters or None
        Selection from all shots; None: every row counts.
    floor : Floor
        Units, origin and axes.
    bands : tuple of Band
        Contest by the nearest defender's distance.
    left_out : tuple of str
        Texts of the player's column that mark a row of sums.
    sha256 : str
        Of the file's text.
    """

    path: Path | None
    table: str
    layout: str
    headers: tuple[str, ...] = ()
    columns: MappingType[str, str] = field(default_factory=dict)
    words: MappingType[str, MappingType[str, str]] = field(default_factory=dict)
    fixed: MappingType[str, str] = field(default_factory=dict)
    date_order: str = ORDERS[0]
    date_in: str = "column"
    season_start: datetime.date | None = None
    total_order: str = TOTAL_ORDERS[0]
    drills: MappingType[str, tuple[str, ...]] = field(default_factory=dict)
    floaters: Floaters | None = None
    floor: Floor = Floor()
    bands: tuple[Band, ...] = ()
    left_out: tuple[str, ...] = ()
    sha256: str = ""

    @property
    def name(self) -> str:
        """Name of the file, as messages say it."""
        return "the mapping" if self.path is None else f"{self.path.parent.name}/{self.path.name}"

    @property
    def wanted(self) -> tuple[str, ...]:
        """Headers that a file must have to be read by this mapping."""
        named = [*self.columns.values(), *(h for pair in self.drills.values() for h in pair)]
        return tuple(dict.fromkeys(named))

    def fits(self, headers: tuple[str, ...]) -> bool:
        """Whether a sheet with these headers is of this layout."""
        return bool(self.wanted) and set(self.wanted) <= set(headers)


_KEYS = {
    "": ("table", "layout", "headers"),
    "columns": (),
    "words": (),
    "fixed": (),
    "date": ("order", "in", "season_start"),
    "total": ("order",),
    "drills": (),
    "floaters": ("types", "from_ft", "to_ft"),
    "floor": ("distance_unit", "place_unit", "defender_unit", "origin", "along", "length_ft"),
    "contest_by_distance": ("bands",),
    "leave_out": ("player",),
}


class _Reader:
    """A parsed mapping, its text for line numbers, and the problems met."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.lines = text.splitlines()
        self.problems = Problems()

    def line(self, section: str, key: str) -> int | None:
        """Line of a key inside a section, as a person counts."""
        inside = not section
        for number, line in enumerate(self.lines, start=1):
            words = line.strip()
            if words.startswith("["):
                inside = words.strip("[] ") == section
            elif inside and words.partition("=")[0].strip().strip("\"'") == key:
                return number
        return None

    def refuse(self, section: str, key: str, value: object, rule: str, step: str) -> None:
        """Note a value that breaks its rule, with its line."""
        column = f"{section}.{key}" if section else key
        self.problems.add(
            (self.path.name, ""), rule, step, row=self.line(section, key), column=column,
            value=value, cause=f"{rule} {column}",
        )  # fmt: skip

    def one_of(self, section: str, found: Any, key: str, known: Any, default: str) -> str:
        """A word out of some; a question mark says what to fill in."""
        value = found.get(key, default)
        if value == OPEN:
            told = f"could not be guessed: {' or '.join(known)}"
            self.refuse(section, key, OPEN, told, f"write one of them in {self.path.name}")
        elif not isinstance(value, str) or value not in known:
            close = nearest(str(value), known)
            step = f"did you mean {close!r}?" if close else "use one of these"
            self.refuse(section, key, value, f"one of {', '.join(known)}", step)
        return str(value)

    def number(self, section: str, found: Any, key: str, default: float) -> float:
        """A number that is not negative."""
        value = found.get(key, default)
        if type(value) not in (int, float) or not 0 <= value <= 1000:
            self.refuse(section, key, value, "a number from 0 to 1000", "write e.g. 4")
            return default
        return float(value)

    def texts(self, section: str, found: Any, key: str) -> tuple[str, ...]:
        """A list of texts."""
        value = found.get(key, [])
        if value == OPEN or (isinstance(value, list) and OPEN in value):
            told = "could not be guessed: the texts that are meant"
            self.refuse(section, key, OPEN, told, f"list them in {self.path.name}, or write []")
            return ()
        if not isinstance(value, list) or not all(isinstance(text, str) for text in value):
            self.refuse(section, key, value, "a list of texts", 'write e.g. ["Floater"]')
            return ()
        return tuple(value)

    def pairs(self, section: str, found: Any) -> dict[str, str]:
        """Text to text; a question mark is a header or value that could not be guessed."""
        kept = {}
        for key, value in found.items():
            if value == OPEN:
                self.refuse(
                    section, key, OPEN, "could not be guessed",
                    f"fill in the line in {self.path.name}, or take it out",
                )  # fmt: skip
            elif not isinstance(value, str) or not value:
                self.refuse(section, key, value, "a text in quotes", f'write {key} = "..."')
            else:
                kept[key] = value
        return kept


def read_mapping(path: Path | str, text: str | None = None) -> LayoutMapping:
    """Read and check a mapping file.

    Parameters
    ----------
    path : path
        The TOML file.
    text : str, optional
        Its text, when it is not written yet.

    Raises
    ------
    RecordsError
        When it cannot be read, holds an unknown key, a value outside its rule, or a line that was
        left to fill in; every such line is listed.
    """
    path = Path(path)
    try:
        text = path.read_text("utf-8") if text is None else text
        found = tomllib.loads(text)
    except (OSError, UnicodeDecodeError, RecursionError, tomllib.TOMLDecodeError) as error:
        raise RecordsError(
            f"the mapping {path.name} cannot be read: {error}",
            rule="a mapping is a TOML file in UTF-8",
            next_step="correct the line, or delete the file and let transfer add propose a new one",
        ) from error
    reader = _Reader(path, text)
    tables = {key: value for key, value in found.items() if isinstance(value, dict)}
    _known(reader, found, tables)
    if not reader.problems.errors:
        digest = hashlib.sha256(text.encode()).hexdigest()
        mapping = replace(_built(reader, found, tables), sha256=digest)
        _complete(reader, mapping)
    if reader.problems.errors:
        count = len(reader.problems.errors)
        raise RecordsError(
            f"{count} {'line' if count == 1 else 'lines'} to fill in or correct in "
            f"{path.parent.name}/{path.name}",
            tuple(problem.to_dict() for problem in reader.problems.sorted()),
            rule="nothing is guessed that the file does not tell",
            next_step="edit the lines named, then run the same command again; nothing was added",
        )
    return mapping


def _known(reader: _Reader, found: dict[str, Any], tables: dict[str, Any]) -> None:
    """Unknown keys and sections, with the nearest known one."""
    for key, value in found.items():
        known = (*_KEYS[""], *(section for section in _KEYS if section))
        section_expected = key in _KEYS and key != ""
        if key not in known or section_expected != isinstance(value, dict):
            close = nearest(key, known)
            step = f"did you mean {close!r}?" if close else "take the line out"
            reader.refuse("", key, "", f"known keys are {', '.join(known)}", step)
    for section, inside in tables.items():
        for key in inside:
            if _KEYS.get(section) and key not in _KEYS[section]:
                close = nearest(key, _KEYS[section])
                step = f"did you mean {close!r}?" if close else "take the line out"
                told = f"known keys of [{section}] are {', '.join(_KEYS[section])}"
                reader.refuse(section, key, "", told, step)


def _built(reader: _Reader, found: dict[str, Any], tables: dict[str, Any]) -> LayoutMapping:
    date = tables.get("date", {})
    floor = tables.get("floor", {})
    start = date.get("season_start")
    if start is not None and type(start) is not datetime.date:
        step = "write e.g. season_start = 2025-08-01"
        told = "the day from which dates without a year count, without quotes"
        reader.refuse("date", "season_start", start, told, step)
        start = None
    length = floor.get("length_ft")
    return LayoutMapping(
        path=reader.path,
        table=reader.one_of("", found, "table", ("practice", "games", "roster"), OPEN),
        layout=reader.one_of("", found, "layout", tuple(LAYOUTS), OPEN),
        headers=reader.texts("", found, "headers"),
        columns=reader.pairs("columns", tables.get("columns", {})),
        words=_words(reader, tables.get("words", {})),
        fixed=reader.pairs("fixed", tables.get("fixed", {})),
        date_order=reader.one_of("date", date, "order", ORDERS, ORDERS[0]),
        date_in=reader.one_of("date", date, "in", ("column", "sheet", "file"), "column"),
        season_start=start,
        total_order=reader.one_of("total", tables.get("total", {}), "order", TOTAL_ORDERS,
                                  TOTAL_ORDERS[0]),
        drills=_drills(reader, tables.get("drills", {})),
        floaters=_floaters(reader, tables.get("floaters")),
        floor=Floor(
            reader.one_of("floor", floor, "distance_unit", UNITS, "ft"),
            reader.one_of("floor", floor, "place_unit", UNITS, "ft"),
            reader.one_of("floor", floor, "defender_unit", UNITS, "ft"),
            reader.one_of("floor", floor, "origin", ORIGINS, "ring"),
            reader.one_of("floor", floor, "along", ("x", "y"), "y"),
            None if length is None else reader.number("floor", floor, "length_ft", 94.0),
        ),
        bands=_bands(reader, tables.get("contest_by_distance", {})),
        left_out=reader.texts("leave_out", tables.get("leave_out", {}), "player"),
    )  # fmt: skip


def _words(reader: _Reader, found: dict[str, Any]) -> dict[str, dict[str, str]]:
    kept = {}
    for column, inside in found.items():
        if not isinstance(inside, dict):
            told = "words of the file and what they mean, a section for each column"
            reader.refuse("words", column, inside, told, f"write [words.{column}] above them")
            continue
        meant = reader.pairs(f"words.{column}", inside)
        kept[column] = {plain_words(word): level for word, level in meant.items()}
    return kept


def _drills(reader: _Reader, found: dict[str, Any]) -> dict[str, tuple[str, ...]]:
    kept = {}
    for drill, headers in found.items():
        texts = headers if isinstance(headers, list) else [headers]
        if not 1 <= len(texts) <= 2 or not all(isinstance(t, str) and t for t in texts):
            told = "a drill has the header of its total, or those of makes and attempts"
            step = f'write "{drill}" = ["header of makes", "header of attempts"]'
            reader.refuse("drills", drill, headers, told, step)
            continue
        kept[drill] = tuple(texts)
    return kept


def _floaters(reader: _Reader, found: dict[str, Any] | None) -> Floaters | None:
    if found is None:
        return None
    low = reader.number("floaters", found, "from_ft", 4.0)
    high = reader.number("floaters", found, "to_ft", 14.0)
    if low >= high:
        told = "the band begins below its end"
        reader.refuse("floaters", "to_ft", high, told, "write e.g. from_ft = 4, to_ft = 14")
    return Floaters(reader.texts("floaters", found, "types"), low, high)


def _bands(reader: _Reader, found: dict[str, Any]) -> tuple[Band, ...]:
    levels = TABLES["games"].column("contest").levels
    kept = []
    bands = found.get("bands", [])
    for band in bands if isinstance(bands, list) else [bands]:
        right = isinstance(band, list) and len(band) == 3
        if not right or type(band[0]) not in (int, float) or type(band[1]) not in (int, float):
            reader.refuse(
                "contest_by_distance", "bands", band, "a band is from, to (ft) and a contest level",
                'write e.g. bands = [[0, 3, "front"], [3, 6, "light"], [6, 100, "none"]]',
            )  # fmt: skip
        elif band[2] not in levels:
            told = f"contest is one of {', '.join(levels)}"
            reader.refuse("contest_by_distance", "bands", band[2], told, "use one of the levels")
        else:
            kept.append(Band(float(band[0]), float(band[1]), band[2]))
    return tuple(kept)


def _complete(reader: _Reader, mapping: LayoutMapping) -> None:
    """What every layout needs, so that rows can be made at all."""
    if mapping.table not in TABLES or mapping.layout not in LAYOUTS:
        return
    known = {*TABLES[mapping.table].names, *CONVERTED}
    for section, keys in (("columns", mapping.columns), ("fixed", mapping.fixed)):
        for name in keys:
            if name not in known:
                close = nearest(name, known)
                step = f"did you mean {close!r}?" if close else "take the line out"
                told = f"{mapping.table} has no column {name!r}"
                reader.refuse(section, name, keys[name], told, step)
    have = {*mapping.columns, *mapping.fixed}
    open_already = {problem.column for problem in reader.problems.found}
    for name, instead in _needs(mapping).items():
        if not (have & {name, *instead}) and f"columns.{name}" not in open_already:
            others = f", or one of {', '.join(instead)}" if instead else ""
            reader.refuse(
                "columns", name, "", f"{name} is needed{others}",
                f'add a line under [columns]: {name} = "header in the file"',
            )  # fmt: skip
    if mapping.layout == WIDE and not mapping.drills and "drills" not in open_already:
        reader.refuse(
            "drills", "", "", "a wide sheet names its drills and their columns",
            'add a line under [drills]: "drill" = ["header of makes", "header of attempts"]',
        )  # fmt: skip


def _needs(mapping: LayoutMapping) -> dict[str, tuple[str, ...]]:
    """Needed column to the columns that may stand in its place."""
    needs: dict[str, tuple[str, ...]] = {"player": ()}
    if mapping.table == "roster":
        return needs
    if mapping.date_in == "column":
        needs["date"] = ()
    if mapping.layout == COUNTS:
        needs["makes"] = ("total",)
        needs["attempts"] = ("total", "misses")
    if mapping.layout == SHOTS:
        needs["result"] = ("made",)
    if mapping.layout == BOX:
        needs["minutes"] = ()
    if mapping.table == "practice" and mapping.layout != WIDE:
        needs["drill"] = ()
    return needs
