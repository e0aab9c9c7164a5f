"""What a page is made of: sections of text, figures, tables, lists and name-value pairs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from transfer.page.svg import inline_svg

__all__ = [
    "Cell",
    "Column",
    "Section",
    "figure",
    "group",
    "heading",
    "items",
    "pairs",
    "simple_table",
    "table",
    "text",
]

Block = dict[str, Any]


@dataclass(frozen=True)
class Section:
    """One part of a page with a heading of its own.

    Parameters
    ----------
    id : str
        Anchor, unique on the page.
    title : str
        Heading.
    blocks : list of dict
        From `text`, `figure`, `table`, `items`, `pairs`.
    css : str
        Class for printing.
    """

    id: str
    title: str
    blocks: list[Block] = field(default_factory=list)
    css: str = ""


@dataclass(frozen=True)
class Column:
    """Heading of a table column; numbers stand to the right."""

    title: str
    right: bool = False


@dataclass(frozen=True)
class Cell:
    """Text of a cell, with a quieter line below it."""

    text: str
    below: str = ""
    right: bool = False


def text(words: str) -> Block:
    """One paragraph."""
    return {"kind": "text", "text": words}


def heading(words: str) -> Block:
    """A heading inside a section."""
    return {"kind": "heading", "text": words}


def figure(module: Any, frame: pd.DataFrame, name: str, caption: str) -> Block:
    """A figure drawn from its frame, with the module's own alternative text.

    Parameters
    ----------
    module : module
        A module of `transfer.figures` with ``draw`` and ``describe``.
    frame : DataFrame
        From the module's ``frame``.
    name : str
        Unique on the page.
    caption : str
        How to read it.
    """
    from markupsafe import Markup

    svg = inline_svg(module.draw(frame), name, module.describe(frame))
    return {"kind": "figure", "svg": Markup(svg), "caption": caption}


def group(rows: Iterable[Sequence[Cell | str]], title: str = "") -> dict[str, Any]:
    """Rows that belong together, under a title of their own."""
    return {
        "title": title,
        "rows": [[c if isinstance(c, Cell) else Cell(c) for c in row] for row in rows],
    }


def table(
    caption: str, columns: Sequence[Column], groups: Sequence[dict[str, Any]], css: str = ""
) -> Block:
    """A table; the first cell of a row is its heading."""
    return {
        "kind": "table",
        "caption": caption,
        "columns": list(columns),
        "groups": list(groups),
        "css": css,
    }


def simple_table(
    frame: pd.DataFrame,
    caption: str,
    columns: Sequence[tuple[str, str, Callable[[Any], str]]],
) -> Block:
    """A table straight from a frame.

    Parameters
    ----------
    frame : DataFrame
        Rows.
    caption : str
        What it shows.
    columns : sequence of (name, title, write)
        Column of the frame, its heading and how a value is written.
    """
    right = [frame[name].dtype.kind in "iuf" for name, _, _ in columns]
    rows = [
        [
            Cell(write(record[name]), right=side)
            for (name, _, write), side in zip(columns, right, strict=True)
        ]
        for record in frame.to_dict(orient="records")
    ]
    heads = [Column(title, side) for (_, title, _), side in zip(columns, right, strict=True)]
    return table(caption, heads, [group(rows)])


def items(entries: Iterable[Any]) -> Block:
    """A list of entries with ``title`` and ``text``."""
    return {"kind": "list", "entries": list(entries)}


def pairs(values: Iterable[tuple[str, str]]) -> Block:
    """Names with their values."""
    return {"kind": "pairs", "pairs": [(str(k), str(v)) for k, v in values]}
