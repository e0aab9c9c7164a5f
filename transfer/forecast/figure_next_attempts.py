"""The next game attempts of each player: from how many to how many of them will go in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.forecast.forecast import Forecast
from transfer.page import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]


def frame(forecast: Forecast, program: str = "") -> pd.DataFrame:
    """Return the players of the last season with their count to come.

    Parameters
    ----------
    forecast : Forecast
        From `transfer.forecast.forecast.forecast_games`.
    program : str
        Only this program's players; all when empty.

    Returns
    -------
    DataFrame
        One row per player, most expected makes first: ``player``, ``program``, ``season``,
        ``mean`` (expected rate), ``next_attempts``, ``makes_low``, ``makes_high`` (count to come),
        ``prob``.
    """
    columns = ["player", "program", "season", "mean", "next_attempts", "makes_low", "makes_high"]
    table = forecast.table[[*columns, "prob"]]
    if program:
        table = table[table["program"] == program]
    table = table[table["season"] == table.groupby("program")["season"].transform("max")]
    return table.sort_values(["mean", "player"], ascending=[False, True], ignore_index=True)


def draw(table: pd.DataFrame) -> Figure:
    """Draw a strip per player over the number of makes, the expected number marked on it."""
    from matplotlib.ticker import MaxNLocator

    columns = 1 if len(table) <= 8 else 2 if len(table) <= 16 else 3
    rows = -(-len(table) // columns)
    several = table["program"].nunique() > 1
    labels = table["program"] + ", " + table["player"] if several else table["player"]
    with style.styled():
        figure = style.new_figure(7.0, 0.5 + 0.15 * rows)
        panels = figure.subplots(1, columns, squeeze=False, sharex=True).ravel()
        for at, axes in enumerate(panels):
            part = table.iloc[at * rows : (at + 1) * rows]
            y = range(len(part))
            axes.hlines(y, part["makes_low"], part["makes_high"], color=style.PALE, lw=5)
            axes.plot(part["mean"] * part["next_attempts"], y, "|", color="black", ms=8, mew=1.6)
            axes.set_yticks(list(y), list(labels.iloc[at * rows : (at + 1) * rows]))
            axes.set_ylim(rows - 0.5, -0.5)
            axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=6))
        figure.supxlabel(
            f"makes in the next {table['next_attempts'].iloc[0]} game attempts", fontsize=8
        )
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: how wide the strips are and how far the players lie apart."""
    wide = float((table["makes_high"] - table["makes_low"]).median())
    mean = table["mean"] * table["next_attempts"]
    return (
        f"Strips of {len(table)} players: makes in the next {table['next_attempts'].iloc[0]} game "
        f"attempts, {table['prob'].iloc[0]:.0%} of the counts to come. A strip is typically "
        f"{wide:.0f} makes wide; the expected makes of all players lie between {mean.min():.0f} "
        f"and {mean.max():.0f}."
    )
