"""Calibration of past forecasts: forecast game rate against what happened, as rising steps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.forecast.track_record import TrackRecord
from transfer.page import style

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]


def frame(track: TrackRecord) -> pd.DataFrame:
    """Return the reliability curve with its consistency band and the players' own rates.

    Parameters
    ----------
    track : TrackRecord
        From `transfer.forecast.track_record.track_record`.

    Returns
    -------
    DataFrame
        One row per player, by ascending ``forecast``: ``attempts``, ``observed`` (own rate),
        ``reliability`` (pooled adjacent violators), ``band_low``, ``band_high``, ``prob``.
    """
    return track.reliability


def draw(table: pd.DataFrame) -> Figure:
    """Draw the curve over the band in which it would lie if the forecasts were right."""
    with style.styled():
        figure = style.new_figure(4.6, 4.2)
        axes = figure.subplots()
        x = table["forecast"]
        axes.fill_between(x, table["band_low"], table["band_high"], color="#DDDDDD", lw=0)
        low = float(min(x.min(), table["reliability"].min())) - 0.03
        high = float(max(x.max(), table["reliability"].max())) + 0.03
        axes.plot([low, high], [low, high], color=style.PALE, ls="--", lw=0.9)
        size = 4 + 60 * table["attempts"] / table["attempts"].max()
        axes.scatter(x, table["observed"], s=size, color=style.PALE, alpha=0.6, lw=0)
        axes.plot(x, table["reliability"], color=style.COLOURS["blue"], marker="o", ms=3)
        axes.set_xlabel("forecast game make rate")
        axes.set_ylabel("what happened")
        style.percent_axis(axes.xaxis)
        style.percent_axis(axes.yaxis)
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: how much of the curve lies in the band."""
    inside = table["reliability"].between(table["band_low"], table["band_high"]).sum()
    return (
        f"Reliability curve of {len(table)} forecasts from {table['forecast'].min():.0%} to "
        f"{table['forecast'].max():.0%}; what happened rises from "
        f"{table['reliability'].min():.0%} to {table['reliability'].max():.0%}. {inside} of "
        f"{len(table)} points lie in the {table['prob'].iloc[0]:.0%} consistency band."
    )
