"""Tasks of the repetition blocks: side, hand, entry, take-off and spot in balance.

Which combinations are used is an integer program solved by HiGHS: every level of every trait, and
every pair of side with hand and of side with entry, as often as every other, give or take one.
Their order keeps neighbours as unlike as possible.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
from scipy import optimize

from transfer.errors import ArgumentError

__all__ = ["LEVELS", "balanced_tasks"]

#: Levels of the traits, as charted.
LEVELS: dict[str, tuple[str, ...]] = {
    "side": ("left", "right"),
    "hand": ("left", "right"),
    "entry": ("catch", "dribble", "turn"),
    "footwork": ("one_foot", "two_foot"),
    "spot": ("block", "mark_1", "mark_2", "elbow"),
}
#: Pairs of traits that are balanced as well.
_PAIRS = (("side", "hand"), ("side", "entry"))


def balanced_tasks(count: int, seed: int) -> pd.DataFrame:
    """Choose and order tasks.

    Parameters
    ----------
    count : int
        Number of tasks, at least 1.
    seed : int
        Which of the balanced sets is taken.

    Returns
    -------
    DataFrame
        ``task`` (from 1), ``side``, ``hand``, ``entry``, ``footwork``, ``spot``.

    Raises
    ------
    ArgumentError
        When `count` is not positive.
    """
    if count < 1:
        raise ArgumentError(
            f"count={count!r}", rule="at least one task", next_step="pass a whole number"
        )
    names = list(LEVELS)
    combos = pd.DataFrame(list(product(*LEVELS.values())), columns=names)
    rng = np.random.default_rng(seed)
    groups = [[name] for name in names] + [list(pair) for pair in _PAIRS]
    codes = [combos.groupby(group, sort=False).ngroup().to_numpy() for group in groups]
    rows = np.vstack([np.eye(code.max() + 1)[code].T for code in codes])
    sizes = np.concatenate([np.full(code.max() + 1, code.max() + 1) for code in codes])
    found = optimize.milp(
        rng.random(len(combos)),
        constraints=[
            optimize.LinearConstraint(rows, count // sizes, -(-count // sizes)),
            optimize.LinearConstraint(np.ones(len(combos)), count, count),
        ],
        integrality=np.ones(len(combos)),
        bounds=optimize.Bounds(count // len(combos), -(-count // len(combos))),
        options={"mip_rel_gap": 0.05, "time_limit": 2.0},
    )
    if found.x is None:
        raise ArgumentError(
            f"no balanced set of {count} tasks was found",
            rule="levels within one of each other",
            next_step="ask for a few tasks more or fewer",
        )
    times = np.round(found.x).astype(int)
    chosen = combos.loc[combos.index.repeat(times)].reset_index(drop=True)
    ordered = chosen.iloc[_unlike(chosen, rng)].reset_index(drop=True)
    return ordered.assign(task=np.arange(1, count + 1))[["task", *names]]


def _unlike(chosen: pd.DataFrame, rng: np.random.Generator) -> list[int]:
    """Order in which each task differs from the one before in as many traits as possible."""
    table = chosen.to_numpy()
    left = list(rng.permutation(len(table)))
    order = [left.pop(0)]
    while left:
        differ = [(table[i] != table[order[-1]]).sum() for i in left]
        order.append(left.pop(int(np.argmax(differ))))
    return [int(i) for i in order]
