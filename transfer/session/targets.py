"""Targets of the blocks that end with the k-th make."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import special

from transfer.errors import ArgumentError
from transfer.session.line import Lines
from transfer.session.pace import ASSUMED_MAKE_RATE
from transfer.session.race import RaceTarget, Side, choose_target
from transfer.session.timing import Block

__all__ = ["LARGEST", "BlockTarget", "MakeRates", "block_target"]

#: Make rates by mode (``rep``, ``live``) and player.
MakeRates = Mapping[str, Mapping[str, float]]
#: Largest target that players can follow by counting aloud; longer blocks play several sets
#: (judgement, no source).
LARGEST = 15
#: Make rates of the day about the expected ones, logits, common and each player's own
#: (judgement, no source).
DAY_SD, PLAYER_SD = 0.15, 0.20
SCENARIOS = 24


@dataclass(frozen=True)
class BlockTarget:
    """What a block is played to.

    Parameters
    ----------
    race : RaceTarget
        Of one set.
    sets : int
        Sets that the block has room for.
    """

    race: RaceTarget
    sets: int


def block_target(
    block: Block,
    number: int,
    lines: Lines,
    shots: Mapping[tuple[int, int], int],
    make_rates: MakeRates,
    probability: float,
    seed: int,
) -> BlockTarget | None:
    """Makes to play to, or None when the block ends by time.

    Parameters
    ----------
    block : Block
    number : int
        Position of the block.
    lines : dict
        Order of every line, see `transfer.session.line.lines_of`.
    shots : mapping of (int, int) to int
        Reps of the block by squad and basket: who shoots how often follows from the line.
    make_rates : mapping
        By mode and player; assumed where missing.
    probability : float
        Least chance that a set ends in its minutes, averaged over uncertain make rates. A
        ladder counts as ended for a player; a race when its first side is there.
    seed : int

    Returns
    -------
    BlockTarget or None
        Of the squad with the lowest target. None also where too few shots fit in for any.
    """
    if block.drill.ending == "time":
        return None
    found = []
    for squad in sorted({s for n, s, _ in lines if n == number}):
        here = {b: order for (n, s, b), order in lines.items() if (n, s) == (number, squad)}
        taken = {basket: shots[squad, basket] for basket in here}
        rng = np.random.default_rng([seed, 4, number, squad])
        target = _squad_target(block, here, taken, make_rates, probability, rng)
        if target is None:
            return None
        found.append(target)
    return min(found, key=lambda target: (target.race.target, target.race.probability))


def _squad_target(
    block: Block,
    here: Mapping[int, Sequence[str]],
    shots: Mapping[int, int],
    make_rates: MakeRates,
    probability: float,
    rng: np.random.Generator,
) -> BlockTarget | None:
    players = [p for order in here.values() for p in order]
    known = make_rates.get(block.drill.mode, {})
    expected = np.array([known.get(p, ASSUMED_MAKE_RATE[block.drill.mode]) for p in players])
    noise = DAY_SD * rng.standard_normal((SCENARIOS, 1))
    noise = noise + PLAYER_SD * rng.standard_normal((SCENARIOS, len(players)))
    noise[0] = 0.0
    drawn = [
        dict(zip(players, row.tolist(), strict=True))
        for row in special.expit(special.logit(expected) + noise)
    ]
    sets = 1
    while True:
        per_set = {basket: count // sets for basket, count in shots.items()}
        minutes = block.minutes / sets
        scenarios = [
            sides for by in drawn for sides in _scenarios(block, here, per_set, by, minutes)
        ]
        if not all(scenarios):
            return None
        try:
            race = choose_target(scenarios, minutes, probability)
        except ArgumentError:
            return None
        if race.target <= LARGEST:
            return BlockTarget(race, sets)
        sets += 1


def _scenarios(
    block: Block,
    here: Mapping[int, Sequence[str]],
    shots: Mapping[int, int],
    rate: Mapping[str, float],
    minutes: float,
) -> list[list[Side]]:
    """The sides of a set, each with the shots that its line gives it in these minutes."""
    alone = [
        Side((rate[player],), count / minutes, player)
        for basket, order in here.items()
        for player, count in _own_shots(order, shots[basket]).items()
        if count
    ]
    if block.drill.ending == "player race":
        return [alone]
    if block.drill.ending == "ladder":
        return [[side] for side in alone]
    if len(here) == 1:  # one basket: every second shooter of its line plays against the others
        (order, count) = next(iter(here.values())), next(iter(shots.values()))
        parts = {"first side": order[0::2], "second side": order[1::2]}
        own = _own_shots(order, count)
        taken = {name: sum(own[p] for p in part) for name, part in parts.items()}
    else:
        parts = {f"basket {basket}": tuple(order) for basket, order in here.items()}
        taken = {f"basket {basket}": shots[basket] for basket in here}
    if not all(taken.values()):
        return [[]]
    most = max(taken.values())
    return [[
        Side(tuple(rate[p] for p in part), taken[name] / minutes, name, taken[name] / most)
        for name, part in parts.items()
    ]]  # fmt: skip


def _own_shots(order: Sequence[str], shots: int) -> dict[str, int]:
    """Shots of each player when a line takes this many."""
    size = len(order)
    return {player: (shots + size - 1 - at) // size for at, player in enumerate(order)}
