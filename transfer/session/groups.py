"""Who is at which basket, and who meets whom in the live blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
import pandas as pd

from transfer.session.rotation import one_against_two, one_on_one
from transfer.session.tasks import LEVELS
from transfer.session.timing import Block

__all__ = ["TURN_MINUTES", "free_sides", "groups_by_block", "live_turns", "partition"]

#: Minutes that one pair stays on, a few trips each (judgement, no source).
TURN_MINUTES = 1
ROTATION = ["block", "turn", "basket", "shooter", "defender", "second_defender", "side", "entry"]


def partition(
    players: Sequence[str], parts: int, rng: np.random.Generator
) -> list[tuple[str, ...]]:
    """Groups whose sizes differ by one at most, in random order."""
    shuffled = [str(p) for p in rng.permutation(list(players))]
    return [tuple(shuffled[i::parts]) for i in range(min(parts, len(shuffled)))]


def groups_by_block(
    chosen: Sequence[Block], players: Sequence[str], baskets: int, seed: int
) -> pd.DataFrame:
    """Groups of the repetition blocks, drawn anew for each block.

    Parameters
    ----------
    chosen : sequence of Block
    players : sequence of str
    baskets, seed : int

    Returns
    -------
    DataFrame
        ``block``, ``basket``, ``players`` (tuple), ``sides`` (empty text).
    """
    rng = np.random.default_rng([seed, 1])
    rows = []
    for number, block in enumerate(chosen, start=1):
        if block.drill.mode == "rep":
            for basket, group in enumerate(partition(players, baskets, rng), start=1):
                rows.append((number, basket, group, ""))
    return pd.DataFrame(rows, columns=["block", "basket", "players", "sides"])


def free_sides(
    chosen: Sequence[Block], players: Sequence[str], baskets: int, seed: int
) -> pd.DataFrame:
    """Two even sides at each basket for the free live play; two players a basket at least."""
    rng = np.random.default_rng([seed, 2])
    rows = []
    for number, block in enumerate(chosen, start=1):
        if block.drill.mode == "live" and not block.drill.contest:
            used = max(1, min(baskets, len(players) // 2))
            for basket, group in enumerate(partition(players, used, rng), start=1):
                sides = " v ".join(" ".join(group[i::2]) for i in range(2))
                rows.append((number, basket, group, sides))
    return pd.DataFrame(rows, columns=["block", "basket", "players", "sides"])


def live_turns(
    chosen: Sequence[Block],
    players: Sequence[str],
    baskets: int,
    seed: int,
    rating: Mapping[str, float] | None = None,
) -> pd.DataFrame:
    """Turns of all live blocks with named defenders.

    One-against-one blocks share one rotation, so that no pair returns in a later block before
    every pair has met. Starting side and entry run through all six combinations.

    Parameters
    ----------
    chosen : sequence of Block
    players : sequence of str
    baskets, seed : int
    rating : mapping, optional
        Defender ratings, see `transfer.session.rotation.round_robin`.

    Returns
    -------
    DataFrame
        See `transfer.session.plan.SessionPlan`.
    """
    numbered = list(enumerate(chosen, start=1))
    parts: list[pd.DataFrame] = []
    for against in (1, 2):
        blocks = [(n, b) for n, b in numbered if b.drill.contest and b.drill.defenders == against]
        turns = sum(b.minutes // TURN_MINUTES for _, b in blocks)
        if turns == 0:
            continue
        if against == 1:
            table = one_on_one(players, baskets, turns, seed, rating).assign(second_defender="")
        else:
            table = one_against_two(players, baskets, turns, seed, parts[0] if parts else None)
        owner = np.repeat([n for n, _ in blocks], [b.minutes // TURN_MINUTES for _, b in blocks])
        first = {n: int(np.argmax(owner == n)) for n, _ in blocks}
        block = owner[table["turn"].to_numpy() - 1]
        parts.append(
            table.assign(
                block=block, turn=[t - first[n] for t, n in zip(table["turn"], block, strict=True)]
            )
        )
    if not parts:
        return pd.DataFrame(columns=ROTATION)
    table = pd.concat(parts, ignore_index=True).sort_values(
        ["block", "turn", "basket"], ignore_index=True
    )
    rng = np.random.default_rng([seed, 3])
    combos = list(product(LEVELS["side"], LEVELS["entry"]))
    order = [combos[i] for i in rng.permutation(len(combos))]
    cycle = [order[i % len(order)] for i in range(len(table))]
    return table.assign(side=[c[0] for c in cycle], entry=[c[1] for c in cycle])[ROTATION]
