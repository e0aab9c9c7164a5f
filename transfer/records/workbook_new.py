"""A new record workbook: one sheet per table, and the definitions of every column and level.

The same call gives the same bytes (with the same version of the compression library): no clock
enters the file.
"""

from __future__ import annotations

import datetime
import io
import math
import re
import zipfile
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from transfer.arguments import between
from transfer.errors import ArgumentError, RecordsError
from transfer.records.exports import safe_cell
from transfer.records.schema import TABLES, Column, Table
from transfer.records.workbook_codes import Form, charted_columns, meaning_of
from transfer.records.workbook_limits import limit_for, misfit_formulas
from transfer.records.workbook_marks import EXAMPLE, MARK

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["DEFINITIONS", "new_workbook"]

DEFINITIONS = "definitions"

#: Header row and example row stand before the rows to fill in.
_FIRST = 3
_MAX_ROWS = 100_000
#: Stands for the time of making and changing, so that equal workbooks are equal files.
_FIXED = datetime.datetime(2000, 1, 1)
_STAMP = (2000, 1, 1, 0, 0, 0)

_NEEDED_FILL, _OPTIONAL_FILL, _EXAMPLE_FILL = "FFD9D9D9", "FFF2F2F2", "FFF7F7F7"
_FORMATS = {"date": "yyyy-mm-dd", "count": "0", "number": "General", "flag": "0"}
_NEEDED = {
    "yes": "every row",
    "or_drill": "every row, or the drill's default",
    "counts": "every row",
    "attempt": "every row",
    "no": "if charted",
}
_HOW_TO = (
    "Fill in the sheets practice, games, roster and drills from their third row on. The row marked "
    f"{EXAMPLE} shows one filled row and is not read. Leave a cell blank when nothing was charted. "
    "Dark grey headers are needed, light grey ones are charted if wanted. Players are codes, never "
    "names. Sheets are protected without a password, so that headers stay as they are. "
    "Paste values only: a value pasted over a dropdown is found when the workbook is read."
)


def new_workbook(
    rows: int = 500,
    form: Form = "counts",
    filled: Mapping[str, pd.DataFrame] | None = None,
) -> bytes:
    """Make a workbook to chart into.

    Parameters
    ----------
    rows : int
        Rows to fill in with dropdowns and limits, per table; 1 to 100,000. Rows below them can
        be filled in as well, without help.
    form : {"counts", "attempts"}
        Rows of counts, or one row per attempt.
    filled : mapping of str to DataFrame, optional
        Table name to rows that shall stand in the sheet already (a roster, for example), with
        the schema's column names.

    Returns
    -------
    bytes
        The ``.xlsx`` file.

    Raises
    ------
    ArgumentError
        When the number of rows, the form or a table's name is not valid.
    RecordsError
        When a cell holds a character that a workbook cannot hold.
    """
    from openpyxl import Workbook

    between(
        "rows",
        rows,
        "is not possible",
        at_least=1,
        at_most=_MAX_ROWS,
        rule=f"a sheet has 1 to {_MAX_ROWS} rows to fill in",
        next_step="pass a number in that range",
    )
    given = dict(filled or {})
    unknown = sorted(set(given) - set(TABLES))
    if unknown:
        raise ArgumentError(
            f"filled holds the unknown tables {', '.join(unknown)}",
            rule=f"tables are {', '.join(TABLES)}",
            next_step="use these names",
        )
    book = Workbook()
    book.remove(book.active)
    book.properties.creator = "transfer"
    book.properties.title = "Shooting records"
    for table in TABLES.values():
        columns = charted_columns(table, form)
        _table_sheet(book, table, columns, rows, given.get(table.name))
    _definitions_sheet(book, form)
    return _fixed_bytes(book)


def _table_sheet(
    book: Workbook,
    table: Table,
    columns: tuple[Column, ...],
    rows: int,
    given: pd.DataFrame | None,
) -> None:
    """Header, example, rows to fill in, limits, protection and print setup of one table."""
    from openpyxl.utils import get_column_letter

    sheet = book.create_sheet(table.name)
    letters = {
        column.name: get_column_letter(number) for number, column in enumerate(columns, start=2)
    }
    last = _FIRST + max(rows, 0 if given is None else len(given)) - 1
    _header_and_example(sheet, table, columns, letters)
    for column in columns:
        sheet.add_data_validation(limit_for(column, table.name, letters, _FIRST, last))
    if given is not None:
        _put_rows(sheet, columns, given)
    _mark_misfits(sheet, letters, last)
    _protect(sheet)
    _print_setup(sheet, table.name, f"A1:{get_column_letter(len(columns) + 1)}{last}")
    keys = [name for name in ("player", "drill") if name in letters]
    behind = max(list(letters).index(name) for name in keys) + 3
    sheet.freeze_panes = f"{get_column_letter(min(behind, 6))}{_FIRST - 1}"


