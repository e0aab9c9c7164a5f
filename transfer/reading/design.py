"""What a season's design can tell about live against rep, from the committed table.

The table holds shares of invented seasons by players and attempts (own simulation, described in the
file itself). Between its designs the shares are interpolated on the log of the players and on the
reliabilities n / (n + half) of practice and game rates; beyond its ends they are held.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from transfer.models.alignment import Counts
from transfer.models.composition import mode_indices

__all__ = ["Design", "design_of", "most_players", "players_for"]


@dataclass(frozen=True)
class Design:
    """Size of the records, and what seasons of that size can tell.

    Parameters
    ----------
    players : int
        Player-seasons.
    practice, game : float
        Mean reliability n / (n + half) of a player's rates, at the table's spreads; practice is
        the geometric mean of the two modes.
    leaning : float
        Share of seasons with a true contrast of .30 that reach "leaning" or "ahead".
    luck_odds : float
        Odds that one season in five without a difference reaches or exceeds.
    """

    players: int
    practice: float
    game: float
    leaning: float
    luck_odds: float


@cache
def _table() -> dict[str, Any]:
    text = files("transfer.reading").joinpath("design_power.json").read_text("utf-8")
    read: dict[str, Any] = json.loads(text)
    return read


@cache
def _surface(column: str) -> RegularGridInterpolator:
    """Shares made monotone: more players and attempts never tell less."""
    table = _table()
    half = table["half_attempts"]
    axes = (
        np.log(table["players"]),
        *(np.array(table[k]) / (np.array(table[k]) + half[k]) for k in ("practice", "game")),
    )
    values = np.array([row[column] for row in table["cells"]], dtype=float)
    values = values.reshape([len(axis) for axis in axes])
    if column == "none_odds_80":
        values = np.log(values)
    for axis in range(3):
        values = np.maximum.accumulate(values, axis=axis)
    return RegularGridInterpolator(axes, values)


def _read(column: str, players: float, practice: float, game: float) -> float:
    surface = _surface(column)
    point = [
        float(np.clip(value, axis[0], axis[-1]))
        for value, axis in zip((np.log(players), practice, game), surface.grid, strict=True)
    ]
    return float(surface(point)[0])


def design_of(counts: Counts, modes: tuple[str, ...]) -> Design:
    """Size of fitted records with both modes.

    Parameters
    ----------
    counts : Counts
    modes : tuple of str
        Mode of every practice setting.

    Returns
    -------
    Design
    """
    half = _table()["half_attempts"]
    sides = []
    for mode in ("rep", "live"):
        n = counts.practice_n[:, mode_indices(modes, mode)].sum(axis=1)
        sides.append(float(np.mean(n / (n + half["practice"]))))
    practice = float(np.sqrt(sides[0] * sides[1]))
    game = float(np.mean(counts.game_n / (counts.game_n + half["game"])))
    players = len(counts.game_n)
    return Design(
        players,
        practice,
        game,
        _read("leaning", players, practice, game),
        float(np.exp(_read("none_odds_80", players, practice, game))),
    )


def most_players() -> int:
    """Return the largest number of player-seasons that was simulated."""
    return int(max(_table()["players"]))


def players_for(share: float, design: Design) -> int | None:
    """Player-seasons with the same attempts at which a share of seasons would lean.

    Parameters
    ----------
    share : float
        Share of seasons with a true contrast of .30.
    design : Design

    Returns
    -------
    int or None
        ``None`` where not even the largest simulated design reaches it.
    """
    sizes = range(design.players, most_players() + 1)
    reached = [_read("leaning", m, design.practice, design.game) >= share for m in sizes]
    return sizes[reached.index(True)] if any(reached) else None
