"""Rows counted by combinations of codes, inside a memory limit: beyond it, on disk."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from transfer.records.bulk_codes import Codes

__all__ = ["GroupTable", "Groups", "combine"]

#: Rows that are gathered before they are counted, and parts that a table is cut into on disk.
_ROWS, _PARTS = 1 << 20, 16
#: Combinations for which a table is never too large.
_FEW = 1 << 16


def combine(codes: Sequence[np.ndarray], n: int) -> tuple[np.ndarray, int]:
    """Number the combinations of several code columns, possibly with gaps.

    Parameters
    ----------
    codes : sequence of int array, each of shape (N,)
        Not negative.
    n : int
        Number of rows.

    Returns
    -------
    (int64 array of shape (N,), int)
        Combination of every row, and a number above all of them, small enough for a table.
    """
    combined, size = np.zeros(n, dtype=np.int64), 1
    most = max(_FEW, n)
    # Narrow columns first: those that say nearly the same (a drill and its contest) shrink to few
    # combinations before the wide ones join, so that most files never need a hash table.
    for width, i in sorted((int(c.max(initial=0)) + 1, i) for i, c in enumerate(codes)):
        if width == 1:
            continue
        if size * width > most and size > 1:
            combined, size = _without_gaps(combined, size)
        combined *= width
        combined += codes[i]
        size *= width
    return (combined, size) if size <= 4 * most else _without_gaps(combined, size)


def _without_gaps(combined: np.ndarray, size: int) -> tuple[np.ndarray, int]:
    if size <= max(_FEW, 8 * len(combined)):
        held = np.zeros(size, dtype=bool)
        held[combined] = True
        numbers = np.cumsum(held) - 1
        return numbers[combined], int(numbers[-1]) + 1
    numbers, distinct = pd.factorize(combined)
    return numbers.astype(np.int64), len(distinct)


@dataclass
class GroupTable:
    """Rows with codes and numbers.

    Parameters
    ----------
    codes : dict of str to int array, shape (G,)
    sums : dict of str to float array, shape (G,)
        Summed when combinations meet; ``rows`` is always among them.
    """

    codes: dict[str, np.ndarray]
    sums: dict[str, np.ndarray]

    def __len__(self) -> int:
        return len(self.sums["rows"])

    def counted(self) -> GroupTable:
        """Return the table with every combination once."""
        combined, size = combine(list(self.codes.values()), len(self))
        held = np.flatnonzero(np.bincount(combined, minlength=size))
        at = np.zeros(size, dtype=np.int64)
        at[combined] = np.arange(len(self))
        at = at[held]
        sums = {k: np.bincount(combined, v, minlength=size)[held] for k, v in self.sums.items()}
        return GroupTable({k: v[at] for k, v in self.codes.items()}, sums)

    @staticmethod
    def joined(tables: Sequence[GroupTable]) -> GroupTable:
        """One table below the other."""
        first = tables[0]
        return GroupTable(
            {k: np.concatenate([t.codes[k] for t in tables]) for k in first.codes},
            {k: np.concatenate([t.sums[k] for t in tables]) for k in first.sums},
        )


@dataclass
class Groups:
    """Counts of a file while it is read.

    Parameters
    ----------
    folder : path
        Where the table goes when it is too large for memory.
    most : int
        Combinations that memory holds.
    by : tuple of str
        Columns whose combinations stay together on disk.
    """

    folder: Path
    most: int
    by: tuple[str, ...]
    waiting: list[tuple[int, dict[str, Codes], dict[str, np.ndarray]]] = field(default_factory=list)
    tables: list[GroupTable] = field(default_factory=list)
    spilled: int = 0

    def add(self, n: int, codes: Mapping[str, Codes], sums: Mapping[str, np.ndarray]) -> None:
        """Add a batch of rows.

        Parameters
        ----------
        n : int
            Number of rows.
        codes : mapping of str to int array of shape (N,), or to one int for all rows
        sums : mapping of str to float array, shape (N,)
        """
        self.waiting.append((n, dict(codes), dict(sums)))
        if sum(rows for rows, _, _ in self.waiting) >= _ROWS:
            self._count()

    def _count(self) -> None:
        """Count the batches that wait, and keep what memory holds."""
        n = sum(rows for rows, _, _ in self.waiting)
        if not n:
            return
        codes, alike = self._gathered()
        combined, size = combine(list(codes.values()), n)
        rows = np.bincount(combined, minlength=size)
        held = np.flatnonzero(rows)
        at = np.zeros(size, dtype=np.int64)
        at[combined] = np.arange(n)
        at = at[held]
        found = {k: v[at].astype(np.int32) for k, v in codes.items()}
        found |= {k: np.full(len(at), v, dtype=np.int32) for k, v in alike.items()}
        sums = {"rows": rows[held].astype(float)}
        for name in self.waiting[0][2]:
            weights = np.concatenate([batch[name] for _, _, batch in self.waiting])
            sums[name] = np.bincount(combined, weights, minlength=size)[held]
        self.waiting = []
        self.tables.append(GroupTable(found, sums))
        if sum(map(len, self.tables)) > self.most:
            self.tables = [GroupTable.joined(self.tables).counted()]
            if len(self.tables[0]) > self.most // 2:
                self._spill()

    def _gathered(self) -> tuple[dict[str, np.ndarray], dict[str, int]]:
        """Columns of the batches that wait, and those that hold one code throughout."""
        codes: dict[str, np.ndarray] = {}
        alike: dict[str, int] = {}
        for name in self.waiting[0][1]:
            parts = [(rows, batch[name]) for rows, batch, _ in self.waiting]
            only = parts[0][1]
            if isinstance(only, int) and all(isinstance(c, int) and c == only for _, c in parts):
                alike[name] = only
            else:
                codes[name] = np.concatenate([np.broadcast_to(c, (rows,)) for rows, c in parts])
        return codes, alike

    def _spill(self) -> None:
        """Put the table on disk, cut by the columns that stay together."""
        for table in self.tables:
            mark = np.zeros(len(table), dtype=np.int64)
            for name in self.by:
                mark = (mark * 1_009 + table.codes[name]) % 1_000_003
            for number in range(_PARTS):
                at = np.flatnonzero(mark % _PARTS == number)
                held: dict[str, Any] = {f"codes-{k}": v[at] for k, v in table.codes.items()}
                held |= {f"sums-{k}": v[at] for k, v in table.sums.items()}
                np.savez(self.folder / f"{number}-{self.spilled}.npz", **held)
            self.spilled += 1
        self.tables = []

    def _read(self, number: int, piece: int) -> GroupTable:
        with np.load(self.folder / f"{number}-{piece}.npz") as held:
            found = {kind: {k.partition("-")[2]: held[k] for k in held if k.startswith(kind)}
                     for kind in ("codes", "sums")}  # fmt: skip
        return GroupTable(**found)

    def finished(self) -> Iterator[GroupTable]:
        """Yield the counted table, in parts that share no combination of the columns `by`."""
        self._count()
        if not self.spilled:
            if self.tables:
                yield GroupTable.joined(self.tables).counted()
            return
        self._spill()
        for number in range(_PARTS):
            part = GroupTable.joined([self._read(number, k) for k in range(self.spilled)])
            if len(part):
                yield part.counted()
