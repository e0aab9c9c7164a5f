"""The courtside sheet: one landscape page to chart practice on by hand, as HTML and as PDF.

What stays the same all session is written once at the top; every other charted column of the
practice table has its own column, so that the sheet can be typed in without a question.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from transfer.errors import ArgumentError
from transfer.page.stamp import stamp_line
from transfer.records.problems import nearest
from transfer.records.schema import PRACTICE, Column
from transfer.records.workbook_codes import charted_columns, code_of, meaning_of
from transfer.session.page import CHART_NOTE

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["PAPERS", "chart_sheet_html"]

_TEMPLATES = Path(__file__).parent / "templates"

#: Paper in landscape: CSS size, rows of 8 mm that fit the page with head and legend (a test draws
#: the page).
PAPERS: dict[str, tuple[str, int]] = {
    "a4": ("A4 landscape", 17),
    "letter": ("letter landscape", 17),
}

#: Written once, because one charter fills one sheet in one session.
_HEAD = ("date", "session", "charter", "second_chart", "program", "season")

#: Relative widths of the columns to write in: tallies and words need room, codes do not.
_WIDTHS = {
    "player": 15, "drill": 27, "attempts": 27, "makes": 24, "spot": 19, "minutes": 12,
    "distance_ft": 13, "defender": 14, "footwork": 12, "rotation": 12, "blocked": 12,
    "fouled": 11, "target": 10, "contest": 11, "pickup": 10, "order": 9,
}  # fmt: skip
_NARROW = 8.5

#: Columns in which strokes are made, five by five.
_TALLIES = ("attempts", "makes")


def chart_sheet_html(
    rows: pd.DataFrame | None = None,
    *,
    title: str = "Practice chart",
    columns: Sequence[str] = (),
    lines: int | None = None,
    paper: str = "a4",
) -> str:
    """Render the sheet.

    Parameters
    ----------
    rows : DataFrame, optional
        Rows that are known already (of a planned session, for example), with the columns of the
        practice table; blanks are left to the pencil. A value of ``date``, ``session`` and so on
        that is the same in all rows is printed at the top.
    title : str
        Heading.
    columns : sequence of str
        Practice columns to chart, next to the needed ones; all when empty.
    lines : int, optional
        Rows on the sheet; by default as many as one page holds, or as many as are given.
    paper : {"a4", "letter"}

    Returns
    -------
    str
        One HTML document without script or outside reference.

    Raises
    ------
    ArgumentError
        When a column, the paper or the number of rows is not valid.
    """
    size, fitting = _paper(paper)
    chosen = _chosen(columns)
    given = pd.DataFrame() if rows is None else rows
    number = lines if lines is not None else max(fitting, len(given))
    if not max(1, len(given)) <= number <= 500:
        raise ArgumentError(
            f"lines={number} is not possible",
            rule=f"a sheet has {max(1, len(given))} to 500 rows",
            next_step="pass a number in that range",
        )
    body = [column for column in chosen if column.name not in _HEAD]
    top, differing = _top(chosen, given)
    body = [*differing, *body]
    total = sum(_WIDTHS.get(c.name, _NARROW) for c in body)
    return _render(
        title=title,
        size=size,
        top=top,
        note=CHART_NOTE,
        stamp=stamp_line(),
        tallies=_TALLIES,
        columns=[_column(c, total) for c in body],
        rows=[_row(given, at, body) for at in range(number)],
        legend=[_legend(c) for c in chosen if c.levels],
    )


def _paper(paper: str) -> tuple[str, int]:
    if paper.lower() not in PAPERS:
        raise ArgumentError(
            f"paper={paper!r} is not known",
            rule=f"paper is one of {', '.join(PAPERS)}",
            next_step="pass one of these",
        )
    return PAPERS[paper.lower()]


def _chosen(columns: Sequence[str]) -> tuple[Column, ...]:
    """The charted columns: the needed ones always, the others when named (or all)."""
    known = charted_columns(PRACTICE)
    names = [column.name for column in known]
    for name in columns:
        if name not in names:
            guess = nearest(name, names)
            raise ArgumentError(
                f"columns holds {name!r}, which is not charted by hand",
                rule=f"columns are any of {', '.join(names)}",
                next_step=f"did you mean {guess!r}?" if guess else "use one of these names",
            )
    return tuple(c for c in known if not columns or c.name in columns or c.required != "no")


def _text(value: object) -> str:
    return "" if value is None or value != value else str(value)


def _top(
    chosen: Sequence[Column], given: pd.DataFrame
) -> tuple[list[tuple[str, str]], list[Column]]:
    """Fields written once with their values, and those that differ between the given rows."""
    fields: list[tuple[str, str]] = []
    differing: list[Column] = []
    for column in chosen:
        if column.name not in _HEAD:
            continue
        values = {_text(v) for v in given[column.name]} if column.name in given else {""}
        if len(values) > 1:
            differing.append(column)
        else:
            fields.append((column.name, values.pop() if values else ""))
    order = {name: i for i, name in enumerate(_HEAD)}
    return sorted(fields, key=lambda field: order[field[0]]), differing


def _column(column: Column, total: float) -> dict[str, Any]:
    codes = " ".join(code_of(level) for level in column.levels)
    share = 100 * _WIDTHS.get(column.name, _NARROW) / total
    return {
        "name": column.name,
        "parts": column.name.split("_"),
        "below": codes or column.unit * (column.name == "minutes"),
        "width": f"{share:.3f}",
        "needed": column.required != "no",
    }


def _row(given: pd.DataFrame, at: int, body: Sequence[Column]) -> list[str]:
    if at >= len(given):
        return [""] * len(body)
    return [_text(given[c.name].iloc[at]) if c.name in given else "" for c in body]


def _legend(column: Column) -> dict[str, Any]:
    levels = [(code_of(v), v, meaning_of(column, v)) for v in column.levels]
    return {"name": column.name, "levels": levels}


def _render(**values: Any) -> str:
    environment: Environment = _environment()
    page = environment.get_template("chart_sheet.html.j2").render(**values)
    return "\n".join(line.rstrip() for line in page.splitlines() if line.strip()) + "\n"


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_TEMPLATES), autoescape=True, undefined=StrictUndefined
    )
