"""A result drawn from its table: one line a row with its value, limits and another value beside."""

from __future__ import annotations

from collections.abc import Hashable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.page import style
from transfer.results import Result

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["MOST_ROWS", "describe", "draw", "frame"]

#: Rows on one figure; the label says how many were left out.
MOST_ROWS = 60


def frame(result: Result) -> pd.DataFrame:
    """Return the rows of a result's table that a figure can hold.

    Parameters
    ----------
    result : Result

    Returns
    -------
    DataFrame
        ``label`` (what differs between rows, in words), ``value``, ``low``, ``high``, ``beside``
        (NaN where there is none), ``what`` (the name of the value), ``next_to`` (that of the value
        beside), ``limits`` (what they are), ``rows`` (of the whole table).

    Raises
    ------
    ArgumentError
        When no row has a value.
    """
    table, columns = result.table, result._estimates
    table = table.reset_index(drop=isinstance(table.index, pd.RangeIndex))
    nothing = pd.Series(np.nan, index=table.index)
    rows = pd.DataFrame(
        {
            "label": _labels(table),
            "value": table[columns.value].astype(float),
            "low": table[columns.low].astype(float) if columns.low else nothing,
            "high": table[columns.high].astype(float) if columns.high else nothing,
            "beside": table[columns.beside].astype(float) if columns.beside else nothing,
            "what": columns.value.replace("_", " "),
            "next_to": columns.beside.replace("_", " "),
            "limits": _limits(result, table) if table.get(columns.low, nothing).any() else "",
        }
    )
    rows = rows[np.isfinite(rows["value"])].assign(rows=len(rows))
    if rows.empty:
        raise ArgumentError(
            f"{type(result).__name__} has no {columns.value} to draw",
            rule="a figure needs a row with a value",
            next_step="read .text: it says why nothing could be estimated",
        )
    return rows.head(MOST_ROWS).reset_index(drop=True)


def _labels(table: pd.DataFrame) -> list[str]:
    """What tells the rows apart: words first, then whole numbers until no two rows are the same."""
    texts = table.astype(str)
    differ = [name for name in table if texts[name].nunique() > 1 and name not in ("text", "note")]
    words = [name for name in differ if not pd.api.types.is_numeric_dtype(table[name])]
    numbers = [name for name in differ if pd.api.types.is_integer_dtype(table[name])]
    chosen: list[Hashable] = []
    for name in [*words, *numbers]:
        known = any(texts[name].equals(texts[other]) for other in chosen)
        if not known and (name in words or texts[chosen].duplicated().any()):
            chosen.append(name)
    return [", ".join(row) for row in texts[chosen].to_numpy()]


def _limits(result: Result, table: pd.DataFrame) -> str:
    """Probability and kind of the limits, where the result says them."""
    interval = getattr(result, "interval", None)
    prob = table["prob"].iloc[0] if "prob" in table else getattr(result, "prob", None)
    kind = table["kind"].iloc[0] if "kind" in table else getattr(interval, "kind", "")
    prob = getattr(interval, "prob", None) if prob is None else prob
    words = {"eti": "equal-tailed ", "": ""}.get(kind, f"{kind.replace('_', ' ')} ")
    return f"interval ({words}{prob:.0%})" if prob is not None else "interval"


def draw(table: pd.DataFrame) -> Figure:
    """Draw one line a row."""
    place = np.arange(len(table))
    what, next_to = table["what"].iloc[0], table["next_to"].iloc[0]
    with style.styled():
        figure = style.new_figure(7.0, 0.9 + 0.19 * len(table))
        axes = figure.subplots()
        held = np.isfinite(table["low"]) & np.isfinite(table["high"])
        colour = style.COLOURS["blue"]
        axes.hlines(place[held], table["low"][held], table["high"][held], color=colour, lw=1.2)
        if next_to:
            axes.plot(table["beside"], place, "o", mfc="white", mec=style.INK, ms=4.5)
        axes.plot(table["value"], place, "o", color=colour, ms=4.0)
        axes.set_yticks(place, table["label"], fontsize=7)
        axes.set_ylim(len(table) - 0.4, -0.6)
        axes.grid(False, axis="y")
        left_out = int(table["rows"].iloc[0]) - len(table)
        parts = [what, table["limits"].iloc[0], f"open circle {next_to}" if next_to else "",
                 f"{left_out} more rows in .table" if left_out else ""]  # fmt: skip
        axes.set_xlabel(", ".join(part for part in parts if part))
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: what is drawn, how many rows, between which values."""
    return (
        f"{table['what'].iloc[0]} of {len(table)} rows, from {table['value'].min():.3g} to "
        f"{table['value'].max():.3g}."
    )
