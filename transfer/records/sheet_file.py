"""Excel workbooks in: which sheet, typed cells, formulas and error cells as problems."""

from __future__ import annotations

import hashlib
import io
import warnings
import zipfile
import zlib
from typing import Any

import numpy as np

from transfer.records import limits
from transfer.records.problems import Problems, nearest
from transfer.records.raw import REPORTED, RawColumn, RawTable, cell_text, encode_cells
from transfer.records.workbook_guard import refusal_of
from transfer.records.workbook_marks import without_examples

__all__ = ["from_workbook", "sheet_grids", "sheet_names"]

#: What a broken workbook makes the reader raise.
_UNREADABLE = (
    zipfile.BadZipFile,
    KeyError,
    ValueError,
    OSError,
    EOFError,
    SyntaxError,
    TypeError,
    AttributeError,
    IndexError,
    zlib.error,
    NotImplementedError,
)


def _unreadable(error: Exception, place: tuple[str, str], problems: Problems) -> None:
    problems.add(
        place,
        f"the file is not readable as an .xlsx workbook ({type(error).__name__})",
        "save it again as .xlsx without a password, or as CSV in UTF-8",
    )


def _open(data: bytes, name: str, problems: Problems) -> Any:
    """The opened workbook, or None with a problem."""
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    refusal = refusal_of(data)
    if refusal is not None:
        problems.add((name, ""), refusal.rule, refusal.next_step, value=refusal.value)
        return None
    try:
        with warnings.catch_warnings():
            # The reader warns about styles and extensions it drops; no cell is lost by that.
            warnings.simplefilter("ignore")
            return openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=False)
    except (*_UNREADABLE, InvalidFileException) as error:
        _unreadable(error, (name, ""), problems)
        return None


def sheet_names(data: bytes, name: str, problems: Problems) -> list[str]:
    """Names of a workbook's sheets, lower case; none, with a problem, when it cannot be opened.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        File name for problems.
    problems : Problems
        Takes what is found.
    """
    book = _open(data, name, problems)
    return [] if book is None else [str(title).strip().lower() for title in book.sheetnames]


def sheet_grids(
    data: bytes, name: str, problems: Problems
) -> list[tuple[str, list[tuple[int, list[str]]]]]:
    """Every sheet of a workbook as texts, before anything is known about its headers.

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
    list of (str, list of (int, list of str))
        Name of each sheet, and the row number and cells of every row that holds anything.
    """
    book = _open(data, name, problems)
    grids = []
    for sheet in [] if book is None else book.worksheets:
        place = (name, str(sheet.title))
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # as in `from_workbook`
                lines = _lines(sheet)
        except (*_UNREADABLE, RuntimeError) as error:
            _unreadable(error, place, problems)
            continue
        cells = [
            (row, [_cell(cell, row, "", place, problems).strip() for cell in line])
            for row, line in lines
        ]
        grids.append((place[1], cells))
    return grids


def _choose(book: Any, name: str, table: str, problems: Problems) -> Any:
    """The sheet named like the table, or the only sheet."""
    sheets = {title.strip().lower(): title for title in book.sheetnames}
    if table in sheets:
        return book[sheets[table]]
    if len(sheets) == 1:
        return book[book.sheetnames[0]]
    close = nearest(table, sheets)
    problems.add(
        (name, ""),
        f"no sheet is named {table!r} and there is more than one",
        f"rename the sheet {sheets[close]!r} to {table!r}" if close else f"name a sheet {table!r}",
        value=", ".join(book.sheetnames),
    )
    return None


def _cell(cell: Any, row: int, header: str, place: tuple[str, str], problems: Problems) -> str:
    """Text of one cell; formulas and error values are reported here."""
    if cell.data_type == "f":
        problems.add(
            place,
            "the cell holds a formula",
            "copy the column and paste it as values",
            row=row,
            column=header,
            value=getattr(cell.value, "text", cell.value),
        )
        return REPORTED
    if cell.data_type == "e":
        problems.add(
            place,
            "the cell holds a spreadsheet error",
            "correct the cell",
            row=row,
            column=header,
            value=cell.value,
        )
        return REPORTED
    return cell_text(cell.value)


def _lines(sheet: Any) -> list[tuple[int, tuple[Any, ...]]]:
    """(row number, cells) of every row that holds anything.

    A row may name a far row number or column, and the reader fills up to it; so both are limited.
    """
    sheet.reset_dimensions()
    lines, cells = [], 0
    for number, line in enumerate(sheet.iter_rows(), start=1):
        if any(cell.value is not None and str(cell.value).strip() for cell in line):
            lines.append((number, line))
            cells += len(line)
        if number > limits.WORKBOOK_ROWS or cells > limits.WORKBOOK_CELLS:
            raise ValueError("the sheet is larger than a worksheet can be")
    return lines


def _column(
    at: int,
    header: str,
    lines: list[tuple[int, tuple[Any, ...]]],
    place: tuple[str, str],
    problems: Problems,
) -> RawColumn:
    """One column of the sheet below its header."""
    cells: list[str] = []
    as_text: set[str] = set()
    for number, line in lines:
        cell = line[at] if at < len(line) else None
        text = "" if cell is None else _cell(cell, number, header, place, problems)
        cells.append(text)
        if cell is not None and isinstance(cell.value, str) and text != REPORTED:
            as_text.add(text)
    return encode_cells(header, cells, frozenset(as_text))


def from_workbook(data: bytes, name: str, table: str, problems: Problems) -> RawTable | None:
    """Read one table from a workbook's bytes.

    Parameters
    ----------
    data : bytes
        The whole file.
    name : str
        File name for problems.
    table : str
        Table wanted; its sheet has the same name, or is the only one.
    problems : Problems
        Takes what is found.

    Returns
    -------
    RawTable or None
        None when nothing can be read; the reason is in the collector.
    """
    book = _open(data, name, problems)
    sheet = None if book is None else _choose(book, name, table, problems)
    if sheet is None:
        return None
    place = (name, str(sheet.title))
    try:
        with warnings.catch_warnings():
            # A day number beyond the calendar comes as an error cell, which is reported below.
            warnings.simplefilter("ignore")
            lines = _lines(sheet)
    except (*_UNREADABLE, RuntimeError) as error:
        _unreadable(error, place, problems)
        return None
    if not lines:
        problems.add(place, "the sheet is empty", "fill in the table, header row included")
        return None
    headers = [cell_text(cell.value).strip() for cell in lines[0][1]]
    while not headers[-1]:
        headers.pop()
    headers, rows = without_examples(headers, lines[1:], table, place, problems)
    for number, line in rows:
        if any(cell.value is not None for cell in line[len(headers) :]):
            problems.add(
                place,
                "the row has cells to the right of the header's last column",
                "give these cells a header or clear them",
                row=number,
            )
    columns = [
        _column(position, header, rows, place, problems) for position, header in enumerate(headers)
    ]
    numbers = np.array([number for number, _ in rows], dtype=np.int64)
    return RawTable(
        place,
        columns,
        len(rows),
        lambda at: [int(row) for row in numbers[at]],
        hashlib.sha256(data).hexdigest(),
    )
