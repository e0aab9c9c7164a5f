"""First-to-k sets: how many makes to play to, so that a set ends in the minutes it has.

Each side shoots at a steady pace; its shooters take turns. The attempts until the k-th make are
negative binomial (a Poisson-binomial race when shooters differ), and the set ends with the first
side to get there. The formula is exact for a steady pace; `simulate_race` plays the same set
shot by shot as a check.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from transfer.errors import ArgumentError

__all__ = [
    "RaceTarget",
    "Side",
    "choose_target",
    "finish_probability",
    "simulate_race",
    "win_chances",
]

#: Largest target that is looked at.
MAX_TARGET = 150
#: Steps of time in which the median end is looked for.
_STEPS = 40


@dataclass(frozen=True)
class Side:
    """One side of a race: a player, or a group whose shooters take turns.

    Parameters
    ----------
    rates : tuple of float
        Make rate of each shooter, in the order of the turns.
    pace : float
        Attempts per minute of the whole side.
    name : str
    share : float
        Share of the target that this side plays to, so that a smaller group has an even chance.
    """

    rates: tuple[float, ...]
    pace: float
    name: str = ""
    share: float = 1.0

    def __post_init__(self) -> None:
        if not self.rates or not all(0.0 < rate < 1.0 for rate in self.rates):
            raise ArgumentError(
                f"make rates {self.rates!r} of side {self.name!r}",
                rule="at least one rate, each between 0 and 1",
                next_step="pass expected make rates, e.g. 0.45",
            )
        if not (np.isfinite(self.pace) and self.pace > 0):
            raise ArgumentError(
                f"pace={self.pace!r} of side {self.name!r}",
                rule="pace > 0 attempts a minute",
                next_step="count the side's attempts over a few minutes",
            )
        if not 0.0 < self.share <= 1.0:
            raise ArgumentError(
                f"share={self.share!r} of side {self.name!r}",
                rule="0 < share <= 1",
                next_step="1 for the largest side, less for a smaller one",
            )

    def goal(self, target: int) -> int:
        """Makes this side needs when the full target is `target`; at least 1."""
        return max(1, int(np.floor(self.share * target + 0.5)))

    def shots(self, minutes: float) -> int:
        """Attempts completed by then."""
        return int(np.floor(self.pace * minutes + 1e-9))

    def makes(self, attempts: int, top: int) -> np.ndarray:
        """Distribution of makes after each attempt.

        Parameters
        ----------
        attempts : int
            Number of attempts, N.
        top : int
            Makes are followed up to here; the last column holds `top` or more.

        Returns
        -------
        array, shape (N + 1, top + 1)
            Probability of each number of makes after 0..N attempts.
        """
        table = np.zeros((attempts + 1, top + 1))
        table[0, 0] = 1.0
        for shot in range(attempts):
            p = self.rates[shot % len(self.rates)]
            table[shot + 1] = table[shot] * (1.0 - p)
            table[shot + 1, 1:] += table[shot, :-1] * p
            table[shot + 1, -1] += table[shot, -1] * p
        return table


@dataclass(frozen=True)
class RaceTarget:
    """A target for a first-to-k set.

    Parameters
    ----------
    target : int
        k makes.
    probability : float
        Chance that the set ends within `minutes`.
    minutes : float
    median_minutes : float
        Time by which half of such sets have ended.
    wins : dict of str to float
        Chance of each side to be first, and of a tie.
    goals : dict of str to int
        Makes each side plays to; less than `target` for a smaller side.
    """

    target: int
    probability: float
    minutes: float
    median_minutes: float
    wins: dict[str, float]
    goals: dict[str, int]


def finish_probability(sides: Sequence[Side], target: int, minutes: float) -> float:
    """Chance that some side has `target` makes within `minutes`.

    Parameters
    ----------
    sides : sequence of Side
    target : int
    minutes : float

    Returns
    -------
    float
        ``1 - prod_j P(makes of side j in its attempts < target)``.
    """
    _check(sides, target)
    still = 1.0
    for side in sides:
        still *= 1.0 - float(side.makes(side.shots(minutes), side.goal(target))[-1, -1])
    return 1.0 - still


def win_chances(sides: Sequence[Side], target: int) -> dict[str, float]:
    """Chance of each side to reach the target first, and of a tie.

    Parameters
    ----------
    sides : sequence of Side
    target : int

    Returns
    -------
    dict of str to float
        Keys are the sides' names (``side 1`` ... where empty) and ``tie``.
    """
    _check(sides, target)
    names = [side.name or f"side {at + 1}" for at, side in enumerate(sides)]
    slowest = min(side.pace * min(side.rates) for side in sides)
    horizon = 20.0 * target / slowest
    reached = [side.makes(side.shots(horizon), side.goal(target))[:, -1] for side in sides]
    wins = {}
    for at, side in enumerate(sides):
        shot = np.arange(1, reached[at].size)
        chance = np.diff(reached[at])
        for other, rival in enumerate(sides):
            if other != at:
                taken = np.floor(rival.pace * shot / side.pace + 1e-9).astype(int)
                chance = chance * (1.0 - reached[other][np.minimum(taken, reached[other].size - 1)])
        wins[names[at]] = float(chance.sum())
    wins["tie"] = max(0.0, 1.0 - sum(wins.values()))
    return wins


def choose_target(
    scenarios: Sequence[Sequence[Side]], minutes: float, probability: float = 0.80
) -> RaceTarget:
    """Largest target with which a set ends in time with the stated probability.

    Parameters
    ----------
    scenarios : sequence of sequence of Side
        The sides under one or several draws of their make rates; the chance to end in time is
        averaged over them, the chances to win are those of the first.
    minutes : float
        Minutes of the set.
    probability : float
        Least chance that the set ends in time.

    Raises
    ------
    ArgumentError
        When not even one make comes in time with that probability.
    """
    if not scenarios or not 0.0 < probability < 1.0 or not minutes > 0:
        raise ArgumentError(
            f"{len(scenarios)} scenarios, minutes={minutes!r}, probability={probability!r}",
            rule="at least one scenario, minutes > 0, 0 < probability < 1",
            next_step="pass e.g. minutes=5, probability=0.8",
        )
    ends = np.mean([_ended(sides, minutes) for sides in scenarios], axis=0)
    enough = np.flatnonzero(ends[-1] >= probability)
    if enough.size == 0:
        raise ArgumentError(
            f"no target ends a set in {minutes:g} minutes with probability {probability:g}",
            rule="the first make comes in time with the stated probability",
            next_step="give the set more minutes or more shooters",
        )
    best = int(enough[-1])
    half = float(np.argmax(ends[:, best] >= 0.5)) * minutes / (len(ends) - 1)
    wins = win_chances(scenarios[0], best + 1)
    goals = {
        side.name or f"side {at + 1}": side.goal(best + 1) for at, side in enumerate(scenarios[0])
    }
    return RaceTarget(best + 1, float(ends[-1, best]), float(minutes), half, wins, goals)


def _ended(sides: Sequence[Side], minutes: float) -> np.ndarray:
    """Chance that a set to 1, 2, ... makes has ended, at equal steps of time up to `minutes`.

    Returns an array of shape (`_STEPS` + 1, `MAX_TARGET`).
    """
    times = np.linspace(0.0, minutes, _STEPS + 1)
    still = np.ones((times.size, MAX_TARGET))
    for side in sides:
        fewer = np.cumsum(side.makes(side.shots(minutes), MAX_TARGET), axis=1)
        goals = [side.goal(target) - 1 for target in range(1, MAX_TARGET + 1)]
        still *= fewer[[side.shots(t) for t in times]][:, goals]
    return np.asarray(1.0 - still)


def simulate_race(
    sides: Sequence[Side], target: int, minutes: float, sets: int, seed: int
) -> tuple[float, dict[str, float]]:
    """Play sets shot by shot.

    Parameters
    ----------
    sides : sequence of Side
    target : int
    minutes : float
        Time within which a set counts as ended.
    sets : int
        Sets played.
    seed : int

    Returns
    -------
    (float, dict of str to float)
        Share of sets that ended in time, and share won by each side (or tied).
    """
    _check(sides, target)
    rng = np.random.default_rng(seed)
    names = [side.name or f"side {at + 1}" for at, side in enumerate(sides)]
    ends = np.empty((sets, len(sides)))
    for at, side in enumerate(sides):
        made, shot = np.zeros(sets, dtype=int), 0
        finished = np.full(sets, np.inf)
        while np.isinf(finished).any():
            hit = rng.random(sets) < side.rates[shot % len(side.rates)]
            made, shot = made + hit, shot + 1
            finished[(made == side.goal(target)) & hit & np.isinf(finished)] = shot / side.pace
        ends[:, at] = finished
    first = ends.min(axis=1)
    winners = ends <= first[:, None] + 1e-9
    tied = winners.sum(axis=1) > 1
    wins = {n: float((winners[:, at] & ~tied).mean()) for at, n in enumerate(names)}
    wins["tie"] = float(tied.mean())
    return float((first <= minutes + 1e-9).mean()), wins


def _check(sides: Sequence[Side], target: int) -> None:
    if not sides or target < 1:
        raise ArgumentError(
            f"{len(sides)} sides, target={target!r}",
            rule="at least one side, target >= 1",
            next_step="pass the sides of the set and the makes to play to",
        )
