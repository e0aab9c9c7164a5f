"""The answer as a picture: estimate, starting assumption, and the region that would not matter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.page import style, words
from transfer.results import interval_from_draws

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from transfer.trial.analysis import TrialAnalysis

__all__ = ["describe", "draw", "frame"]


def frame(analysis: TrialAnalysis) -> pd.DataFrame:
    """Return the contrast before and after the records, for each account of the doses.

    Parameters
    ----------
    analysis : TrialAnalysis
        From `transfer.trial.analysis.analyse_trial`.

    Returns
    -------
    DataFrame
        Two rows a reading, in points of game make rate, live-heavy minus rep-heavy: ``reading``,
        ``which`` (``before`` or ``after`` the records), ``mean``, ``low``, ``high``, ``prob``,
        ``rope_low``, ``rope_high`` and ``inside``, the probability of that region.
    """
    rows = []
    for reading in (analysis.main, analysis.as_done):
        if reading is None:
            continue
        judged = reading.verdict
        rope_low, rope_high = judged.rope
        draws = {"before": reading.effect.prior_draws, "after": reading.effect.draws}
        for which, values in draws.items():
            interval = interval_from_draws(values, judged.interval.prob, "difference")
            rows.append(
                {
                    "reading": reading.label,
                    "which": which,
                    "mean": float(values.mean()),
                    "low": interval.low,
                    "high": interval.high,
                    "prob": interval.prob,
                    "rope_low": rope_low,
                    "rope_high": rope_high,
                    "inside": float(((values >= rope_low) & (values <= rope_high)).mean()),
                }
            )
    return pd.DataFrame(rows)


def draw(table: pd.DataFrame) -> Figure:
    """Draw one line a reading: the starting assumption pale behind, the answer in front."""
    readings = list(dict.fromkeys(table["reading"]))
    rope = tuple(table[["rope_low", "rope_high"]].iloc[0])
    prob = float(table["prob"].iloc[0])
    with style.styled():
        figure = style.new_figure(7.0, 1.5 + 0.5 * len(readings))
        axes = figure.subplots()
        axes.axvspan(*rope, color="#E4E4E4", lw=0, label="would not matter")
        axes.axvline(0.0, color=style.INK, lw=0.8)
        looks = {
            "before": (style.PALE, 0.14, 1.2, "o", 3.5),
            "after": (style.INK, -0.1, 2.6, "D", 6),
        }
        names = {"before": "starting assumption", "after": "with the records"}
        for which, (colour, shift, width, marker, size) in looks.items():
            rows = table[table["which"] == which].set_index("reading").loc[readings]
            at = [len(readings) - 1 - place + shift for place in range(len(readings))]
            axes.hlines(at, rows["low"], rows["high"], color=colour, lw=width)
            axes.plot(rows["mean"], at, marker, color=colour, ms=size, mec="white",
                      label=f"{names[which]}: mean and {prob:.0%} interval")  # fmt: skip
        axes.set_yticks(range(len(readings) - 1, -1, -1), readings)
        axes.set_ylim(-0.5, len(readings) - 0.5)
        reach = 1.08 * float(table[["low", "high"]].abs().to_numpy().max())
        axes.set_xlim(-reach, reach)
        axes.grid(False, axis="y")
        axes.set_xlabel("points of game make rate: left of 0 rep-heavy better, right live-heavy")
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2)
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: the answer of each reading, what it started from, and the region."""
    after = table[table["which"] == "after"].to_dict(orient="records")
    before = table[table["which"] == "before"].to_dict(orient="records")
    parts = [
        f"{now['reading']} {words.number(now['mean'], 1)} points "
        f"({words.interval(now['low'], now['high'], 1)}; starting assumption "
        f"{words.interval(then['low'], then['high'], 1)})"
        for now, then in zip(after, before, strict=True)
    ]
    low, high = (words.minus(f"{after[0][end]:g}") for end in ("rope_low", "rope_high"))
    return (
        f"Live-heavy minus rep-heavy, means and {after[0]['prob']:.0%} intervals: "
        f"{'; '.join(parts)}. Differences from {low} to {high} points would not matter."
    )
