"""Dose and adherence: live share of the charted minutes, week by week, against the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.page import style
from transfer.trial.adherence import Adherence

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]

_COLOURS = {"live_heavy": style.COLOURS["vermillion"], "rep_heavy": style.COLOURS["blue"]}
_MARKERS = {"live_heavy": "s", "rep_heavy": "o"}


def frame(found: Adherence) -> pd.DataFrame:
    """Return planned and done live share of every practised player-week.

    Parameters
    ----------
    found : Adherence
        From `transfer.trial.adherence.adherence`.

    Returns
    -------
    DataFrame
        One row per player and week with charted practice in an arm: ``program``, ``player``,
        ``week``, ``arm``, ``planned_share``, ``done_share``, ``done_minutes``, ``other_side``.
    """
    table = found.table[found.table["state"] == "done"]
    planned = table["planned_live"] + table["planned_rep"]
    table = table.assign(
        planned_share=table["planned_live"] / planned,
        done_minutes=table["done_live"] + table["done_rep"],
    )
    keep = ["program", "player", "week", "arm", "planned_share", "done_share", "done_minutes",
            "other_side"]  # fmt: skip
    return table[keep].reset_index(drop=True)


def draw(table: pd.DataFrame) -> Figure:
    """Draw the share done as points, the mean as a line and the plan dashed; minutes below."""
    with style.styled():
        figure = style.new_figure(7.0, 4.2)
        top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=[2, 1])
        for arm, rows in table.groupby("arm", sort=True):
            name, colour = str(arm), _COLOURS[str(arm)]
            marker = _MARKERS[name]
            shift = 0.12 if name == "live_heavy" else -0.12
            top.plot(rows["week"] + shift, rows["done_share"], marker, color=colour, ms=2.6,
                     alpha=0.35, mec="none")  # fmt: skip
            weekly = rows.groupby("week")
            mean = weekly["done_share"].mean()
            top.plot(mean.index, mean, marker=marker, color=colour, ms=5, mec="white",
                     label=style.setting_label(name))  # fmt: skip
            top.plot(mean.index, weekly["planned_share"].mean(), color=colour, ls="--", lw=1.0)
            minutes = weekly["done_minutes"].mean()
            bottom.plot(minutes.index, minutes, marker=marker, color=colour, ms=4)
        top.set_ylim(-0.02, 1.02)
        style.percent_axis(top.yaxis)
        top.set_ylabel("live share of minutes")
        top.legend(ncols=2, loc="lower left", bbox_to_anchor=(0.0, 1.0))
        bottom.set_ylim(bottom=0.0)
        bottom.set_ylabel("minutes a player")
        bottom.set_xlabel("week")
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: planned and done mean shares of each arm."""
    parts = [
        f"{style.setting_label(str(arm))} planned {rows['planned_share'].mean():.0%}, done "
        f"{rows['done_share'].mean():.0%} in {rows['done_minutes'].mean():.0f} minutes a week"
        for arm, rows in table.groupby("arm", sort=True)
    ]
    return (
        f"Live share of the practice minutes of {table['player'].nunique()} players by week, plan "
        f"dashed: {'; '.join(parts)}. {int(table['other_side'].sum())} of {len(table)} "
        "player-weeks lie on the other arm's side."
    )