def _header_and_example(
    sheet: Worksheet, table: Table, columns: tuple[Column, ...], letters: dict[str, str]
) -> None:
    from openpyxl.styles import Alignment, Border, PatternFill, Protection, Side

    thin = Border(bottom=Side(style="thin"), right=Side(style="hair"))
    open_cell = Protection(locked=False)
    sheet.column_dimensions["A"].width = 11
    _style_head(_put(sheet, "A1", MARK), _OPTIONAL_FILL, thin)
    _put(sheet, "A2", EXAMPLE).font = _font(bold=True, italic=True, color="FF595959")
    sheet["A2"].fill = PatternFill("solid", fgColor=_EXAMPLE_FILL)
    for column in columns:
        letter = letters[column.name]
        needed = column.required != "no"
        head = _put(sheet, f"{letter}1", column.name)
        _style_head(head, _NEEDED_FILL if needed else _OPTIONAL_FILL, thin)
        example = _put(sheet, f"{letter}2", _typed(column, column.example))
        example.font = _font(italic=True, color="FF595959")
        example.fill = PatternFill("solid", fgColor=_EXAMPLE_FILL)
        example.number_format = _FORMATS.get(column.type, "@")
        example.alignment = Alignment(horizontal="left")
        whole = sheet.column_dimensions[letter]
        whole.width = _width(column)
        whole.number_format = _FORMATS.get(column.type, "@")
        whole.protection = open_cell
        whole.alignment = Alignment(horizontal="left")
    sheet.row_dimensions[1].height = 30


def _font(**given: Any) -> Any:
    """The workbook's own font with changes; a font without a name falls back to any."""
    from openpyxl.styles import Font

    return Font(name="Calibri", size=11, **given)


def _style_head(cell: Any, fill: str, border: Any) -> None:
    from openpyxl.styles import Alignment, PatternFill

    cell.font = _font(bold=True)
    cell.fill = PatternFill("solid", fgColor=fill)
    cell.border = border
    cell.alignment = Alignment(wrap_text=True, vertical="center")


def _width(column: Column) -> float:
    longest = max(len(text) for text in (column.name, column.example, *column.levels))
    return 46.0 if column.name == "description" else min(max(longest + 3.0, 7.0), 21.0)


def _typed(column: Column, text: str) -> object:
    """A text as the cell's own type; texts that do not parse stay texts."""
    try:
        if column.type == "date":
            return datetime.date.fromisoformat(text)
        if column.type in ("count", "flag"):
            return int(text)
        if column.type == "number":
            return float(text)
    except ValueError:
        return text
    return text


def _put(sheet: Worksheet, place: str, value: object) -> Any:
    """Set a cell; a text is stored as text and never as a formula."""
    from openpyxl.utils.exceptions import IllegalCharacterError

    cell = sheet[place]
    try:
        cell.value = safe_cell(value)
    except IllegalCharacterError:
        raise RecordsError(
            f"sheet {sheet.title}, cell {place}: {value!r} cannot stand in a workbook",
            rule="a cell holds no control characters",
            next_step="remove the character and make the workbook again",
        ) from None
    if isinstance(value, str):
        cell.data_type = "s"
    return cell


def _put_rows(sheet: Worksheet, columns: tuple[Column, ...], given: pd.DataFrame) -> None:
    """Rows that are known already, open for changes."""
    from openpyxl.styles import Alignment, Protection
    from openpyxl.utils import get_column_letter

    from transfer.records.raw import cell_text
    from transfer.records.values import BLANKS

    for number, column in enumerate(columns, start=2):
        if column.name not in given:
            continue
        letter = get_column_letter(number)
        for at, value in enumerate(given[column.name].tolist(), start=_FIRST):
            text = cell_text(value)
            if text.strip().lower() in BLANKS:
                continue
            cell = _put(sheet, f"{letter}{at}", _typed(column, text))
            cell.number_format = _FORMATS.get(column.type, "@")
            cell.protection = Protection(locked=False)
            cell.alignment = Alignment(horizontal="left")


