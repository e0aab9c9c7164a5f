"""Columns of a large file as codes: each distinct text is parsed once, as in small files."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from transfer.records.problems import Problem, Problems
from transfer.records.raw import REPORTED, RawColumn, RawTable, cell_text
from transfer.records.schema import Column
from transfer.records.values import parse_column

__all__ = ["BAD", "BLANK", "FIRST", "Coder", "Codes", "Rows", "empty_rows", "may_be_empty"]

#: A column of a batch: a code per row, or one code for all rows.
Codes = np.ndarray | int
#: Positions of a batch's rows: a range, or an array when rows were left out.
Rows = range | np.ndarray
#: Codes of a blank and of a refused text; a column's values follow from `FIRST`.
BLANK, BAD, FIRST = 0, 1, 2
#: Refused texts of one column that are told one by one before the rest is summed up; those whose
#: rules are kept, as some of them may stand in no row (a category that nothing uses).
_TOLD, _KEPT = 100, 1000
#: Distinct numbers of one batch beyond which they are converted by column instead of one by one.
_MANY = 4096
_PLAIN = r"^\s*-?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?\s*$"


def _encoded(array: Any) -> tuple[np.ndarray, Any]:
    """Places in the distinct cells (one past the end where null), shape (N,), and those cells."""
    import pyarrow as pa

    if not pa.types.is_dictionary(array.type):
        if pa.types.is_string_view(array.type):
            array = array.cast(pa.string())
        array = array.dictionary_encode()
    places, cells = array.indices, array.dictionary
    if places.null_count:
        places = places.cast(pa.int64()).fill_null(len(cells))
    return places.to_numpy(zero_copy_only=False), cells


def may_be_empty(array: Any) -> bool:
    """Whether a batch's column holds a cell without text, judged quickly."""
    import pyarrow as pa

    kind = array.type.value_type if pa.types.is_dictionary(array.type) else array.type
    if array.null_count or not (pa.types.is_string(kind) or pa.types.is_large_string(kind)):
        return bool(array.null_count)
    return any(not text.strip() for text in _encoded(array)[1].to_pylist() if text is not None)


def empty_rows(arrays: list[Any]) -> np.ndarray:
    """Return which rows hold no text in any of the arrays, bool of shape (N,)."""
    empty = np.ones(len(arrays[0]), dtype=bool)
    for array in arrays:
        places, cells = _encoded(array)
        blank = [not cell_text(c).strip() for c in cells.to_pylist()]
        empty &= np.array([*blank, True], dtype=bool)[places]
    return empty


