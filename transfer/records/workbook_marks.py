"""The marked example row of a workbook: how it is written, and how it is left out on reading."""

from __future__ import annotations

from typing import Any

from transfer.records.problems import Problems
from transfer.records.raw import cell_text
from transfer.records.schema import TABLES

__all__ = ["EXAMPLE", "MARK", "is_example", "without_examples"]

#: Header of the column that marks a row.
MARK = "mark"
#: What marks the example row.
EXAMPLE = "EXAMPLE"

Line = tuple[int, tuple[Any, ...]]


def is_example(text: str) -> bool:
    """Whether a cell of the column ``mark`` marks its row as the example."""
    return text.strip().lower() == EXAMPLE.lower()


def without_examples(
    headers: list[str], rows: list[Line], table: str, place: tuple[str, str], problems: Problems
) -> tuple[list[str], list[Line]]:
    """Leave out rows marked as example and, in such a sheet, columns in which nothing is charted.

    The sheet offers every column; one that was left blank is as if it had never been there.

    Parameters
    ----------
    headers : list of str
        Of the sheet.
    rows : list of (int, tuple of cell)
        Row number and cells of every row below the header.
    table : str
        Name of the table.
    place : (str, str)
        File and sheet.
    problems : Problems
        Collector: a marked row whose cells were changed is warned about, because somebody may
        have charted into it.

    Returns
    -------
    list of str, list of (int, tuple of cell)
        Headers and rows that are left.
    """
    at = next(
        (position for position, header in enumerate(headers) if header.strip().lower() == MARK),
        None,
    )
    if at is None:
        return headers, rows
    kept: list[Line] = []
    for number, line in rows:
        if at < len(line) and is_example(cell_text(line[at].value)):
            _warn_changed(headers, number, line, table, place, problems)
        else:
            kept.append((number, line))
    charted = [
        position
        for position, header in enumerate(headers)
        if _is_charted(position, header, table, kept)
    ]
    trimmed = [(n, _at(line, charted) + line[len(headers) :]) for n, line in kept]
    return [headers[position] for position in charted], trimmed


def _at(line: tuple[Any, ...], charted: list[int]) -> tuple[Any, ...]:
    """The cells of the charted columns; a row may end early."""
    return tuple(line[position] for position in charted if position < len(line))


def _is_charted(at: int, header: str, table: str, rows: list[Line]) -> bool:
    """Whether a column holds anything, or is needed and so may not go missing unseen."""
    name = header.strip().lower()
    needed = any(c.name == name and c.required != "no" for c in TABLES[table].columns)
    return needed or any(at < len(line) and cell_text(line[at].value).strip() for _, line in rows)


def _warn_changed(
    headers: list[str],
    number: int,
    line: tuple[Any, ...],
    table: str,
    place: tuple[str, str],
    problems: Problems,
) -> None:
    examples = {column.name: column.example for column in TABLES[table].columns}
    for header, cell in zip(headers, line, strict=False):
        name, text = header.strip().lower(), cell_text(cell.value).strip()
        if name in examples and text and text != examples[name]:
            problems.add(
                place,
                "the example row was changed; it is not read, because it is marked",
                f"if it holds real work, clear its cell in the column {MARK!r}",
                row=number,
                column=header,
                value=text,
                severity="warning",
            )
            return
