"""Who is at which basket: squads, baskets in use, groups that stay together, and who works.

At one basket at a time a shooter, the defenders or a helper, a passer and a rebounder work; in
repetitions the next shooter is on the way already. The others stand in the line. With at most
`MOST` players a basket no more than half of them stand; more players are split into squads that
take the floor one after the other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from transfer.session.drills import Drill
from transfer.session.timing import CHANGE, LEAST_MINUTES

__all__ = ["FEWEST", "MOST", "Floor", "idle_share", "sides_of", "split_floor", "working"]

#: Players a basket at which the line is long enough to rotate and short enough to keep moving
#: (common practice, no source).
USUAL = (4, 5)
#: Players a basket up to which at most half of them stand in the line, one against one.
MOST = 8
#: Fewest players at a basket: a shooter and a defender.
FEWEST = 2


@dataclass(frozen=True)
class Floor:
    """Squads and their groups, fixed for the session.

    Parameters
    ----------
    places : dict of (int, int) to tuple of str
        Group by squad and basket.
    squads : int
    squad_minutes : int
        Minutes on the floor of each squad, breaks included.
    used : int
        Baskets in use at a time.
    wanted : int
        Squads with which no more than half would stand.
    """

    places: dict[tuple[int, int], tuple[str, ...]]
    squads: int
    squad_minutes: int
    used: int
    wanted: int

    @property
    def sizes(self) -> tuple[int, int]:
        """Smallest and largest group."""
        sizes = [len(group) for group in self.places.values()]
        return min(sizes), max(sizes)

    @property
    def groups(self) -> pd.DataFrame:
        """``squad``, ``basket``, ``players`` of every group."""
        rows = [(*place, group) for place, group in self.places.items()]
        return pd.DataFrame(rows, columns=["squad", "basket", "players"])


def split_floor(players: Sequence[str], baskets: int, minutes: int, seed: int) -> Floor:
    """Split players into squads and groups whose sizes differ by one at most.

    Parameters
    ----------
    players : sequence of str
        At least two codes.
    baskets : int
        Baskets there are; as many are used as bring the groups nearest to four or five players.
    minutes : int
        Minutes of the whole session; squads share them, with a change between two squads.
    seed : int
    """
    wanted = -(-len(players) // (MOST * baskets))
    squads = max(1, min(wanted, (minutes + CHANGE) // (LEAST_MINUTES + CHANGE)))
    smallest = len(players) // squads
    used = min(range(1, min(baskets, max(1, smallest // FEWEST)) + 1),
               key=lambda k: (_from_usual(smallest / k), -k))  # fmt: skip
    shuffled = [str(p) for p in np.random.default_rng([seed, 1]).permutation(list(players))]
    parts = squads * used
    places = {
        (at % squads + 1, at // squads + 1): tuple(shuffled[at::parts]) for at in range(parts)
    }
    each = (minutes - CHANGE * (squads - 1)) // squads
    return Floor(dict(sorted(places.items())), squads, each, used, wanted)


def _from_usual(size: float) -> float:
    low, high = USUAL
    return max(low - size, size - high, 0.0)


def working(drill: Drill, size: int) -> int:
    """Players of a group of this size who work at any moment of a drill.

    Parameters
    ----------
    drill : Drill
    size : int

    Returns
    -------
    int
        Shooter, passer and rebounder with the defenders, or with the helper of a light contest
        and the next shooter in repetitions; all of them in free play.
    """
    if not drill.contest:
        return size
    others = 1 + (drill.contest == "light") if drill.mode == "rep" else drill.defenders
    return min(size, 3 + others)


def idle_share(drill: Drill, size: int) -> float:
    """Share of a group that stands in the line at any moment of a drill."""
    return 1.0 - working(drill, size) / size


def sides_of(group: Sequence[str]) -> str:
    """Two even sides for free play; an odd player always plays with the attack."""
    even = len(group) // 2 * 2
    sides = " v ".join(" ".join(group[i:even:2]) for i in range(2))
    return sides if even == len(group) else f"{sides}; {group[-1]} with the attack"
