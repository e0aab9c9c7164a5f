"""Practice against game, player by player, with the uncertainty of both."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.models.estimates import player_estimates
from transfer.models.posterior import TransferPosterior
from transfer.page import style
from transfer.records.cells import GAME

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]

_KEEP = ["n", "mean", "low", "high"]


def frame(posterior: TransferPosterior, prob: float = 0.90) -> pd.DataFrame:
    """Return practice and game estimates side by side.

    Parameters
    ----------
    posterior : TransferPosterior
        The fit.
    prob : float
        Probability of both intervals.

    Returns
    -------
    DataFrame
        One row per unit and practice setting in which the player has attempts: ``unit``,
        ``player``, ``setting``, ``mode``, then ``n``, ``mean``, ``low``, ``high`` with the endings
        ``_practice`` and ``_game``, and ``prob``.
    """
    table = player_estimates(posterior, prob)
    game = table.loc[table["setting"] == GAME, ["unit", *_KEEP]]
    practice = table.loc[
        (table["setting"] != GAME) & (table["n"] > 0),
        ["unit", "player", "setting", "mode", *_KEEP],
    ]
    merged = practice.merge(game, on="unit", suffixes=("_practice", "_game"), validate="m:1")
    return merged.assign(prob=prob)


def draw(table: pd.DataFrame) -> Figure:
    """Draw one panel per practice setting, each player a point with two intervals.

    Parameters
    ----------
    table : DataFrame
        From `frame`.

    Returns
    -------
    matplotlib.figure.Figure
    """
    settings = list(dict.fromkeys(table["setting"]))
    with style.styled():
        figure, panels = style.grid_of_panels(
            settings, columns=2 if len(settings) in (2, 4) else 3, row_height=2.6, sharey=True
        )
        for setting, axes in panels.items():
            rows = table[table["setting"] == setting]
            mode = rows["mode"].iloc[0]
            faint = max(0.25, min(0.8, 14.0 / len(rows)))
            axes.hlines(
                rows["mean_game"],
                rows["low_practice"],
                rows["high_practice"],
                color=style.PALE,
                lw=0.6,
                alpha=faint,
            )
            axes.vlines(
                rows["mean_practice"],
                rows["low_game"],
                rows["high_game"],
                color=style.PALE,
                lw=0.6,
                alpha=faint,
            )
            axes.plot(
                rows["mean_practice"],
                rows["mean_game"],
                style.MARKERS[mode],
                color=style.MODE_COLOURS[mode],
                ms=3.6,
                mec="white",
                mew=0.4,
            )
            style.percent_axis(axes.xaxis)
            style.percent_axis(axes.yaxis)
        figure.supxlabel("estimated practice make rate", fontsize=9)
        figure.supylabel("estimated game make rate", fontsize=9)
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: typical widths of the two intervals by setting.

    Parameters
    ----------
    table : DataFrame
        From `frame`.

    Returns
    -------
    str
    """
    parts = []
    for setting, rows in table.groupby("setting", sort=False):
        wide = 100 * float((rows["high_practice"] - rows["low_practice"]).median())
        parts.append(f"{style.setting_label(str(setting))} {wide:.0f} points")
    game = 100 * float((table["high_game"] - table["low_game"]).median())
    return (
        "Scatter of estimated game make rate against estimated practice make rate, one panel per "
        f"practice setting, {table['unit'].nunique()} players. Typical width of the "
        f"{table['prob'].iloc[0]:.0%} intervals: game {game:.0f} points; {'; '.join(parts)}."
    )
