"""Invented players over several seasons: who shot well last year mostly shoots well this year."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.provenance import hash_frames
from transfer.records.cells import Cells
from transfer.simulation.seasons import SimulatedPlayers, TransferTruth, simulate_cells

__all__ = ["simulate_returners"]


def simulate_returners(
    truth: TransferTruth,
    players: int,
    seasons: int,
    persistence: float,
    seed: int,
    *,
    programs: int = 1,
    season_sd: float = 0.0,
) -> tuple[Cells, SimulatedPlayers]:
    """Draw the same players over several seasons as cells.

    A player's deviations from the mean, in units of their spread, are the same mixture in every
    season of what stays (share `persistence` of the variance) and what is new.

    Parameters
    ----------
    truth : TransferTruth
        What is true in each season.
    players, seasons : int
        Everybody plays all seasons.
    persistence : float
        Correlation of a player's true deviations in two seasons, 0 to 1.
    seed : int
    programs : int
    season_sd : float
        Standard deviation between a program's seasons of every setting's mean, logit.

    Returns
    -------
    cells : Cells
        Units ordered by season, then player.
    players : SimulatedPlayers
        One row per player-season, in that order; `program_effect` without the seasons'.

    Raises
    ------
    ArgumentError
        When `persistence` is no correlation of 0 to 1 or there is no season.
    """
    if not 0.0 <= persistence <= 1.0 or seasons < 1:
        raise ArgumentError(
            f"persistence={persistence!r} over seasons={seasons!r}",
            rule="persistence lies between 0 and 1, and there is at least one season",
            next_step="pass e.g. persistence=0.8, seasons=3",
        )
    # One season gives programs, attempts and labels; rates and makes are drawn anew.
    one, who = simulate_cells(truth, players, seed, programs)
    rng = np.random.default_rng([seed, 1])
    size = len(truth.mu)
    factor = np.linalg.cholesky(np.asarray(truth.omega, dtype=float))
    lasting = rng.standard_normal((players, size))
    program = np.arange(players) * programs // players
    order = {unit: p for p, unit in enumerate(one.units)}
    names = {name: k for k, name in enumerate((*truth.settings, "game"))}
    row = one.table["unit"].map(order).to_numpy()
    column = one.table["setting"].map(names).to_numpy()
    tables, rates = [], []
    for season in range(seasons):
        fresh = rng.standard_normal((players, size))
        score = np.sqrt(persistence) * lasting + np.sqrt(1.0 - persistence) * fresh
        shift = season_sd * rng.standard_normal((programs, size))[program]
        theta = np.asarray(truth.mu) + who.program_effect[program] + shift
        theta = theta + np.asarray(truth.tau) * (score @ factor.T)
        makes = rng.binomial(one.table["n"], expit(theta[row, column]))
        label = f"S{season + 1}"
        unit = one.table["program"] + "/" + label + "/" + one.table["player"]
        tables.append(one.table.assign(unit=unit, season=label, y=makes.astype("int64")))
        rates.append(theta)
    units = tuple(
        f"{u.split('/')[0]}/S{season + 1}/{u.split('/')[1]}"
        for season in range(seasons)
        for u in one.units
    )
    table = pd.concat(tables, ignore_index=True)
    cells = replace(one, table=table, units=units, data_hash=hash_frames(cells=table))
    people = SimulatedPlayers(
        units, who.program * seasons, np.concatenate(rates), who.program_effect
    )
    return cells, people
