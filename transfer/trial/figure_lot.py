"""The lot of a trial: which player does which mix in which week."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from transfer.page import style
from transfer.trial.plan import TrialPlan

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]


def frame(plan: TrialPlan) -> pd.DataFrame:
    """Return the planned live share by player (rows) and week (columns); NaN in a break.

    Parameters
    ----------
    plan : TrialPlan

    Returns
    -------
    DataFrame
        Players as ``program, player``, or as ``player`` where there is one program.
    """
    table = plan.table
    several = table["program"].nunique() > 1
    who = table["program"] + ", " + table["player"] if several else table["player"]
    return table.assign(who=who).pivot(index="who", columns="week", values="live_share")


def draw(table: pd.DataFrame) -> Figure:
    """Draw a field a player and week: full for the live-heavy mix, open for the rep-heavy one."""
    heavy = table.to_numpy() > 0.5
    off = np.isnan(table.to_numpy())
    rows, columns = np.indices(table.shape)
    weeks = np.asarray(table.columns)[columns]
    with style.styled():
        figure = style.new_figure(7.0, 1.0 + 0.17 * len(table))
        axes = figure.subplots()
        for mask, name, colour, face in (
            (heavy, "live-heavy", "vermillion", None),
            (~heavy & ~off, "rep-heavy", "blue", "white"),
        ):
            edge = style.COLOURS[colour]
            axes.plot(weeks[mask], rows[mask], "s", mec=edge, mfc=face or edge, ms=4, label=name)
        axes.set_yticks(range(len(table)), table.index, fontsize=7)
        axes.set_ylim(len(table) - 0.4, -0.6)
        axes.set_xlabel("week")
        axes.grid(False)
        axes.legend(ncols=2, loc="lower left", bbox_to_anchor=(0.0, 1.0))
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: how many players begin with which mix."""
    live = int((table.bfill(axis=1).iloc[:, 0] > 0.5).sum())
    return (
        f"Planned mix of {len(table)} players over {table.shape[1]} weeks: {live} start "
        f"live-heavy, {len(table) - live} rep-heavy."
    )
