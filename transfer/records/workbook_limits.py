"""Dropdowns, limits and input hints of a record workbook, all taken from the schema.

They help while typing. They are no substitute for the checks on reading: a value that is pasted
over a dropdown is not stopped by any spreadsheet.
"""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING, Any

from transfer.records.schema import Column

if TYPE_CHECKING:
    from openpyxl.worksheet.datavalidation import DataValidation

__all__ = ["SUGGESTED", "limit_for", "misfit_formulas", "short_hint"]

#: Longest title and text of an input hint, and of the message that refuses a value (limits of the
#: file format as spreadsheets implement it, from memory).
_TITLE, _HINT, _REFUSAL = 32, 255, 225

#: Column -> sheet whose first column of codes is offered as a dropdown, other values allowed.
SUGGESTED = {"player": "roster", "defender": "roster", "drill": "drills"}

#: Days accepted by the reader, as spreadsheets count them.
_FIRST_DAY, _LAST_DAY = datetime.date(1900, 3, 1), datetime.date(2100, 12, 31)


def short_hint(text: str, limit: int = _HINT) -> str:
    """The text, cut at the end of a sentence or word so that it fits a hint.

    Parameters
    ----------
    text : str
        A column's meaning.
    limit : int
        Longest text allowed.
    """
    if len(text) <= limit:
        return text
    head = text[: limit - 1]
    stop = head.rfind(". ")
    return head[: stop + 1] if stop > limit // 3 else head[: head.rfind(" ")] + "…"


def limit_for(
    column: Column, table: str, letters: dict[str, str], first: int, last: int
) -> DataValidation:
    """The rule that a spreadsheet applies while a cell is typed, with its hint.

    Parameters
    ----------
    column : Column
        The column, with its levels and limits.
    table : str
        Name of its table.
    letters : dict of str to str
        Column name to sheet letter of the whole table.
    first, last : int
        Rows it holds for.

    Returns
    -------
    openpyxl.worksheet.datavalidation.DataValidation
        Not yet added to a sheet.
    """
    from openpyxl.worksheet.datavalidation import DataValidation

    rule, refusal = _rule(column, table, letters, first)
    validation = DataValidation(allow_blank=True, **rule)
    validation.showInputMessage = True
    validation.promptTitle = column.name[:_TITLE]
    validation.prompt = short_hint(column.meaning)
    if refusal:
        validation.showErrorMessage = True
        validation.errorStyle = "stop"
        validation.errorTitle = column.name[:_TITLE]
        validation.error = short_hint(refusal, _REFUSAL)
    else:
        validation.showErrorMessage = False
    letter = letters[column.name]
    validation.add(f"{letter}{first}:{letter}{last}")
    return validation


def _rule(
    column: Column, table: str, letters: dict[str, str], first: int
) -> tuple[dict[str, Any], str]:
    """Keywords of the validation, and the message that refuses (empty: any value passes)."""
    if SUGGESTED.get(column.name, table) != table:
        return {"type": "list", "formula1": _filled_part(SUGGESTED[column.name])}, ""
    if column.levels:
        levels = ", ".join(column.levels)
        return {"type": "list", "formula1": f'"{",".join(column.levels)}"'}, f"One of: {levels}."
    if column.type == "flag":
        return {"type": "list", "formula1": '"1,0"'}, "1 made, 0 missed."
    if column.type == "date":
        return _between("date", _serial(_FIRST_DAY), _serial(_LAST_DAY)), (
            "A date, as year-month-day: 2025-11-03."
        )
    if column.name in ("makes", "blocked") and "attempts" in letters:
        return _part_of_attempts(column, letters, first)
    if column.type == "count":
        return _between("whole", column.low or 0, column.high), _span(column, "A whole number")
    if column.type == "number":
        return _between("decimal", column.low, column.high), _span(column, "A number")
    if column.name == "description":
        return {"type": None}, ""
    return (
        {"type": "textLength", "operator": "lessThanOrEqual", "formula1": "200"},
        "A code or label of at most 200 characters.",
    )


def _filled_part(sheet: str) -> str:
    """Formula of the codes that stand in a sheet's first charted column, without blanks."""
    codes = f"{sheet}!$B$3:$B$402"
    return f"OFFSET({sheet}!$B$3,0,0,MAX(1,COUNTA({codes})),1)"


def _part_of_attempts(
    column: Column, letters: dict[str, str], first: int
) -> tuple[dict[str, Any], str]:
    cell, attempts = f"{letters[column.name]}{first}", f"{letters['attempts']}{first}"
    formula = f"AND(ISNUMBER({cell}),{cell}=INT({cell}),{cell}>=0,{cell}<={attempts})"
    return {"type": "custom", "formula1": formula}, (
        f"A whole number, 0 or more, and at most the attempts of the row. {column.name} are part "
        "of attempts, so write attempts first."
    )


def misfit_formulas(letters: dict[str, str], first: int) -> dict[str, str]:
    """Formulas that are true where counts of a row do not fit together, by column.

    Parameters
    ----------
    letters : dict of str to str
        Column name to sheet letter.
    first : int
        First row the formulas are applied to.

    Returns
    -------
    dict of str to str
        Empty for a table without attempts.
    """
    if not {"attempts", "makes"} <= set(letters):
        return {}
    attempts, makes = (f"${letters[name]}{first}" for name in ("attempts", "makes"))
    blocked = f"${letters['blocked']}{first}"
    return {
        "makes": f"N({makes})>N({attempts})",
        "blocked": f"N({makes})+N({blocked})>N({attempts})",
    }


def _between(kind: str, low: float | None, high: float | None) -> dict[str, Any]:
    if high is None:
        return {"type": kind, "operator": "greaterThanOrEqual", "formula1": f"{low or 0:g}"}
    return {"type": kind, "operator": "between", "formula1": f"{low:g}", "formula2": f"{high:g}"}


def _span(column: Column, what: str) -> str:
    unit = f" {column.unit}" if column.unit else ""
    low = column.low or 0
    if column.high is None:
        return f"{what}, {low:g} or more{unit}."
    return f"{what} from {low:g} to {column.high:g}{unit}."


def _serial(day: datetime.date) -> int:
    from openpyxl.utils.datetime import to_excel

    return int(to_excel(datetime.datetime(day.year, day.month, day.day)))
