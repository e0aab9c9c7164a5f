"""From a foreign file to a season folder: mapping, conversion, checks, and what would be added."""

from __future__ import annotations

import datetime
import re
import tempfile
import tomllib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import RecordsError
from transfer.records.adding.convert import Converted, convert
from transfer.records.adding.ledger import (
    Addition,
    additions,
    table_path,
    take_back,
    write_addition,
)
from transfer.records.adding.mapping import LayoutMapping
from transfer.records.adding.mapping_text import mapping_text
from transfer.records.adding.propose import propose
from transfer.records.adding.record_file import open_record_file, row_key, text_rows
from transfer.records.adding.sources import Source, read_source
from transfer.records.problems import Problem, Problems
from transfer.records.raw import from_frame
from transfer.records.reading import read_records
from transfer.records.rules import check_counts, check_table
from transfer.records.schema import TABLES
from transfer.records.season import SeasonConfig

__all__ = ["MAPPINGS", "Plan", "Proposed", "commit", "mapping_for", "plan_file", "recover"]

#: Folder of mapping files, inside the season folder.
MAPPINGS = "mappings"


@dataclass(frozen=True)
class Proposed:
    """A mapping for a file: one that was there, or a new one that is not written yet."""

    source: Source
    path: Path
    text: str
    new: bool


@dataclass(frozen=True)
class Plan:
    """What adding a file would do.

    Parameters
    ----------
    entry : Addition
        Its line in the list of additions.
    tables : dict of str to DataFrame
        Rows to add by table; empty where there is nothing new.
    questions : tuple of str
        Drills met for the first time, each with what is not known about it.
    notes : tuple of str
        What else a person should know.
    earlier : Addition or None
        The addition of this very file by this very mapping.
    """

    entry: Addition
    tables: dict[str, pd.DataFrame]
    questions: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    earlier: Addition | None = None

    @property
    def text(self) -> str:
        """Counts in, kept and left out, as sentences."""
        entry = self.entry
        if self.earlier is not None:
            return (
                f"{entry.file}: nothing added. The file is addition {self.earlier.number} of "
                f"{self.earlier.day}."
            )
        parts = [f"{entry.file}: {entry.read:,} rows read, {entry.kept:,} kept"]
        parts += [f"{n:,} left out ({reason})" for reason, n in entry.left_out.items()]
        told = "; ".join(parts) + ". "
        if not self.tables:
            return told + f"Nothing added: all {entry.already:,} are in {entry.table} already."
        told += (
            f"{entry.added:,} rows for {entry.table}: {entry.makes:,} makes of "
            f"{entry.attempts:,} attempts."
        )
        if entry.already:
            told += f" {entry.already:,} rows were there already."
        return told

    def to_dict(self) -> dict[str, Any]:
        """Return plain values (not the rows)."""
        entry = self.entry
        return {
            "file": entry.file, "mapping": entry.mapping, "table": entry.table,
            "read": entry.read, "kept": entry.kept,
            "left_out": [{"reason": why, "rows": n} for why, n in entry.left_out.items()],
            "added": entry.added if self.tables else 0, "already": entry.already,
            "attempts": entry.attempts if self.tables else 0,
            "makes": entry.makes if self.tables else 0,
            "settings": [{"what": what, "how": how} for what, how in entry.settings.items()],
            "questions": list(self.questions),
            "notes": list(self.notes), "text": self.text,
        }  # fmt: skip


def recover(season: SeasonConfig) -> Addition | None:
    """Take back an addition that was interrupted, if there is one."""
    entries = additions(season)
    return take_back(season) if entries and not entries[-1].done else None


def mapping_for(
    season: SeasonConfig, path: Path, given: Path | None, pending: Sequence[Proposed] = ()
) -> Proposed:
    """Find the mapping of a file's layout, or propose one.

    Parameters
    ----------
    season : SeasonConfig
        The season folder, whose mappings are looked through.
    path : Path
        The foreign file.
    given : Path, optional
        A mapping named by hand.
    pending : sequence of Proposed
        Mappings proposed for other files of the same command.

    Raises
    ------
    RecordsError
        When the file, or a mapping named by hand, cannot be read.
    """
    source = read_source(path)
    if given is not None:
        return Proposed(source, given, _text(given), new=False)
    headers = source.sheets[0].headers
    for candidate in sorted((season.folder / MAPPINGS).glob("*.toml")):
        with suppress(RecordsError):
            text = _text(candidate)
            if _is_for(text, headers):
                return Proposed(source, candidate, text, new=False)
    for other in pending:
        if _is_for(other.text, headers):
            return Proposed(source, other.path, other.text, new=False)
    text = mapping_text(propose(source), source.name, headers)
    taken = {other.path for other in pending}
    return Proposed(source, _free_name(season.folder / MAPPINGS, path.stem, taken), text, new=True)


def _text(path: Path) -> str:
    try:
        return path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise RecordsError(
            f"the mapping {path.name} cannot be read: {error}",
            rule="a mapping is a TOML file in UTF-8",
            next_step="check its name, or leave --mapping out and let transfer add propose one",
        ) from error


