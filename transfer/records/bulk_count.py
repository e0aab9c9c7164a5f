"""One large file counted: batches to combinations, blocks of minutes, and the rules on the way."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import StorageError
from transfer.records.bulk_codes import BLANK, FIRST, Coder, Rows, empty_rows, may_be_empty
from transfer.records.bulk_groups import Groups, GroupTable, combine
from transfer.records.bulk_read import BLOCKS, NEEDED, LargeFile, Part, keys_of, open_part
from transfer.records.problems import Problems
from transfer.records.raw import REPORTED
from transfer.records.schema import TABLES

__all__ = ["Counted", "count_file"]

#: Bytes that a combination takes in memory, working copies included, and the fewest kept there.
_BYTES_EACH, _LEAST = 400, 1 << 10
#: Column, rule and next step of what is judged by several columns of a row.
_RULES = {
    "made_blocked": ("blocked", "blocked is 1 or 0, and a blocked attempt is a miss",
                     "correct made or blocked"),
    "fouled": ("fouled", "fouled is 1 or 0 in one row per attempt", "correct fouled"),
    "both": ("fouled", "a miss is blocked or fouled, not both",
             "keep the one the scorer would keep"),
    "counts": ("makes", "makes and blocked together are at most attempts",
               "correct makes, blocked or attempts"),
    "minutes": ("minutes", "minutes are the same on all rows of one player's drill or game",
                "write the whole minutes on each row"),
}  # fmt: skip


@dataclass
class Counted:
    """A file's counts and what was wrong with its rows.

    Parameters
    ----------
    table : DataFrame
        One row per combination of the keys: the keys as categories, ``rows``, ``attempts``,
        ``makes``, ``fouled``, ``first``, ``last``, ``minutes`` (NaN where not charted on a row);
        with distances ``known`` and ``distance_ft`` (mean charted distance of the row's attempts,
        NaN where ``known`` is false).
    problems : Problems
        Errors of rows; their file and first row are named.
    """

    table: pd.DataFrame
    problems: Problems = field(default_factory=Problems)


class _EmptyRowsError(Exception):
    """Rows without any text in the columns read; the other columns must say whether they count."""


def count_file(part: Part, *, memory_mb: int, threads: bool) -> Counted:
    """Count one file.

    Parameters
    ----------
    part : Part
    memory_mb : int
        Memory of the table of combinations; beyond it, it lies in a temporary folder.
    threads : bool
        Whether reading may use threads of its own.

    Returns
    -------
    Counted

    Raises
    ------
    StorageError
        When the file cannot be read as what its ending says, or lacks a column.
    """
    import pyarrow as pa

    most = max(_LEAST, memory_mb * (1 << 20) // _BYTES_EACH)
    try:
        file = open_part(part)
        try:
            return _pass(part, file, most, threads, whole=False)
        except _EmptyRowsError:
            return _pass(part, file, most, threads, whole=True)
    except (pa.ArrowException, OSError, UnicodeError) as error:
        reason = str(error).splitlines() or [type(error).__name__]
        raise StorageError(
            f"{part.path.name} could not be counted: {reason[0]}",
            rule="the file is Parquet, or CSV with a header row and one delimiter",
            next_step="export the table again, as Parquet",
        ) from error


def _pass(part: Part, file: LargeFile, most: int, threads: bool, *, whole: bool) -> Counted:
    """Read a file once; with `whole` the columns that no cell is made of as well."""
    with tempfile.TemporaryDirectory() as folder:
        # Days and players stay together on disk, so every block of minutes does.
        count = _Count(part, file, Groups(Path(folder), most, ("date", "player")), whole)
        count.read(threads)
        return count.finished()


class _Count:
    """One pass over a file."""

    def __init__(self, part: Part, file: LargeFile, groups: Groups, whole: bool) -> None:
        self.part, self.file, self.groups, self.whole = part, file, groups, whole
        held = set(file.columns)
        self.keys = keys_of(part, held)
        self.single = "made" in held
        self.blocks = "minutes" in held and (self.single or part.table == "games")
        #: Columns that are kept as codes, and those that are summed.
        codes = [*self.keys, *NEEDED[part.table]]
        if self.blocks:
            codes += [*(k for k in BLOCKS[part.table] if k in held), "minutes"]
        counts = [n for n in ("blocked", "fouled") if n in held]
        sums = [] if self.single else ["attempts", "makes", *counts]
        codes += ["made", *counts] if self.single else []
        if "minutes" in held and not self.blocks:
            sums.append("minutes")
        if part.distance and "distance_ft" in held:
            sums.append("distance_ft")
        self._by = [*self.keys, "known"]
        self.codes, self.sums = list(dict.fromkeys(codes)), sums
        #: Columns that are only looked at for blanks need no code in the groups.
        self.grouped = [c for c in self.codes if c not in NEEDED[part.table] or c in self.keys
                        or c == "date" or self.blocks]  # fmt: skip
        required = {*NEEDED[part.table], "made", "attempts", "makes"}
        table = TABLES[part.table]
        self.coders = {
            n: Coder(table.column(n), (part.path.name, ""), n in required)
            for n in (*self.codes, *self.sums)
        }
        #: Rule to the number of rows that break it and the position of the first, -1 unknown.
        self.broken: dict[str, tuple[int, int]] = {}

    def read(self, threads: bool) -> None:
        """Count all batches; rows without any text are left out, as in small files."""
        import pyarrow as pa

        names = [*self.codes, *self.sums]
        whole, day = self.whole or len(names) == self.file.width, names.index("date")
        start = 0
        for arrays in self.file.batches([*names, ""] if self.whole else names, threads):
            n = len(arrays[0])
            rows: Rows = range(start, start + n)
            if may_be_empty(arrays[day]) and (empty := empty_rows(arrays)).any():
                if not whole:
                    raise _EmptyRowsError
                rows = start + np.flatnonzero(~empty)
                arrays = [a.filter(pa.array(~empty)) for a in arrays]
            self._add(dict(zip(names, arrays, strict=False)), rows)
            start += n

    def _add(self, arrays: dict[str, Any], rows: Rows) -> None:
        """Count one batch."""
        if not len(rows):
            return
        codes = {n: self.coders[n].codes(arrays[n], rows) for n in self.codes}
        sums = {n: self.coders[n].numbers(arrays[n], rows) for n in self.sums}
        if not self.single:
            self._check_counts(sums, rows)
        kept = {n: codes[n] for n in self.grouped}
        if "minutes" in sums:
            sums["uncharted"] = np.isnan(sums["minutes"]).astype(float)
        weight = None
        if not self.single:
            weight = np.nan_to_num(sums["attempts"])
            if self.part.fouled_miss_counts and "fouled" in sums:
                weight = weight + np.nan_to_num(sums["fouled"])
        if "distance_ft" in sums:
            distance = sums.pop("distance_ft")
            known = ~np.isnan(distance)
            kept["known"] = known.astype(np.int32)
            reach = np.where(known, distance, 0.0)
            # In one row per attempt the weight is the same in all rows of a combination.
            sums["plain"] = reach
            if weight is not None:
                sums["reach"], sums["weight"] = reach * weight, weight * known
        self.groups.add(len(rows), kept, {n: np.nan_to_num(v) for n, v in sums.items()})

    def _check_counts(self, sums: dict[str, np.ndarray], rows: Rows) -> None:
        blocked = np.nan_to_num(sums["blocked"]) if "blocked" in sums else 0.0
        wrong = np.flatnonzero(np.nan_to_num(sums["makes"]) + blocked > sums["attempts"])
        if len(wrong):
            count, first = self.broken.get("counts", (0, int(rows[wrong[0]])))
            self.broken["counts"] = (count + len(wrong), first)

    def finished(self) -> Counted:
        """Return the counts by key, and what was wrong."""
        parts = [self._by_key(t) for t in self.groups.finished()]
        problems = Problems([p for c in self.coders.values() for p in c.told()])
        for name, (count, first) in self.broken.items():
            column, rule, step = _RULES[name]
            problems.add(
                (self.part.path.name, ""), rule, step, column=column, value=f"{count:,} rows",
                row=None if first < 0 else first,
            )  # fmt: skip
        rows = self.file.row_numbers({p.row for p in problems.found if p.row is not None})
        problems.found = [
            p if p.row is None else replace(p, row=rows.get(p.row)) for p in problems.found
        ]
        if not parts:
            problems.add(
                (self.part.path.name, ""), "the table has a header and no rows (empty file)",
                "fill in the table, or leave the file out",
            )  # fmt: skip
        return Counted(self._table(parts), problems)

    def _values(self, name: str) -> np.ndarray:
        """Numbers by code, NaN for a blank and a refused text."""
        return np.array([np.nan, np.nan, *self.coders[name].values], dtype=float)

    def _break(self, name: str, rows: np.ndarray) -> None:
        if total := int(rows.sum()):
            count, first = self.broken.get(name, (0, -1))
            self.broken[name] = (count + total, first)

    def _by_key(self, table: GroupTable) -> dict[str, np.ndarray]:
        """Counts of combinations to counts of keys, a block's minutes taken once."""
        rows = table.sums["rows"]
        frame = {k: table.codes[k] for k in (*self.keys, "known") if k in table.codes}
        frame["rows"] = rows
        if self.single:
            frame |= self._outcomes(table)
        else:
            frame |= {k: table.sums[k] for k in ("attempts", "makes")}
            frame["fouled"] = table.sums.get("fouled", np.zeros(len(table)))
        if "plain" in table.sums:
            frame["plain"] = table.sums["plain"]
            weight = frame["attempts"] + frame["fouled"] * self.part.fouled_miss_counts
            frame["reach"] = table.sums.get("reach", table.sums["plain"] * weight / rows)
            frame["weight"] = table.sums.get("weight", weight * table.codes["known"])
        frame["minutes"], frame["uncharted"] = self._minutes(table)
        days = np.array([-_NEVER, -_NEVER, *map(_ordinal, self.coders["date"].values)])
        day = days[table.codes["date"]]
        frame["first"] = np.where(day > -_NEVER, day, _NEVER)
        frame["last"] = day
        return _merged(frame, self._by)

    def _outcomes(self, table: GroupTable) -> dict[str, np.ndarray]:
        """Attempts, makes and fouled misses of one row per attempt."""
        rows = table.sums["rows"]
        made = np.nan_to_num(self._values("made")[table.codes["made"]])
        flags = {}
        for name in ("fouled", "blocked"):
            flags[name] = np.zeros(len(rows))
            if name in table.codes:
                flags[name] = np.nan_to_num(self._values(name)[table.codes[name]])
        fouled, blocked = flags["fouled"], flags["blocked"]
        self._break("fouled", rows[fouled > 1])
        self._break("made_blocked", rows[(blocked > 1) | ((blocked > 0) & (made == 1))])
        self._break("both", rows[(blocked > 0) & (fouled > 0)])
        missed = fouled * (1 - made)
        return {"attempts": rows * (1 - missed), "makes": rows * made, "fouled": rows * missed}

    def _minutes(self, table: GroupTable) -> tuple[np.ndarray, np.ndarray]:
        """Minutes of every combination, and whether any is missing."""
        if not self.blocks:
            nothing = np.zeros(len(table)), np.ones(len(table))
            return table.sums.get("minutes", nothing[0]), table.sums.get("uncharted", nothing[1])
        minutes = self._values("minutes")[table.codes["minutes"]]
        block, size = combine(self._block_codes(table), len(table))
        most, least = np.full(size, -np.inf), np.full(size, np.inf)
        held = ~np.isnan(minutes)
        np.maximum.at(most, block[held], minutes[held])
        np.minimum.at(least, block[held], minutes[held])
        rows = table.sums["rows"]
        self._break("minutes", rows[held & (least < most)[block] & (minutes != most[block])])
        if self.part.table == "practice":
            share = rows / np.bincount(block, rows, minlength=size)[block]
        else:
            # A game's minutes stand once, on the first of the player's rows.
            first = np.full(size, len(table))
            np.minimum.at(first, block, np.arange(len(table)))
            share = (first[block] == np.arange(len(table))).astype(float)
        whole = most[block]
        missing = np.isinf(whole)
        return np.where(missing, 0.0, whole) * share, missing.astype(float)

    def _block_codes(self, table: GroupTable) -> list[np.ndarray]:
        """Codes of the columns that say to which block a row belongs."""
        found = []
        for name in BLOCKS[self.part.table]:
            if name not in table.codes:
                continue
            codes = table.codes[name]
            if name in ("program", "season") and (blank := codes == BLANK).any():
                used = np.unique(codes[codes >= FIRST])
                if len(used) == 1:  # blanks will take the only label, or the records are refused
                    codes = np.where(blank, used[0], codes)
            found.append(codes)
        return found

    def _table(self, parts: list[dict[str, np.ndarray]]) -> pd.DataFrame:
        """Parts of the counted table as one, keys as categories, in a fixed order."""
        if not parts:
            return pd.DataFrame()
        found = _merged({k: np.concatenate([p[k] for p in parts]) for k in parts[0]}, self._by)
        data: dict[str, Any] = {k: self._labels(k, found[k]) for k in self.keys}
        data |= {k: found[k].astype(np.int64) for k in ("rows", "attempts", "makes", "fouled")}
        for name in ("first", "last"):
            day = found[name]
            seconds = pd.Series(day * _DAY_SECONDS).astype("datetime64[s]")
            data[name] = seconds.where(np.abs(day) < _NEVER)
        # In a fixed order and rounded far below what is charted, equal files give equal sums.
        data["minutes"] = np.where(found["uncharted"] > 0, np.nan, found["minutes"].round(8))
        if "known" in found:
            data["known"] = found["known"] > 0
            weighs = found["weight"] > 0
            mean = np.where(weighs, found["reach"], found["plain"]) / np.where(
                weighs, found["weight"], found["rows"]
            )
            data["distance_ft"] = np.where(data["known"], mean.round(8), np.nan)
        by = [k for k in self._by if k in data]
        return pd.DataFrame(data).sort_values(by, ignore_index=True)

    def _labels(self, name: str, codes: np.ndarray) -> pd.Categorical:
        """Codes of a key as categories; a mark for refused texts, so that none is told twice."""
        values = ["", REPORTED, *self.coders[name].values]
        used = [k for k in np.flatnonzero(np.bincount(codes)).tolist() if k != BLANK]
        used.sort(key=values.__getitem__)
        recode = np.full(len(values), -1)
        recode[used] = np.arange(len(used))
        labels = pd.Index([values[k] for k in used], dtype="str")
        return pd.Categorical.from_codes(recode[codes], categories=labels)


#: Later than any day: the day of a row without a date, when the first day is looked for.
_NEVER, _DAY_SECONDS = 1 << 40, 86_400


def _ordinal(day: Any) -> int:
    return int(np.datetime64(day, "D").astype(np.int64))


def _merged(frame: dict[str, np.ndarray], by: list[str]) -> dict[str, np.ndarray]:
    """Rows with equal codes as one: first and last day, sums of everything else."""
    keys = [k for k in by if k in frame]
    n = len(frame["rows"])
    combined, size = combine([frame[k] for k in keys], n)
    held = np.flatnonzero(np.bincount(combined, minlength=size))
    at = np.zeros(size, dtype=np.int64)
    at[combined] = np.arange(n)
    found = {k: frame[k][at[held]] for k in keys}
    for name, values in frame.items():
        if name in ("first", "last"):
            day = values[at].copy()
            (np.minimum if name == "first" else np.maximum).at(day, combined, values)
            found[name] = day[held]
        elif name not in keys:
            found[name] = np.bincount(combined, values, minlength=size)[held]
    return found