@dataclass
class Coder:
    """One column of one file on its way from texts to codes.

    Parameters
    ----------
    column : Column
        The spec.
    place : (str, str)
        File for problems.
    required : bool
        Whether blanks are counted.

    Attributes
    ----------
    values : list
        Canonical value of every code from `FIRST` on.
    blanks, first_blank : int
        Number of blank rows, and position of the first, 0-based.
    """

    column: Column
    place: tuple[str, str]
    required: bool = False
    values: list[Any] = field(default_factory=list)
    blanks: int = 0
    first_blank: int = -1
    _codes: dict[str, int] = field(default_factory=dict)
    _index: dict[Any, int] = field(default_factory=dict)
    _refused: dict[str, Problem] = field(default_factory=dict)
    _first: dict[str, int] = field(default_factory=dict)

    def codes(self, array: Any, rows: Rows) -> Codes:
        """Code of every row of a batch.

        Parameters
        ----------
        array : Arrow array, shape (N,)
        rows : sequence of int, shape (N,)
            Position of every row in the file.

        Returns
        -------
        int32 array of shape (N,), or one int when all rows hold one value
        """
        places, cells = _encoded(array)
        return self._codes_of(places, cells, bool(array.null_count), rows)

    def _codes_of(self, places: np.ndarray, cells: Any, nulls: bool, rows: Rows) -> Codes:
        texts = [cell_text(c) for c in cells.to_pylist()]
        known = self._lookup(texts)
        if (known == BAD).any():
            self._watch(texts, known, places, rows)
        if len(texts) == 1 and not nulls and known[0] >= FIRST:
            return int(known[0])
        lookup = np.append(known, BLANK).astype(np.int32)
        found: np.ndarray = lookup[places]
        if self.required and (nulls or (known == BLANK).any()):
            blank = np.flatnonzero(found == BLANK)
            if len(blank) and self.first_blank < 0:
                self.first_blank = int(rows[blank[0]])
            self.blanks += len(blank)
        return found

    def numbers(self, array: Any, rows: Rows) -> np.ndarray:
        """Value of every row of a batch of numbers, NaN where blank or refused, shape (N,)."""
        places, cells = _encoded(array)
        if len(cells) > _MANY and self.column.type == "number":
            return np.append(self._many(cells, places, rows), np.nan)[places]
        codes = self._codes_of(places, cells, bool(array.null_count), rows)
        table = np.array([np.nan, np.nan, *self.values], dtype=float)
        return np.broadcast_to(table[codes], (len(array),))

    def _many(self, cells: Any, places: np.ndarray, rows: Rows) -> np.ndarray:
        """Distinct cells to numbers by column; only odd ones one by one, shape (D,)."""
        import pyarrow as pa
        import pyarrow.compute as pc

        if pa.types.is_string(cells.type) or pa.types.is_large_string(cells.type):
            plain = pc.match_substring_regex(cells, _PLAIN)
            cells_as_text = pc.if_else(plain, pc.utf8_trim_whitespace(cells), None)
            numbers = cells_as_text.cast(pa.float64())
        else:
            numbers = cells.cast(pa.float64(), safe=False)
        found = np.array(numbers.to_numpy(zero_copy_only=False), dtype=float)
        low = -np.inf if self.column.low is None else self.column.low
        high = np.inf if self.column.high is None else self.column.high
        odd = np.flatnonzero(~((found >= low) & (found <= high) & np.isfinite(found)))
        texts = [cell_text(c) for c in cells.take(odd).to_pylist()]
        known = self._lookup(texts)
        found[odd] = np.array([np.nan, np.nan, *self.values], dtype=float)[known]
        if (known == BAD).any():
            shown = np.full(len(found) + 1, len(odd))
            shown[odd] = np.arange(len(odd))
            self._watch(texts, known, shown[places], rows)
        return found

    def _lookup(self, texts: list[str]) -> np.ndarray:
        """Code of every text, new ones parsed first, shape (D,)."""
        new = [t for t in dict.fromkeys(texts) if t not in self._codes]
        for at in range(0, len(new), _TOLD):
            self._learn(new[at : at + _TOLD])
        return np.array([self._codes[t] for t in texts], dtype=np.int64)

    def _learn(self, new: list[str]) -> None:
        """Parse at most as many new texts as `parse_column` tells one by one."""
        scratch = Problems()
        raw = RawTable(self.place, [], len(new), lambda at: [0] * len(at), "")
        cells = RawColumn(self.column.name, np.arange(len(new)), new)
        parsed = parse_column(raw, self.column, cells, scratch)
        for k, text in enumerate(new):
            if parsed.bad[k]:
                self._codes[text] = BAD
            elif parsed.codes[k] < 0:
                self._codes[text] = BLANK
            else:
                value = parsed.values[parsed.codes[k]]
                code = self._index.setdefault(value, len(self.values) + FIRST)
                if code == len(self.values) + FIRST:
                    self.values.append(value)
                self._codes[text] = code
        if len(self._refused) < _KEPT:
            refused = [t for t in new if self._codes[t] == BAD and t != REPORTED]
            self._refused |= dict(zip(refused, scratch.found, strict=True))

    def _watch(self, texts: list[str], known: np.ndarray, places: np.ndarray, rows: Rows) -> None:
        """Note where a refused text stands for the first time."""
        first = np.full(max(len(texts), int(places.max()) + 1), len(places))
        np.minimum.at(first, places, np.arange(len(places)))
        for k in np.flatnonzero((known == BAD) & (first[: len(texts)] < len(places))):
            self._first.setdefault(texts[k], int(rows[first[k]]))

    def told(self) -> list[Problem]:
        """Return refused texts, each at its first row, and blanks where none may stand.

        Returns
        -------
        list of Problem
            Whose rows are 0-based positions in the file.
        """
        found = Problems()
        told = [t for t in self._first if t in self._refused][:_TOLD]
        shown = set(told)
        for text in told:
            found.found.append(replace(self._refused[text], row=self._first[text]))
        if rest := [t for t in self._first if t not in shown]:
            found.add(
                self.place, f"{len(rest)} more different values of {self.column.name} were refused",
                "mend the listed ones, then read again", row=self._first[rest[0]],
                column=self.column.name, value=rest[0],
            )  # fmt: skip
        if self.required and self.blanks:
            found.add(
                self.place, f"{self.column.name} is needed in every row",
                f"fill in {self.column.name}", row=self.first_blank,
                column=self.column.name, value=f"{self.blanks:,} rows",
            )  # fmt: skip
        return found.found