def _is_for(text: str, headers: tuple[str, ...]) -> bool:
    """Whether a mapping, finished or not, belongs to a file with these headers."""
    try:
        found = tomllib.loads(text)
    except (RecursionError, tomllib.TOMLDecodeError):
        return False
    listed = found.get("headers")
    if isinstance(listed, list) and listed and all(isinstance(h, str) for h in listed):
        return set(listed) <= set(headers)
    columns = found.get("columns")
    named = [h for h in columns.values() if isinstance(h, str)] if isinstance(columns, dict) else []
    return bool(named) and set(named) <= set(headers)


def _free_name(folder: Path, stem: str, taken: set[Path]) -> Path:
    base = re.sub(r"[^\w]+", "_", stem).strip("_").lower()[:60] or "layout"
    number, path = 1, folder / f"{base}.toml"
    while path.exists() or path in taken:
        number += 1
        path = folder / f"{base}_{number}.toml"
    return path


def plan_file(season: SeasonConfig, source: Source, mapping: LayoutMapping) -> Plan:
    """Convert a file and see what it would add, without writing anything.

    Parameters
    ----------
    season : SeasonConfig
        The season folder.
    source : Source
        The foreign file.
    mapping : LayoutMapping
        How its layout reads.

    Raises
    ------
    RecordsError
        With every cell that cannot be read, every rule that a row breaks, and every row that the
        records hold with other counts.
    """
    sha = mapping.sha256
    blank = Addition(
        0, datetime.date.today().isoformat(), source.name, source.sha256, mapping.name, sha,
        mapping.table, 0, 0, {}, 0, 0, 0, 0,
    )  # fmt: skip
    for earlier in additions(season):
        if (earlier.sha256, earlier.mapping_sha256) == (source.sha256, sha):
            return Plan(blank, {}, earlier=earlier)
    problems = Problems()
    sheets = [sheet for sheet in source.sheets if mapping.fits(sheet.headers)]
    _refuse_other_sheets(source, mapping, problems)
    parts = [convert(sheet, mapping, season.rule_body, problems) for sheet in sheets]
    for part in parts:
        _check_rows(part, season, problems)
    problems.raise_errors()
    new, already = _new_rows(parts, season, problems)
    problems.raise_errors()
    drills = _new_drills(new, season) if mapping.table == "practice" else pd.DataFrame()
    tables = {name: rows for name, rows in ((mapping.table, new), ("drills", drills)) if len(rows)}
    if not len(new):
        tables = {}
    _check_folder(season, tables)
    left: dict[str, int] = {}
    for part in parts:
        for reason, count in part.left_out.items():
            left[reason] = left.get(reason, 0) + count
    entry = Addition(
        len(additions(season)) + 1, blank.day, source.name, source.sha256, mapping.name, sha,
        mapping.table, sum(p.read for p in parts), sum(p.kept for p in parts), left,
        len(new), already, _total(new, "attempts"), _total(new, "makes"), len(drills),
        dict(parts[0].settings),
    )  # fmt: skip
    notes = dict.fromkeys(note for part in parts for note in part.notes)
    return Plan(entry, tables, _questions(drills, new, season), (*_unread(source, mapping), *notes))


def commit(season: SeasonConfig, plan: Plan) -> None:
    """Write what a plan adds; nothing where there is nothing new.

    Raises
    ------
    StorageError
        When a file cannot be written.
    """
    if plan.tables:
        write_addition(season, plan.entry, plan.tables)


def _total(rows: pd.DataFrame, name: str) -> int:
    return int(pd.to_numeric(rows[name]).sum()) if name in rows and len(rows) else 0


def _refuse_other_sheets(source: Source, mapping: LayoutMapping, problems: Problems) -> None:
    """A file that no sheet of fits is refused, with the headers it lacks."""
    if any(mapping.fits(sheet.headers) for sheet in source.sheets):
        return
    sheet = source.sheets[0]
    lacking = [header for header in mapping.wanted if header not in sheet.headers]
    problems.add(
        sheet.place, f"{mapping.name} reads columns that the file lacks: {', '.join(lacking)}",
        "correct the headers, or the mapping", row=int(sheet.rows[0]) - 1,
        value=", ".join(sheet.headers),
    )  # fmt: skip


def _unread(source: Source, mapping: LayoutMapping) -> list[str]:
    """Sheets and columns that the mapping knows nothing about."""
    others = [s.name for s in source.sheets if not mapping.fits(s.headers)]
    told = [f"Sheets not read, their headers are others: {', '.join(others)}."] if others else []
    known = {*mapping.headers, *mapping.wanted}
    new = dict.fromkeys(h for s in source.sheets for h in s.headers if h and h not in known)
    if new and mapping.headers:
        told.append(f"Columns that {mapping.name} does not know were not read: {', '.join(new)}.")
    return told


