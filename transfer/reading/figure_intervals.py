"""Estimated game rate of each player with its interval, the raw rate beside it.

Players stand in the order of their codes, not of their rates: one season of game attempts cannot
rank players.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from transfer.models.estimates import player_estimates
from transfer.models.posterior import TransferPosterior
from transfer.page import style
from transfer.records.cells import GAME

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]


def frame(posterior: TransferPosterior, prob: float = 0.90, setting: str = GAME) -> pd.DataFrame:
    """Return one setting's raw and estimated rates in the order of the codes.

    Parameters
    ----------
    posterior : TransferPosterior
        The fit.
    prob : float
        Probability of the interval.
    setting : str
        A practice setting or ``"game"``.

    Returns
    -------
    DataFrame
        Rows of `player_estimates` of that setting plus ``group`` (program and season) and
        ``prob``.
    """
    table = player_estimates(posterior, prob)
    table = table[table["setting"] == setting].copy()
    program, season = table["program"].fillna(""), table["season"].fillna("")
    table["group"] = (program.astype(str) + ", " + season.astype(str)).str.strip(", ")
    table["prob"] = prob
    return table.sort_values(["group", "player"], kind="stable").reset_index(drop=True)


def draw(table: pd.DataFrame) -> Figure:
    """Draw point, interval and raw rate of each player, one panel per program and season."""
    groups = list(dict.fromkeys(table["group"]))
    mode = table["mode"].iloc[0]
    tallest = int(table["group"].value_counts().max())
    columns = 1 if len(groups) == 1 else min(4, len(groups))
    with style.styled():
        figure, panels = style.grid_of_panels(
            groups, columns, row_height=0.5 + 0.135 * tallest, sharex=True
        )
        for group, axes in panels.items():
            rows = table[table["group"] == group]
            place = np.arange(len(rows))
            axes.hlines(place, rows["low"], rows["high"], color=style.MODE_COLOURS[mode], lw=1.0)
            axes.plot(rows["raw"], place, "o", mfc="white", mec=style.PALE, ms=3.4)
            axes.plot(
                rows["mean"], place, style.MARKERS[mode], color=style.MODE_COLOURS[mode], ms=3.2
            )
            axes.set_yticks(place, rows["player"].astype(str), fontsize=6.5)
            axes.set_ylim(len(rows) - 0.4, -0.6)
            axes.set_title(group)
            axes.grid(False, axis="y")
            style.percent_axis(axes.xaxis)
        prob = float(table["prob"].iloc[0])
        figure.supxlabel(
            f"game make rate: point and {prob:.0%} interval estimated, open circle raw",
            fontsize=9,
        )
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: how wide the intervals are against the spread of the points."""
    width = 100 * float((table["high"] - table["low"]).median())
    spread = 100 * float(table["mean"].max() - table["mean"].min())
    prob = float(table["prob"].iloc[0])
    return (
        f"Estimated make rates of {len(table)} players in the order of their codes. A typical "
        f"{prob:.0%} interval is {width:.0f} points wide; the estimates lie within {spread:.0f} "
        "points of each other."
    )
