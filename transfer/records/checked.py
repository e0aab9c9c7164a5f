"""A table whose texts are parsed, on its way through the rules; helpers for vectorised rules."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from transfer.records.problems import LISTED, Problems, Severity
from transfer.records.raw import RawTable
from transfer.records.schema import Table
from transfer.records.values import Parsed

__all__ = ["Checked", "combined_codes", "encode_numbers", "group_codes", "relabel"]


@dataclass
class Checked:
    """One table after parsing: schema name to `Parsed` column, all of length ``raw.n``."""

    raw: RawTable
    table: Table
    columns: dict[str, Parsed]

    def has(self, name: str) -> bool:
        """Whether the column stands in the file (or was filled in since)."""
        return name in self.columns

    def get(self, name: str) -> Parsed:
        """The column, or a blank one."""
        if name in self.columns:
            return self.columns[name]
        return Parsed(np.full(self.raw.n, -1), [], np.zeros(self.raw.n, dtype=bool))

    def report(
        self,
        rows: np.ndarray,
        rule: str,
        next_step: str,
        problems: Problems,
        *,
        column: str = "",
        value: Callable[[int], object] | str = "",
        severity: Severity = "error",
        cause: str = "",
    ) -> None:
        """Report a rule broken in rows (positions or a mask), each with its own value."""
        positions = np.flatnonzero(rows) if rows.dtype == bool else rows
        if not len(positions):
            return
        numbers = self.raw.row_numbers(positions)
        for position, row in zip(positions[:LISTED], numbers[:LISTED], strict=True):
            problems.add(
                self.raw.place,
                rule,
                next_step,
                row=row,
                column=column,
                value=value(int(position)) if callable(value) else value,
                severity=severity,
                cause=cause or rule,
            )
        rest = len(positions) - LISTED
        if rest > 0:
            problems.add(
                self.raw.place,
                f"{rule} (in {rest} more rows, {numbers[LISTED]} to {numbers[-1]})",
                next_step,
                row=numbers[LISTED],
                column=column,
                value=value(int(positions[LISTED])) if callable(value) else value,
                severity=severity,
                count=rest,
                cause=cause or rule,
            )


def combined_codes(columns: Iterable[Parsed], rows: int) -> np.ndarray:
    """One number for each row of `n`, equal where all columns are equal, int64, shape (N,)."""
    combined = np.zeros(rows, dtype=np.int64)
    size = 1
    for column in columns:
        width = len(column.values) + 1
        if size * width > 2**62:
            combined, distinct = pd.factorize(combined)
            size = len(distinct)
        combined *= width
        combined += column.codes + 1
        size *= width
    return combined


def group_codes(columns: Iterable[Parsed], rows: int) -> np.ndarray:
    """Number the distinct combinations of several columns.

    Parameters
    ----------
    columns : iterable of Parsed
        Columns of the same length.
    n : int
        Number of rows.

    Returns
    -------
    int array, shape (N,)
        Group numbers from 0, in order of first appearance.
    """
    codes: np.ndarray = pd.factorize(combined_codes(columns, rows))[0]
    return codes


def encode_numbers(values: np.ndarray) -> Parsed:
    """A column from computed numbers, NaN blank."""
    codes, distinct = pd.factorize(np.asarray(values, dtype=float))
    return Parsed(codes.astype(np.int64), list(distinct), np.zeros(len(codes), dtype=bool))


def relabel(codes: np.ndarray, values: list[object], bad: np.ndarray) -> Parsed:
    """A column from codes into labels that may repeat; None and the empty text are blanks.

    Parameters
    ----------
    codes : int array, shape (N,)
        Into `values`; -1 blank.
    values : list
        Labels, possibly equal ones.
    bad : bool array, shape (N,)
        Rows already reported.
    """
    index: dict[object, int] = {}
    recode = np.full(len(values) + 1, -1, dtype=np.int64)
    for code, value in enumerate(values):
        if value is not None and value != "":
            recode[code] = index.setdefault(value, len(index))
    return Parsed(recode[codes], list(index), bad)