def _mark_misfits(sheet: Worksheet, letters: dict[str, str], last: int) -> None:
    """Counts that do not fit together turn bold on a dark ground, in grey print as well."""
    from openpyxl.formatting.rule import FormulaRule
    from openpyxl.styles import Font, PatternFill

    for name, formula in misfit_formulas(letters, _FIRST).items():
        rule = FormulaRule(
            formula=[formula],
            font=Font(bold=True, color="FFFFFFFF"),
            fill=PatternFill("solid", bgColor="FF7F0000"),
        )
        sheet.conditional_formatting.add(f"{letters[name]}{_FIRST}:{letters[name]}{last}", rule)


def _protect(sheet: Worksheet) -> None:
    """Locked headers without a password; widths, sorting and filters stay free."""
    guard = sheet.protection
    guard.sheet = True
    for free in ("formatColumns", "formatRows", "formatCells", "sort", "autoFilter", "insertRows"):
        setattr(guard, free, False)  # False: not forbidden


def _print_setup(sheet: Worksheet, title: str, area: str) -> None:
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 9  # A4; printers fit it to Letter
    sheet.page_setup.fitToWidth = 1
    sheet.page_setup.fitToHeight = 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.print_title_rows = "1:1"
    sheet.print_area = area
    sheet.print_options.gridLines = True
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.page_margins.top, sheet.page_margins.bottom = 0.5, 0.9
    sheet.page_margins.footer = 0.4
    sheet.oddFooter.center.text = f"{title}, page &P of &N"


def _definitions_sheet(book: Workbook, form: Form) -> None:
    """Every column and every level of every table, as text to read and print."""
    from openpyxl.styles import Alignment, Border, Side

    sheet = book.create_sheet(DEFINITIONS)
    wrap = Alignment(wrap_text=True, vertical="top")
    heads = ("table", "column", "level", "needed in", "unit", "limits", "example", "meaning")
    _put(sheet, "A1", _HOW_TO).alignment = wrap
    sheet.merge_cells("A1:H1")
    sheet.row_dimensions[1].height = 64
    for letter, head in zip("ABCDEFGH", heads, strict=True):
        _style_head(_put(sheet, f"{letter}2", head), _NEEDED_FILL, Border())
    for at, line in enumerate(_definitions(form), start=_FIRST):
        for letter, text in zip("ABCDEFGH", line, strict=True):
            cell = _put(sheet, f"{letter}{at}", text or None)
            cell.alignment = wrap
            if not line[2]:
                cell.border = Border(top=Side(style="hair"))
        sheet.row_dimensions[at].height = 15.0 * math.ceil(max(len(line[7]), 1) / 92)
        sheet[f"B{at}"].font = _font(bold=not line[2])
    for letter, width in zip("ABCDEFGH", (10, 14, 19, 18, 10, 14, 18, 90), strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.protection.sheet = True
    sheet.freeze_panes = f"A{_FIRST}"
    _print_setup(sheet, DEFINITIONS, f"A1:H{sheet.max_row}")
    sheet.print_title_rows = "2:2"


def _definitions(form: Form) -> list[tuple[str, ...]]:
    lines: list[tuple[str, ...]] = []
    for table in TABLES.values():
        for column in charted_columns(table, form):
            lines.append(
                (
                    table.name,
                    column.name,
                    "",
                    _NEEDED[column.required],
                    column.unit,
                    column.limits,
                    column.example,
                    column.meaning,
                )
            )
            lines += [
                (table.name, column.name, level, "", "", "", "", meaning_of(column, level))
                for level in column.levels
            ]
    return lines


def _fixed_bytes(book: Workbook) -> bytes:
    """The file with a fixed time in its properties and in every entry of the archive."""
    book.properties.created = _FIXED
    made = io.BytesIO()
    book.save(made)
    out = io.BytesIO()
    with zipfile.ZipFile(made) as old, zipfile.ZipFile(out, "w") as new:
        for name in sorted(old.namelist(), key=_part_order):
            content = old.read(name)
            if name == "docProps/core.xml":
                content = re.sub(
                    rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>2000-01-01T00:00:00Z", content
                )
            entry = zipfile.ZipInfo(name, date_time=_STAMP)
            entry.external_attr = 0o644 << 16
            new.writestr(entry, content, compress_type=zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _part_order(name: str) -> tuple[bool, str]:
    """The list of content types comes first, as spreadsheets write it."""
    return name != "[Content_Types].xml", name
