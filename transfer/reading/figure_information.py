"""What a make rate tells about games, by attempts and by minutes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.page import style
from transfer.reading.information import Information

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]


def frame(information: Information) -> pd.DataFrame:
    """Return the share accounted for by number of attempts and of minutes, one mode at a time.

    Parameters
    ----------
    information : Information
        From `transfer.reading.information.read_information`.

    Returns
    -------
    DataFrame
        One row per ``mode`` and ``attempts``: ``minutes`` (NaN where minutes were not charted),
        ``mean``, ``low``, ``high``, ``prob``.
    """
    table = information.table
    parts = []
    for mode in ("rep", "live"):
        rows = table[table["source"] == f"all {mode}"]
        pace = information.rates.get(mode)
        minutes = rows["attempts"] / pace if pace else float("nan")
        parts.append(rows.assign(mode=mode, minutes=minutes))
    keep = ["mode", "attempts", "minutes", "mean", "low", "high", "prob"]
    return pd.concat(parts, ignore_index=True)[keep]


def draw(table: pd.DataFrame) -> Figure:
    """Draw one panel per attempt and, where minutes were charted, one per minute."""
    columns = {"attempts": "attempts a player"}
    if table["minutes"].notna().any():
        columns["minutes"] = "minutes a player"
    with style.styled():
        figure = style.new_figure(7.0, 2.7)
        panels = figure.subplots(1, len(columns), squeeze=False, sharey=True)[0]
        for axes, (column, label) in zip(panels, columns.items(), strict=True):
            for mode, rows in table.dropna(subset=column).groupby("mode", sort=False):
                colour = style.MODE_COLOURS[str(mode)]
                axes.fill_between(
                    rows[column], rows["low"], rows["high"], color=colour, alpha=0.15, lw=0
                )
                axes.plot(
                    rows[column],
                    rows["mean"],
                    color=colour,
                    marker=style.MARKERS[str(mode)],
                    ls="-" if mode == "rep" else "--",
                    ms=4,
                    label=str(mode),
                )
            axes.set_xlabel(label)
            axes.set_ylim(0.0, 1.0)
            axes.set_xlim(left=0.0)
            style.percent_axis(axes.yaxis)
        panels[0].set_ylabel("share accounted for")
        panels[0].legend(loc="upper left")
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: the share at the fewest and the most attempts of each mode."""
    parts = []
    for mode, rows in table.groupby("mode", sort=False):
        first, last = rows.iloc[0], rows.iloc[-1]
        pace = first["attempts"] / first["minutes"]
        at = f", {pace:.1f} attempts a minute" if pace == pace else ""
        parts.append(
            f"{mode}: {first['mean']:.0%} from {first['attempts']} attempts, {last['mean']:.0%} "
            f"from {last['attempts']}{at}"
        )
    return (
        "Share of the differences between players' true game rates that a make rate accounts for, "
        f"with {table['prob'].iloc[0]:.0%} bands; {'; '.join(parts)}."
    )
