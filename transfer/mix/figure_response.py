"""Mix response: gain and regret over the weekly live minutes that the limits allow."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from transfer.mix.solve import MixProblem, candidates
from transfer.page import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["POINTS", "describe", "draw", "frame"]

#: Weeks shown between the least and the most live minutes.
POINTS = 41


def frame(
    problem: MixProblem, growth: np.ndarray, game_rate: float, prob: float = 0.90
) -> pd.DataFrame:
    """Return gain over the present mix and regret against the best, by live minutes.

    Parameters
    ----------
    problem : MixProblem
        The week that was solved.
    growth : array, shape (D, 2)
        Draws of the growth effects, rep and live.
    game_rate : float
        Game make rate that points are counted from.
    prob : float
        Probability of the band.

    Returns
    -------
    DataFrame
        One row per week looked at, by ascending ``live``: ``rep``, ``live`` (minutes),
        ``gain``, ``low``, ``high`` (points of game make rate), ``regret`` (mean over draws of
        what the best week of each draw brings more, points), ``beats`` (chance of a gain),
        ``now`` (live minutes at present), ``prob``.
    """
    weeks = candidates(problem).minutes
    values = growth @ problem.slopes(weeks).T
    logit = np.log(game_rate / (1 - game_rate))
    points = 100 * (1 / (1 + np.exp(-(logit + values))) - game_rate)
    best_rep = pd.DataFrame({"live": weeks[:, 1], "gain": points.mean(axis=0)})
    keep = best_rep.groupby(best_rep["live"].round(9))["gain"].idxmax().to_numpy()
    keep = keep[np.unique(np.linspace(0, len(keep) - 1, POINTS).round().astype(int))]
    low, high = np.quantile(points[:, keep], [(1 - prob) / 2, (1 + prob) / 2], axis=0)
    regret = points.max(axis=1).mean() - points[:, keep].mean(axis=0)
    now = problem.totals @ problem.current
    return pd.DataFrame(
        {
            "rep": weeks[keep, 0],
            "live": weeks[keep, 1],
            "gain": points[:, keep].mean(axis=0),
            "low": low,
            "high": high,
            "regret": regret,
            "beats": (points[:, keep] > 0).mean(axis=0),
            "now": float(now[1]),
            "prob": prob,
        }
    )


def draw(table: pd.DataFrame) -> Figure:
    """Draw gain with its band, and regret below, over live minutes."""
    with style.styled():
        figure = style.new_figure(7.0, 4.0)
        top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=[2, 1])
        colour = style.MODE_COLOURS["live"]
        top.fill_between(table["live"], table["low"], table["high"], color=colour, alpha=0.2, lw=0)
        top.plot(table["live"], table["gain"], color=colour)
        top.axhline(0.0, color=style.INK, lw=0.8)
        bottom.plot(table["live"], table["regret"], color=style.INK)
        for axes in (top, bottom):
            axes.axvline(table["now"].iloc[0], color=style.PALE, ls="--")
        top.annotate("now", (table["now"].iloc[0], 1.0), xycoords=("data", "axes fraction"),
                     xytext=(3, -9), textcoords="offset points", fontsize=8)  # fmt: skip
        top.set_ylabel("gain, points of\ngame make rate")
        bottom.set_ylabel("expected regret,\npoints")
        bottom.set_ylim(bottom=0.0)
        bottom.set_xlabel("live minutes a player and week")
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: the best and the present week with gain, band and regret."""
    best = table.iloc[int(table["gain"].to_numpy().argmax())]
    return (
        f"Expected gain over the present {table['now'].iloc[0]:.0f} live minutes a week, for "
        f"{table['live'].min():.0f} to {table['live'].max():.0f} live minutes. Largest at "
        f"{best['live']:.0f} minutes: {best['gain']:.1f} points of game make rate, "
        f"{best['prob']:.0%} band {best['low']:.1f} to {best['high']:.1f}; the least expected "
        f"regret is {table['regret'].min():.1f} points."
    ).replace("-", "−")
