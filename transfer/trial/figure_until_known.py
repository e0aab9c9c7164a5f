"""Until we know: chance of a settled verdict by weeks, one line per number of team-seasons."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.page import style
from transfer.trial.assurance import UntilWeKnow

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]

_LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (8, 2)))
_MARKERS = ("o", "s", "D", "^", "v", "P")


def frame(curve: UntilWeKnow) -> pd.DataFrame:
    """Return the chance of knowing and of "cannot tell" by weeks and team-seasons.

    Parameters
    ----------
    curve : UntilWeKnow
        From `transfer.trial.assurance.until_we_know`.

    Returns
    -------
    DataFrame
        ``weeks``, ``team_seasons``, ``knowing``, ``cannot_tell``.
    """
    keep = ["weeks", "team_seasons", "knowing", "cannot_tell"]
    return curve.table[keep].sort_values(["team_seasons", "weeks"]).reset_index(drop=True)


def draw(table: pd.DataFrame) -> Figure:
    """Draw one line per number of team-seasons, named at its end."""
    with style.styled():
        figure = style.new_figure(7.0, 3.0)
        axes = figure.subplots()
        sizes = sorted(table["team_seasons"].unique())
        for at, size in enumerate(sizes):
            rows = table[table["team_seasons"] == size]
            axes.plot(rows["weeks"], rows["knowing"], color=style.INK, ls=_LINES[at % len(_LINES)],
                      marker=_MARKERS[at % len(_MARKERS)], ms=3.5,
                      label=f"{size:.0f} team-season{'s' if size != 1 else ''}")  # fmt: skip
        axes.axhline(0.5, color=style.PALE, lw=0.8)
        axes.set_ylim(0.0, 1.0)
        axes.set_xlabel("weeks of the trial")
        axes.set_ylabel("chance of a settled verdict")
        style.percent_axis(axes.yaxis)
        axes.legend(loc="center left", bbox_to_anchor=(1.0, 0.5))
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: the chance after the last week for each number of team-seasons."""
    last = table[table["weeks"] == table["weeks"].max()]
    parts = [
        f"{r['team_seasons']:.0f} team-seasons {r['knowing']:.0%}"
        for r in last.to_dict(orient="records")
    ]
    return (
        "Chance of a settled verdict against weeks of the trial. After "
        f"{table['weeks'].max():.0f} weeks: {', '.join(parts)}."
    )
