"""Calls of a block: side, hand, entry, take-off and spot in balance, of what fits the drill.

Each call takes the least used level of every trait, so that levels stay within one of each other;
among those it takes the least used pairs of side with hand and of side with entry, then a
combination not used before, then one unlike the call before. No solver and no clock: the same
seed gives the same calls on every machine.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from itertools import product

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.session.drills import Drill

__all__ = ["LEVELS", "balanced_calls", "levels_of"]

#: Levels of the traits, as charted.
LEVELS: dict[str, tuple[str, ...]] = {
    "side": ("left", "right"),
    "hand": ("left", "right"),
    "entry": ("catch", "dribble", "turn"),
    "footwork": ("one_foot", "two_foot"),
    "spot": ("block", "mark_1", "mark_2", "mark_3"),
}
#: Pairs of traits that are balanced as well.
_PAIRS = (("side", "hand"), ("side", "entry"))


def levels_of(drill: Drill) -> dict[str, tuple[str, ...]]:
    """Levels that the calls of a drill may take.

    A trait that the call leaves to the players has one blank level: the side where a player's
    shots alternate, the spot on a ladder, where the rung decides.
    """
    return {
        **LEVELS,
        "side": ("",) if drill.alternate else LEVELS["side"],
        "entry": drill.entries,
        "spot": ("",) if drill.ending == "ladder" else drill.spots,
    }


def balanced_calls(count: int, levels: Mapping[str, Sequence[str]], seed: int) -> pd.DataFrame:
    """Choose and order calls.

    Parameters
    ----------
    count : int
        Number of calls, at least 1.
    levels : mapping of str to sequence of str
        Levels by trait, those of `LEVELS`.
    seed : int
        Which of the balanced sequences is taken.

    Returns
    -------
    DataFrame
        ``call`` (from 1) and a column per trait.

    Raises
    ------
    ArgumentError
        When `count` is not positive.
    """
    if count < 1:
        raise ArgumentError(
            f"count={count!r}", rule="at least one call", next_step="pass a whole number"
        )
    names = list(LEVELS)
    rng = np.random.default_rng(seed)
    combinations = list(product(*(levels[name] for name in names)))
    combinations = [combinations[i] for i in rng.permutation(len(combinations))]
    parts: list[tuple[tuple[int, ...], bool]] = [((at,), False) for at in range(len(names))]
    parts += [((names.index(a), names.index(b)), True) for a, b in _PAIRS]
    used: Counter[tuple[object, ...]] = Counter()
    chosen: list[tuple[str, ...]] = []

    def cost(combination: tuple[str, ...]) -> tuple[int, int, int, int]:
        counts = [(pair, used[(at, *(combination[i] for i in at))]) for at, pair in parts]
        alike = sum(a == b for a, b in zip(combination, chosen[-1], strict=True)) if chosen else 0
        return (
            sum(n for pair, n in counts if not pair),
            sum(n for pair, n in counts if pair),
            used[combination],
            alike,
        )

    for _ in range(count):
        best = min(combinations, key=cost)
        chosen.append(best)
        used.update([best, *((at, *(best[i] for i in at)) for at, _ in parts)])
    table = pd.DataFrame(chosen, columns=names)
    return table.assign(call=np.arange(1, count + 1))[["call", *names]]
