"""Practice against game, player by player: charted rates with their luck, and the fitted line.

The points are charted makes over attempts. Estimates would not do: each borrows from the player's
other rates, so a cloud of them shows the correlation of the fit a second time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.special import logit

from transfer.models.alignment import game_mix
from transfer.models.estimates import player_estimates
from transfer.models.posterior import TransferPosterior
from transfer.models.roles import overall_population
from transfer.page import style
from transfer.rates.intervals import proportion_limits
from transfer.records.cells import GAME

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["describe", "draw", "frame"]

#: Points of a fitted line.
_STEPS = 25


def frame(posterior: TransferPosterior, prob: float = 0.90) -> pd.DataFrame:
    """Return charted practice and game rates side by side, and the line of the fit.

    Parameters
    ----------
    posterior : TransferPosterior
        The fit.
    prob : float
        Probability of the intervals and of the line's band.

    Returns
    -------
    DataFrame
        ``what`` is ``player`` or ``line``; ``setting``, ``mode``, then ``n``, ``rate``, ``low``,
        ``high`` with the endings ``_practice`` and ``_game``, and ``prob``. A row ``player`` is a
        unit (``unit``, ``player``) with attempts in the setting and in games: charted rates with
        Wilson intervals. A row ``line`` is the game rate to expect of a player with the true
        practice rate ``rate_practice``: mean and equal-tailed band of that line, without the
        spread of players about it.
    """
    table = player_estimates(posterior, prob)
    table = table[table["n"] > 0].rename(columns={"raw": "rate"})
    low, high = proportion_limits(table["y"], table["n"], prob=prob)
    table = table.assign(low=low, high=high)
    keep = ["n", "rate", "low", "high"]
    game = table.loc[table["setting"] == GAME, ["unit", *keep]]
    practice = table.loc[table["setting"] != GAME, ["unit", "player", "setting", "mode", *keep]]
    players = practice.merge(game, on="unit", suffixes=("_practice", "_game"), validate="m:1")
    lines = [
        _line(posterior, str(setting), rows["rate_practice"], prob)
        for setting, rows in players.groupby("setting", sort=False)
    ]
    return pd.concat([players.assign(what="player"), *lines], ignore_index=True).assign(prob=prob)


def _line(
    posterior: TransferPosterior, setting: str, rates: pd.Series, prob: float
) -> pd.DataFrame:
    """The fitted line of a setting over the range of the charted rates."""
    k = posterior.index(setting)
    population = overall_population(posterior)
    mu, tau = population.mu, population.tau
    slope = population.omega[:, k, -1] * tau[:, -1] / tau[:, k]
    ends = rates.clip(0.02, 0.98).quantile([0.02, 0.98]).to_numpy()
    grid = np.linspace(ends[0], ends[1], _STEPS)
    mix = game_mix(posterior)
    game = np.array([mix.rates(mu[:, -1] + slope * (logit(x) - mu[:, k])) for x in grid])
    low, high = np.quantile(game, [(1 - prob) / 2, (1 + prob) / 2], axis=1)
    return pd.DataFrame(
        {
            "what": "line", "setting": setting, "mode": posterior.modes[k],
            "rate_practice": grid, "rate_game": game.mean(axis=1), "low_game": low,
            "high_game": high,
        }
    )  # fmt: skip


def draw(table: pd.DataFrame) -> Figure:
    """Draw one panel per practice setting, each player a point with two intervals."""
    settings = list(dict.fromkeys(table["setting"]))
    with style.styled():
        figure, panels = style.grid_of_panels(
            settings,
            columns=2 if len(settings) in (2, 4) else 3,
            row_height=2.6,
            sharex=True,
            sharey=True,
        )
        for setting, axes in panels.items():
            here = table[table["setting"] == setting]
            rows, line = here[here["what"] == "player"], here[here["what"] == "line"]
            mode = rows["mode"].iloc[0]
            faint = max(0.12, min(0.6, 10.0 / len(rows)))
            common = {"color": style.PALE, "lw": 0.6, "alpha": faint}
            axes.hlines(rows["rate_game"], rows["low_practice"], rows["high_practice"], **common)
            axes.vlines(rows["rate_practice"], rows["low_game"], rows["high_game"], **common)
            axes.fill_between(
                line["rate_practice"], line["low_game"], line["high_game"], color="#DDDDDD", lw=0
            )
            axes.plot(
                rows["rate_practice"],
                rows["rate_game"],
                style.MARKERS[mode],
                color=style.MODE_COLOURS[mode],
                ms=3.6,
                mec="white",
                mew=0.4,
                alpha=max(0.4, min(1.0, 40.0 / len(rows))),
            )
            axes.plot(line["rate_practice"], line["rate_game"], color="black", lw=1.3)
            style.percent_axis(axes.xaxis)
            style.percent_axis(axes.yaxis)
            axes.tick_params(labelbottom=True)
        figure.supxlabel("charted practice make rate", fontsize=9)
        figure.supylabel("charted game make rate", fontsize=9)
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: typical widths of the game intervals, and how steep the lines are."""
    parts = []
    for setting, rows in table[table["what"] == "line"].groupby("setting", sort=False):
        rise = (rows["rate_game"].iloc[-1] - rows["rate_game"].iloc[0]) / (
            rows["rate_practice"].iloc[-1] - rows["rate_practice"].iloc[0]
        )
        parts.append(f"{style.setting_label(str(setting))} {10 * rise:.1f}")
    players = table[table["what"] == "player"]
    game = 100 * float((players["high_game"] - players["low_game"]).median())
    return (
        "Scatter of charted game make rate against charted practice make rate, one panel per "
        f"practice setting, {players['unit'].nunique()} players. Typical width of a game rate's "
        f"{table['prob'].iloc[0]:.0%} interval: {game:.0f} points. Points of game rate along the "
        f"fitted line for 10 points of practice rate: {'; '.join(parts)}."
    )