def _check_rows(part: Converted, season: SeasonConfig, problems: Problems) -> None:
    """The rules of one table on converted rows, told with the rows of the foreign file."""
    if not len(part.frame):
        return
    raw = from_frame(part.frame, part.place[0])
    raw.place = part.place
    raw.row_numbers = lambda positions: [int(row) for row in part.rows[np.asarray(positions)]]
    checked = check_table(raw, TABLES[part.table], problems)
    if part.table in ("practice", "games"):
        check_counts(checked, problems)


def _new_rows(
    parts: list[Converted], season: SeasonConfig, problems: Problems
) -> tuple[pd.DataFrame, int]:
    """Converted rows that the records do not hold yet, and how many they hold."""
    table = parts[0].table
    held = {}
    for row in open_record_file(table_path(season, table), table).dicts:
        held[row_key(row, table)] = (row.get("attempts", ""), row.get("makes", ""))
    kept, already = [], 0
    for part in parts:
        new = []
        for at, row in enumerate(text_rows(part.frame)):
            key, counts = row_key(row, table), (row.get("attempts", ""), row.get("makes", ""))
            if key not in held:
                new.append(at)
                continue
            already += 1
            if held[key] != counts and table in ("practice", "games"):
                problems.add(
                    part.place,
                    f"{table} holds this row already with other counts",
                    "take the earlier addition back with --undo, or correct the row in "
                    f"{table_path(season, table).name}",
                    row=int(part.rows[at]), column="makes",
                    value=f"{_of(counts)} here, {_of(held[key])} there",
                )  # fmt: skip
        kept.append(part.frame.iloc[new])
    return pd.concat(kept, ignore_index=True).fillna(""), already


def _of(counts: tuple[str, str]) -> str:
    return f"{counts[1]} of {counts[0]}"


def _new_drills(rows: pd.DataFrame, season: SeasonConfig) -> pd.DataFrame:
    """Lines for drills that the drills table does not hold."""
    known = open_record_file(table_path(season, "drills"), "drills").frame
    held = set(known["drill"]) if "drill" in known else set()
    names = [name for name in dict.fromkeys(rows.get("drill", [])) if name and name not in held]
    if not len(known) and not any(_unknown(rows[rows["drill"] == n], season) for n in names):
        return pd.DataFrame()
    return pd.DataFrame({"drill": names}, dtype=object)


def _unknown(rows: pd.DataFrame, season: SeasonConfig) -> list[str]:
    """What the rows of a drill need and do not say."""
    wanted = ["mode", *(["contest"] if "contest" in season.settings else [])]
    return [n for n in wanted if n not in rows or rows[n].eq("").any()]


_ASKED = {"mode": "rep or live?", "contest": "contest?"}


def _questions(drills: pd.DataFrame, rows: pd.DataFrame, season: SeasonConfig) -> tuple[str, ...]:
    told = []
    for name in drills.get("drill", []):
        asked = _unknown(rows[rows["drill"] == name], season)
        if asked:
            told.append(f"{name}: {' '.join(_ASKED[column] for column in asked)} entry?")
    return tuple(told)


def _check_folder(season: SeasonConfig, tables: dict[str, pd.DataFrame]) -> None:
    """Refuse rows that would bring a problem into the folder's records."""
    if not tables:
        return
    after = _errors_of(season, tables)
    if not after:
        return
    before = {(p.file, p.cause, p.value) for p in _errors_of(season, {})}
    new = Problems([p for p in after if (p.file, p.cause, p.value) not in before])
    new.raise_errors()


def _errors_of(season: SeasonConfig, tables: dict[str, pd.DataFrame]) -> list[Problem]:
    """Errors of the records with more rows, read from copies of the files."""
    with tempfile.TemporaryDirectory() as scratch:
        inputs: dict[str, Any] = {}
        for table in TABLES:
            path = table_path(season, table)
            rows = tables.get(table)
            if rows is None and table in ("drills", "roster") and table not in season.files:
                continue
            copy = Path(scratch) / path.name
            if rows is not None:
                copy.write_text(open_record_file(path, table).with_rows(rows), "utf-8")
            elif path.is_file():
                copy.write_bytes(path.read_bytes())
            if table == "drills" and copy.exists():
                _answer(copy)
            if copy.exists() and _has_rows(copy, table):
                inputs[table] = copy
        if not {"practice", "games"} & set(inputs):
            return []
        try:
            read_records(
                **inputs, season_end=season.season_end, rule_body=season.rule_body,
                settings=season.settings,
            )  # fmt: skip
        except RecordsError as error:
            return [Problem(**p) for p in error.problems if p["severity"] == "error"]  # type: ignore[arg-type]
    return []


def _has_rows(path: Path, table: str) -> bool:
    return path.suffix.lower() != ".csv" or bool(open_record_file(path, table).rows)


def _answer(path: Path) -> None:
    """Give drills whose questions are open an answer in a copy, so that only rows are checked."""
    file = open_record_file(path, "drills")
    frame = file.frame.reindex(columns=list(TABLES["drills"].names), fill_value="")
    for name, level in (("mode", "rep"), ("contest", "none")):
        frame[name] = frame[name].mask(frame[name] == "", level)
    path.write_text(frame.to_csv(index=False), "utf-8")
