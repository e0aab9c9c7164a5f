"""From raw to estimated: how far each player's rate moves once luck is taken out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from transfer.models.estimates import player_estimates
from transfer.models.posterior import TransferPosterior
from transfer.page import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["LINES", "describe", "draw", "frame"]

#: Players of a setting up to whom each has a line (judgement, no source).
LINES = 40


def frame(posterior: TransferPosterior, prob: float = 0.90) -> pd.DataFrame:
    """Return the players' raw and estimated rates, where they have attempts.

    Parameters
    ----------
    posterior : TransferPosterior
        The fit.
    prob : float
        Probability of the interval columns.

    Returns
    -------
    DataFrame
        The rows of `player_estimates` with ``n > 0``.
    """
    table = player_estimates(posterior, prob)
    return table[table["n"] > 0].reset_index(drop=True)


def draw(table: pd.DataFrame) -> Figure:
    """Draw one panel per setting: raw rate at the left, estimate at the right.

    With more than `LINES` players in a setting the lines would cover each other: the estimate is
    drawn over the raw rate then, with the line on which nothing moves.

    Returns
    -------
    matplotlib.figure.Figure
        A thicker line stands for more attempts.
    """
    from matplotlib.collections import LineCollection

    settings = list(dict.fromkeys(table["setting"]))
    with style.styled():
        figure, panels = style.grid_of_panels(settings, columns=3, sharey=True)
        many = bool((table["setting"].value_counts() > LINES).any())
        for setting, axes in panels.items():
            rows = table[table["setting"] == setting]
            if many:
                _cloud(axes, rows)
                continue
            mode = rows["mode"].iloc[0]
            most = float(rows["n"].max())
            alpha = min(0.8, 12.0 / len(rows) ** 0.5 / 4.0)
            ends = rows[["raw", "mean"]].to_numpy(dtype=float)
            places = np.broadcast_to([0.0, 1.0], ends.shape)
            lines = list(np.stack([places, ends], axis=-1))
            axes.add_collection(
                LineCollection(
                    lines,
                    colors=style.MODE_COLOURS[mode],
                    linewidths=0.4 + 1.2 * rows["n"] / most,
                    alpha=alpha,
                )
            )
            axes.plot([0.0] * len(rows), rows["raw"], "o", mfc="white", mec=style.PALE, ms=3)
            axes.plot(
                [1.0] * len(rows),
                rows["mean"],
                style.MARKERS[mode],
                color=style.MODE_COLOURS[mode],
                ms=3,
            )
            axes.set_xticks([0.0, 1.0], ["raw", "estimated"])
            axes.set_xlim(-0.25, 1.25)
            axes.grid(False, axis="x")
            style.percent_axis(axes.yaxis)
        figure.supylabel("estimated make rate" if many else "make rate", fontsize=9)
        if many:
            figure.supxlabel("raw make rate", fontsize=9)
    return figure


def _cloud(axes: Any, rows: pd.DataFrame) -> None:
    """Estimate over raw rate; a larger mark stands for more attempts."""
    mode = rows["mode"].iloc[0]
    ends = [float(rows["raw"].min()), float(rows["raw"].max())]
    axes.plot(ends, ends, color=style.PALE, ls="--", lw=0.9)
    axes.scatter(
        rows["raw"],
        rows["mean"],
        s=3 + 14 * rows["n"] / rows["n"].max(),
        marker=style.MARKERS[mode],
        color=style.MODE_COLOURS[mode],
        alpha=0.5,
        lw=0,
    )
    style.percent_axis(axes.xaxis)
    style.percent_axis(axes.yaxis)


def describe(table: pd.DataFrame) -> str:
    """Alternative text: the spread of raw and of estimated rates by setting."""
    parts = [
        f"{style.setting_label(str(setting))}: raw {rows['raw'].min():.0%} to "
        f"{rows['raw'].max():.0%}, "
        f"estimated {rows['mean'].min():.0%} to {rows['mean'].max():.0%}"
        for setting, rows in table.groupby("setting", sort=False)
    ]
    return (
        "From each player's raw make rate to the estimated rate, one panel per setting. "
        + "; ".join(parts)
        + "."
    )
