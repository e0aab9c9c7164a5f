"""Practice make rate to game make rate, with the band of the rate and of the attempts to come."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.page import style
from transfer.reading.conversion import Conversion

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]


def frame(conversion: Conversion) -> pd.DataFrame:
    """Return the conversion table with the count to come as a share of its attempts.

    Parameters
    ----------
    conversion : Conversion
        From `transfer.reading.conversion.conversion_table`.

    Returns
    -------
    DataFrame
        The columns of ``conversion.table`` plus ``next_low`` and ``next_high``.
    """
    table = conversion.table
    return table.assign(
        next_low=table["makes_low"] / table["next_attempts"],
        next_high=table["makes_high"] / table["next_attempts"],
    )


def draw(table: pd.DataFrame) -> Figure:
    """Draw one panel per setting: mean line, dark band for the rate, pale band for the count."""
    settings = list(dict.fromkeys(table["setting"]))
    with style.styled():
        figure, panels = style.grid_of_panels(
            settings, columns=2 if len(settings) in (2, 4) else 3, sharey=True
        )
        for setting, axes in panels.items():
            rows = table[table["setting"] == setting].sort_values("practice_rate")
            mode = rows["mode"].iloc[0]
            colour = style.MODE_COLOURS[mode]
            x = rows["practice_rate"]
            axes.fill_between(x, rows["next_low"], rows["next_high"], color="#E3E3E3", lw=0)
            axes.fill_between(x, rows["game_low"], rows["game_high"], color=colour, alpha=0.3, lw=0)
            axes.plot(x, rows["game_mean"], color=colour, marker=style.MARKERS[mode], ms=3)
            style.percent_axis(axes.xaxis)
            style.percent_axis(axes.yaxis)
        figure.supxlabel("practice make rate", fontsize=9)
        figure.supylabel("game make rate", fontsize=9)
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: the game rate at the lowest and highest practice rate of each setting."""
    parts = []
    for setting, rows in table.groupby("setting", sort=False):
        low, high = rows.iloc[0], rows.iloc[-1]
        parts.append(
            f"{style.setting_label(str(setting))}: {low['practice_rate']:.0%} in practice goes "
            f"with {low['game_mean']:.0%} in games, {high['practice_rate']:.0%} with "
            f"{high['game_mean']:.0%}"
        )
    return (
        "Game make rate against practice make rate, one panel per setting. "
        + "; ".join(parts)
        + "."
    )
