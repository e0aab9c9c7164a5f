"""A file's cells before any rule is applied: every column as codes into its distinct texts.

Charted files repeat few values many times, so each distinct text is parsed and checked once and
a million rows cost little more than a thousand.
"""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from transfer.records.limits import too_many_rows
from transfer.records.problems import Problems

__all__ = [
    "REPORTED",
    "RawColumn",
    "RawTable",
    "cell_text",
    "encode_cells",
    "from_frame",
    "from_parquet",
]

#: Stands for a cell whose problem has been reported already (a formula, for example).
REPORTED = "\x00reported"


@dataclass
class RawColumn:
    """One column: `codes` (int, shape (N,), -1 blank) into the distinct texts `values`."""

    header: str
    codes: np.ndarray
    values: list[str]
    #: Texts that a typed source (a worksheet) held as text, not as number or date.
    held_as_text: frozenset[str] = frozenset()


@dataclass
class RawTable:
    """One table as it stands in its source.

    Parameters
    ----------
    place : (str, str)
        File name and sheet name, as problems show them.
    columns : list of RawColumn
        In file order; headers may repeat.
    n : int
        Number of data rows; blank rows are left out.
    row_numbers : callable
        Positions (int array) to row numbers as a person sees them.
    sha256 : str
        Of the source's bytes; of the texts for a data frame.
    """

    place: tuple[str, str]
    columns: list[RawColumn]
    n: int
    row_numbers: Callable[[np.ndarray], list[int]]
    sha256: str
    extra: dict[str, Any] = field(default_factory=dict)


def cell_text(value: Any) -> str:
    """Text of a typed cell, so that typed and text files meet the same rules.

    Parameters
    ----------
    value : object
        A cell of a worksheet, a Parquet file or a data frame.

    Returns
    -------
    str
        ``3.0`` becomes ``3``, a midnight time its date, a missing value the empty text.
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return ""
    if isinstance(value, (bool, np.bool_)):
        return "true" if value else "false"
    if isinstance(value, (float, np.floating)):
        number = float(value)
        if np.isnan(number):
            return "NaN"
        return str(int(number)) if number.is_integer() and abs(number) < 1e15 else repr(number)
    if isinstance(value, datetime.datetime):
        midnight = (value.hour, value.minute, value.second) == (0, 0, 0)
        return value.date().isoformat() if midnight else value.isoformat()
    if isinstance(value, np.datetime64):
        return cell_text(pd.Timestamp(value).to_pydatetime())
    if isinstance(value, datetime.date):
        return value.isoformat()
    return str(value)


def encode_cells(header: str, cells: list[str], held_as_text: frozenset[str]) -> RawColumn:
    """Turn a list of texts into a `RawColumn`."""
    codes, values = pd.factorize(np.asarray(cells, dtype=object))
    return RawColumn(header, codes.astype(np.int64), [str(value) for value in values], held_as_text)


def drop_blank_rows(columns: list[RawColumn], n: int) -> tuple[list[RawColumn], np.ndarray]:
    """Leave out rows without any text; return the columns and the kept positions."""
    filled = np.zeros(n, dtype=bool)
    for column in columns:
        blank = np.array([not value.strip() for value in column.values] + [True], dtype=bool)
        filled |= ~blank[column.codes]
    kept = np.flatnonzero(filled)
    if len(kept) == n:
        return columns, kept
    return [
        RawColumn(column.header, column.codes[kept], column.values, column.held_as_text)
        for column in columns
    ], kept


def _typed_column(header: str, values: Any) -> RawColumn:
    """Encode a pandas column of any type."""
    series = pd.Series(values)
    try:
        codes, uniques = pd.factorize(series)
    except TypeError:  # lists and other unhashable cells
        codes, uniques = pd.factorize(series.map(str))
    texts = [cell_text(value) for value in uniques]
    # Distinct cells may share a text (3 and 3.0); code the texts, not the cells.
    again, distinct = pd.factorize(np.asarray(texts, dtype=object))
    blank_last = np.append(again, -1)
    return RawColumn(header, blank_last[codes].astype(np.int64), [str(value) for value in distinct])


def from_frame(frame: pd.DataFrame, name: str) -> RawTable:
    """Take a data frame as it is; row numbers are 1-based positions.

    Parameters
    ----------
    frame : DataFrame
        Columns as in the schema.
    name : str
        Shown as the file of its problems.
    """
    columns = [
        _typed_column(str(header), frame.iloc[:, position].array)
        for position, header in enumerate(frame.columns)
    ]
    columns, kept = drop_blank_rows(columns, len(frame))
    digest = hashlib.sha256()
    for column in columns:
        digest.update(repr((column.header, column.values)).encode("utf-8", "backslashreplace"))
        digest.update(column.codes.tobytes())
    return RawTable(
        (name, ""),
        columns,
        len(kept),
        lambda positions: [int(position) + 1 for position in kept[positions]],
        digest.hexdigest(),
    )


def from_parquet(data: bytes, name: str, problems: Problems) -> RawTable | None:
    """Read a Parquet file's bytes; row numbers are 1-based positions.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        File name for problems.
    problems : Problems
        Takes what is found.

    Returns
    -------
    RawTable or None
        None when the file cannot be read; the problem is in the collector.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        source = pq.ParquetFile(pa.BufferReader(data))
        if too_many_rows(source.metadata.num_rows, (name, ""), problems):
            return None
        table = source.read()
        # Texts and names that are no UTF-8 are noticed only when they are decoded.
        frame = {
            position: table.column(position).to_pandas() for position in range(table.num_columns)
        }
        columns = [
            _typed_column(header, frame[position].array)
            for position, header in enumerate(table.column_names)
        ]
    except (pa.ArrowException, OSError, ValueError, TypeError) as error:
        problems.add(
            (name, ""),
            f"the file is not readable as Parquet ({str(error).splitlines()[0]})",
            "export the table again, or save it as CSV in UTF-8",
        )
        return None
    columns, kept = drop_blank_rows(columns, table.num_rows)
    return RawTable(
        (name, ""),
        columns,
        len(kept),
        lambda positions: [int(position) + 1 for position in kept[positions]],
        hashlib.sha256(data).hexdigest(),
    )
