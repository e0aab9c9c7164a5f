"""Targets of the blocks that end with the k-th make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from scipy import special

from transfer.errors import ArgumentError
from transfer.session.pace import ASSUMED_MAKE_RATE
from transfer.session.race import RaceTarget, Side, choose_target
from transfer.session.timing import Block

__all__ = ["MakeRates", "block_target"]

#: Make rates by mode (``rep``, ``live``) and player.
MakeRates = Mapping[str, Mapping[str, float]]
#: Make rates of the day about the expected ones, logits, common and each player's own
#: (judgement, no source).
DAY_SD, PLAYER_SD = 0.15, 0.20
SCENARIOS = 24


def block_target(
    block: Block,
    number: int,
    groups: pd.DataFrame,
    players: Sequence[str],
    pace: float,
    make_rates: MakeRates,
    probability: float,
    seed: int,
) -> RaceTarget | None:
    """Makes to play to, or None when the block ends by time.

    Parameters
    ----------
    block : Block
    number : int
        Position of the block.
    groups : DataFrame
        Groups of the repetition blocks.
    players : sequence of str
    pace : float
        Attempts per player-minute.
    make_rates : mapping
        By mode and player; assumed where missing.
    probability : float
        Least chance that the set ends in the minutes, averaged over uncertain make rates. A
        ladder counts as ended for a player; a race when its first side is there.
    seed : int

    Returns
    -------
    RaceTarget or None
        None also where too few attempts fit in for any target.
    """
    if block.drill.ending == "time":
        return None
    known = make_rates.get(block.drill.mode, {})
    expected = np.array([known.get(p, ASSUMED_MAKE_RATE[block.drill.mode]) for p in players])
    rng = np.random.default_rng([seed, 4, number])
    noise = DAY_SD * rng.standard_normal((SCENARIOS, 1))
    noise = noise + PLAYER_SD * rng.standard_normal((SCENARIOS, len(players)))
    noise[0] = 0.0
    rates = special.expit(special.logit(expected) + noise)
    scenarios: list[list[Side]] = []
    for row in rates:
        by = dict(zip(players, row.tolist(), strict=True))
        if block.drill.ending == "ladder":
            scenarios.extend([Side((rate,), pace, name)] for name, rate in by.items())
        else:
            scenarios.append(_sides(block, number, groups, by, pace))
    try:
        return choose_target(scenarios, block.minutes, probability)
    except ArgumentError:
        return None


def _sides(
    block: Block, number: int, groups: pd.DataFrame, rate: Mapping[str, float], pace: float
) -> list[Side]:
    if block.drill.ending == "player race":
        return [Side((value,), pace, name) for name, value in rate.items()]
    here = [g for g in groups.loc[groups["block"] == number, "players"] if g]
    if len(here) == 1:  # one basket: its group plays against itself in two halves
        here = [here[0][0::2], here[0][1::2]]
        names = ["first half", "second half"]
    else:
        names = [f"basket {i + 1}" for i in range(len(here))]
    largest = max(len(group) for group in here)
    return [
        Side(tuple(rate[p] for p in group), pace * len(group), name, len(group) / largest)
        for name, group in zip(names, here, strict=True)
    ]
