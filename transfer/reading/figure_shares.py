"""Share of the game differences that practice rates account for, before and after the records."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.page import style
from transfer.reading.reading import Reading

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]

_LABELS = {"rep": "rep practice", "live": "live practice", "all": "both together"}


def frame(reading: Reading) -> pd.DataFrame:
    """Return the shares by kind of practice, as in the reading.

    Parameters
    ----------
    reading : Reading
        From `transfer.reading.reading.read_transfer`.

    Returns
    -------
    DataFrame
        One row per ``quantity`` (``rep``, ``live``, ``all``): ``label``, ``mean``, ``low``,
        ``high``, ``prior_low``, ``prior_high``, ``prob``.
    """
    table = reading.r2[reading.r2["quantity"].isin(_LABELS)]
    order = {name: i for i, name in enumerate(_LABELS)}
    table = table.sort_values("quantity", key=lambda column: column.map(order))
    table = table.assign(label=table["quantity"].map(_LABELS))
    keep = ["quantity", "label", "mean", "low", "high", "prior_low", "prior_high", "prob"]
    return table[keep].reset_index(drop=True)


def draw(table: pd.DataFrame) -> Figure:
    """Draw one line per kind of practice over the grey of the starting assumption."""
    with style.styled():
        figure = style.new_figure(7.0, 0.5 + 0.32 * len(table))
        axes = figure.subplots()
        for at, row in enumerate(table.to_dict(orient="records")):
            axes.plot([row["prior_low"], row["prior_high"]], [at, at], color="#D9D9D9", lw=9,
                      solid_capstyle="butt")  # fmt: skip
            colour = style.MODE_COLOURS.get(row["quantity"], style.INK)
            axes.plot([row["low"], row["high"]], [at, at], color=colour, lw=2)
            axes.plot(
                row["mean"], at, style.MARKERS.get(row["quantity"], "D"), color=colour, ms=6,
                mec="white",
            )  # fmt: skip
        axes.set_yticks(range(len(table)), table["label"])
        axes.set_ylim(len(table) - 0.5, -0.5)
        axes.set_xlim(0.0, 1.0)
        axes.grid(False, axis="y")
        style.percent_axis(axes.xaxis)
        axes.set_xlabel("share of the differences between players' true game rates")
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: every share with its interval, now and before the records."""
    parts = [
        f"{r['label']} {r['mean']:.0%} ({r['low']:.0%} to {r['high']:.0%}; before the records "
        f"{r['prior_low']:.0%} to {r['prior_high']:.0%})"
        for r in table.to_dict(orient="records")
    ]
    return (
        "Share of the differences between players' true game rates that practice rates account "
        f"for, with {table['prob'].iloc[0]:.0%} intervals: {'; '.join(parts)}."
    )
