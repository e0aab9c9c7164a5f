"""The line at a basket: who shoots, who defends, who passes and who rebounds, rep by rep.

One rule for every drill: shoot, then defend (trail, then the rim, against two), then rebound, then
pass, then back to the end of the line. In whole rounds of the line everybody shoots and defends
equally often, exactly. The defender of a shooter is whoever stands before him in the line, so the
order of the line decides who meets whom: it changes from one live block to the next.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from functools import cache
from itertools import permutations

import numpy as np
import pandas as pd

from transfer.session.drills import Drill
from transfer.session.floor import Floor
from transfer.session.pace import DrillPace, line_shots
from transfer.session.timing import Block

__all__ = ["REP_COLUMNS", "Lines", "line_order", "lines_of", "reps_of"]

REP_COLUMNS = (
    "block", "squad", "basket", "rep", "round", "shooter", "defender", "second_defender", "helper",
    "rebounder", "passer", "call", "side",
)  # fmt: skip
#: Orders that are compared in a line too long to compare all.
_SAMPLED = 5000

#: Order of the line by block, squad and basket.
type Lines = dict[tuple[int, int, int], tuple[str, ...]]


@cache
def _orders(size: int) -> np.ndarray:
    """Circular orders of a line, one a row, the first player in front."""
    if size <= 8:
        rest = np.array(list(permutations(range(1, size))), dtype=int)
    else:
        rng = np.random.default_rng(size)
        rest = 1 + np.array([rng.permutation(size - 1) for _ in range(_SAMPLED)])
    return np.column_stack([np.zeros(len(rest), dtype=int), rest])


def line_order(
    group: Sequence[str],
    defenders: int,
    met: Counter[tuple[str, str]],
    rating: Mapping[str, float],
    rng: np.random.Generator,
) -> tuple[str, ...]:
    """Order of a line in which shooters face those whom they met least.

    Parameters
    ----------
    group : sequence of str
    defenders : int
        Defenders against one shooter; those before him in the line.
    met : Counter
        Times that (shooter, defender) met so far.
    rating : mapping of str to float
        Defender ratings; close ratings meet where the rest is equal.
    rng : Generator
        Decides between equal orders.
    """
    names = list(group)
    size, orders = len(names), _orders(len(group))
    here = np.array([[met[a, b] for b in names] for a in names], dtype=float)
    level = np.array([rating.get(name, 0.0) for name in names])
    gap = abs(level[:, None] - level[None, :])
    # A repeated match-up counts more than the same two with their roles exchanged, and that more
    # than all the gaps in ratings together.
    cost = here**2 + 0.1 * (here + here.T) + 0.01 / size * gap / max(gap.max(), 1.0)
    total = np.zeros(len(orders))
    for back in range(1, min(defenders, size - 1) + 1):
        total += cost[orders, np.roll(orders, back, axis=1)].sum(axis=1)
    order = orders[int(np.argmin(total + 1e-6 * rng.random(len(orders))))]
    return tuple(names[i] for i in np.roll(order, -int(rng.integers(size))))


def lines_of(
    chosen: Sequence[Block], floor: Floor, seed: int, rating: Mapping[str, float] | None = None
) -> Lines:
    """Order of every line in every block but the free play.

    Parameters
    ----------
    chosen : sequence of Block
    floor : Floor
    seed : int
    rating : mapping, optional
        See `line_order`.

    Returns
    -------
    dict
        By block (from 1), squad and basket.
    """
    rng = np.random.default_rng([seed, 3])
    lines: Lines = {}
    for (squad, basket), group in floor.places.items():
        met = Counter[tuple[str, str]]()
        for number, block in enumerate(chosen, start=1):
            if not block.drill.contest:
                continue
            order, facing = group, block.drill.defenders
            if facing:
                order = line_order(group, facing, met, rating or {}, rng)
                for back in range(1, facing + 1):
                    met.update((p, order[at - back]) for at, p in enumerate(order))
            lines[number, squad, basket] = order
    return lines


def reps_of(
    chosen: Sequence[Block],
    lines: Lines,
    calls: pd.DataFrame,
    paces: Mapping[tuple[str, int], DrillPace],
) -> pd.DataFrame:
    """Every rep of the lines with everybody's work.

    Parameters
    ----------
    chosen : sequence of Block
    lines : dict
        See `lines_of`.
    calls : DataFrame
        ``block``, ``call`` and the called traits; a call holds for whole rounds of the line.
    paces : mapping
        Attempts per player-minute by drill name and group size.

    Returns
    -------
    DataFrame
        Columns `REP_COLUMNS`; blanks where a group is too small for a role.
    """
    called = {number: part["side"].tolist() for number, part in calls.groupby("block")}
    rows: list[tuple[object, ...]] = []
    for (number, squad, basket), order in lines.items():
        block = chosen[number - 1]
        size, sides = len(order), called[number]
        shots = line_shots(block.drill, paces[block.drill.name, size], size, block.minutes)
        laps = -(-shots // size)
        for at in range(shots):
            lap = at // size
            call = lap * len(sides) // laps
            # In an even line a step a rep would give a player the same side every time.
            turn = at + (lap if size % 2 == 0 else 0)
            side = sides[call] or ("left", "right")[turn % 2]
            rows.append((number, squad, basket, at + 1, lap + 1, order[at % size],
                         *_roles(block.drill, order, at), call + 1, side))  # fmt: skip
    table = pd.DataFrame(rows, columns=list(REP_COLUMNS))
    return table.sort_values(["block", "squad", "basket", "rep"], ignore_index=True)


def _roles(drill: Drill, order: Sequence[str], at: int) -> tuple[str, str, str, str, str]:
    """Defender, second defender, helper, rebounder and passer while the line stands at `at`.

    They are those who shot last, the latest first. Where a group is too small the last of them
    does what is left over; two players have no passer.
    """
    size = len(order)
    before = [order[(at - back) % size] for back in range(1, size)]
    defenders = before[: drill.defenders]
    helper = before[:1] if drill.contest == "light" and drill.mode == "rep" and size > 2 else []
    rest = before[len(defenders) + len(helper) :]
    rebounder = rest[0] if rest else before[-1] if before else ""
    passer = rest[1] if len(rest) > 1 else rest[0] if rest else ""
    first, second = (*defenders, "", "")[:2]
    return first, second, helper[0] if helper else "", rebounder, passer
