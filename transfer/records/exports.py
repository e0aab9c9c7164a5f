"""Tables out as CSV or worksheet cells that no spreadsheet takes for a formula.

A spreadsheet runs a cell that starts with ``=``, ``+``, ``-`` or ``@`` (also after a tab, a line
break, or as a full-width sign), whoever wrote it. The usual remedy, an apostrophe before such a
text, is applied here (OWASP page on CSV injection, from memory), in a way that can be undone:
`restored_cell` gives the text back, and the package's own reader applies it to codes and labels.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from transfer.files import write_text
from transfer.records.raw import cell_text

__all__ = ["csv_text", "restored_cell", "safe_cell", "write_csv"]

_SIGNS = r"[=+\-@\uFF1D\uFF0B\uFF0D\uFF20]"
#: Where a cell starts: at the text's start, and after a separator of another locale or a line
#: break, because a spreadsheet that expects semicolons splits a comma file there.
_STARTS = r"(?:\A|(?<=[;\t\r\n]))"
_ARMED = re.compile(rf"{_STARTS}(?=[\s'\x00-\x1f]*{_SIGNS})")
_TAMED = re.compile(rf"{_STARTS}'(?=[\s'\x00-\x1f]*{_SIGNS})")
#: A plain number is a number, whatever its sign.
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_QUOTED = re.compile(r'[",;\t\r\n]|\A\s|\s\Z')


def safe_cell(value: object) -> object:
    """A value that a spreadsheet shows and never runs.

    Parameters
    ----------
    value : object
        A cell. Only texts are changed: one that a spreadsheet would take for a formula gets an
        apostrophe before it. Plain numbers written as text stay.

    Returns
    -------
    object
        The cell to write; `restored_cell` undoes it.
    """
    if not isinstance(value, str) or _NUMBER.fullmatch(value):
        return value
    return _ARMED.sub("'", value)


def restored_cell(text: str) -> str:
    """The text as it was before `safe_cell`.

    Parameters
    ----------
    text : str
        A cell of a table that this package wrote, or of any other: a text without an apostrophe
        before a sign is returned as it is.
    """
    return _TAMED.sub("", text)


def csv_text(frame: pd.DataFrame) -> str:
    """A table as CSV in which no cell is a formula.

    Parameters
    ----------
    frame : DataFrame
        Its index is left out. Missing values become blanks; numbers keep every digit.

    Returns
    -------
    str
        Comma-separated, one header row, lines ended by a line feed.
    """
    lines = [_line(frame.columns)]
    columns = [frame.iloc[:, position].tolist() for position in range(frame.shape[1])]
    lines += [_line(row) for row in zip(*columns, strict=True)]
    return "\n".join(lines) + "\n"


def write_csv(frame: pd.DataFrame, path: Path | str) -> Path:
    """Write `csv_text` whole or not at all.

    Raises
    ------
    StorageError
        When the file cannot be written.
    """
    return write_text(path, csv_text(frame))


def _line(cells: Iterable[object]) -> str:
    texts = [_field(cell) for cell in cells]
    # A row of one blank cell would be a blank line, which readers leave out.
    return ",".join(texts) if texts != [""] else '""'


def _field(cell: object) -> str:
    text = "" if isinstance(cell, float) and cell != cell else cell_text(cell)
    text = str(safe_cell(text)) if isinstance(cell, str) else text
    return '"' + text.replace('"', '""') + '"' if _QUOTED.search(text) else text
