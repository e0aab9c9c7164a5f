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

from transfer.models.posterior import TransferPosterior
from transfer.records.cells import GAME

__all__ = [
    "Design",
    "attempts_of_people",
    "design_of",
    "most_players",
    "people",
    "players_for",
]


@dataclass(frozen=True)
class Design:
    """Size of the records, and what seasons of that size can tell.

    Parameters
    ----------
    players : int
        Players, each once however many seasons there are.
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


def people(fit: TransferPosterior) -> tuple[str, ...]:
    """Players of a fit, each once however many seasons there are."""
    table = fit.cells.table
    return tuple(sorted(set(table["program"].astype(str) + "/" + table["player"].astype(str))))


def attempts_of_people(fit: TransferPosterior) -> dict[str, np.ndarray]:
    """Attempts of each player over all seasons, as they count in the fit.

    Parameters
    ----------
    fit : TransferPosterior
        With one setting a mode.

    Returns
    -------
    dict of str to array, shape (players,)
        Keys ``rep``, ``live`` and ``game``, those that were charted; players as in `people`.
    """
    table = fit.cells.table
    person = table["program"].astype(str) + "/" + table["player"].astype(str)
    charted = table["setting"].astype(str)
    if "level" in table:
        charted = table["level"].astype(str).where(table["level"].astype(str) != "", charted)
    worth = charted.map(fit.design_effects).fillna(1.0)
    counted = (table["n"] / worth).groupby([person, table["setting"].astype(str)]).sum()
    grid = counted.unstack(fill_value=0).reindex(
        index=list(people(fit)), columns=[*fit.settings, GAME], fill_value=0.0
    )
    return {str(name): grid[name].to_numpy(float) for name in grid}


def design_of(fit: TransferPosterior) -> Design:
    """Size of fitted records with both modes.

    Parameters
    ----------
    fit : TransferPosterior
        With one setting a mode.
    """
    half = _table()["half_attempts"]
    attempts = attempts_of_people(fit)
    rep, live, game = (
        float(np.mean(n / (n + half[side])))
        for n, side in ((attempts["rep"], "practice"), (attempts["live"], "practice"),
                        (attempts[GAME], "game"))
    )  # fmt: skip
    players, practice = len(attempts[GAME]), float(np.sqrt(rep * live))
    return Design(
        players,
        practice,
        game,
        _read("leaning", players, practice, game),
        float(np.exp(_read("none_odds_80", players, practice, game))),
    )


def most_players() -> int:
    """Return the largest number of players that was simulated."""
    return int(max(_table()["players"]))


def players_for(share: float, design: Design) -> int | None:
    """Players with the same attempts at which a share of seasons would lean.

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
