"""How the mix of rep and live practice comes about: chosen week by week, or assigned by lot.

A schedule turns teams and weeks into live shares of the charted shooting minutes. Assigned
schedules draw lots inside each team, so that half of a team is live-heavy at any time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from scipy.special import expit, logit

from transfer.errors import ArgumentError

__all__ = [
    "Crossover",
    "Observational",
    "Parallel",
    "PlannedBlocks",
    "Schedule",
    "keeps_one_mix",
    "weeks_on",
]


@runtime_checkable
class Schedule(Protocol):
    """Anything that yields live shares and assigned arms."""

    def live_share(
        self, team: np.ndarray, weeks: int, rng: np.random.Generator, push: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return live shares and arms.

        Parameters
        ----------
        team : array of int, shape (P,)
            Team of each player.
        weeks : int
            Weeks T of the season.
        rng : Generator
            Source of lots and noise.
        push : array, shape (P, T)
            What the staff would follow if the mix were theirs to choose, logits of live share.

        Returns
        -------
        share : array, shape (P, T)
            Live share of the minutes, between 0 and 1.
        arm : array of int, shape (P, T)
            1 live-heavy, -1 rep-heavy, 0 not assigned.
        """
        ...


@dataclass(frozen=True)
class Observational:
    """An ordinary log: a mean mix with noise by player and by week, following `push`.

    Parameters
    ----------
    mean : float
        Mean live share.
    week_noise : float
        Standard deviation of the weekly live share of a player, logits.
    player_noise : float
        Standard deviation between players of the mean live share, logits.
    team_part : float
        Part of the variance of the weekly noise that a team's players have in common, 0 to 1.
    """

    mean: float = 0.5
    week_noise: float = 0.5
    player_noise: float = 0.0
    team_part: float = 0.0

    def live_share(
        self, team: np.ndarray, weeks: int, rng: np.random.Generator, push: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """See `Schedule`."""
        _require_share("mean", self.mean)
        if not 0.0 <= self.team_part <= 1.0:
            raise ArgumentError(
                f"team_part={self.team_part!r}",
                rule="a part of a variance is 0 to 1",
                next_step="leave it at 0 when every player's week varies on its own",
            )
        noise = rng.standard_normal((len(team), weeks))
        if self.team_part > 0.0:
            common = rng.standard_normal((int(team.max()) + 1, weeks))[team]
            noise = np.sqrt(1.0 - self.team_part) * noise + np.sqrt(self.team_part) * common
        noise *= self.week_noise
        noise += self.player_noise * rng.standard_normal((len(team), 1))
        return expit(logit(self.mean) + noise + push), np.zeros((len(team), weeks), dtype=np.int64)


@dataclass(frozen=True)
class Crossover:
    """Blocks by lot: half of each team starts live-heavy, and every block swaps the arms.

    Parameters
    ----------
    block_weeks : int
        Length of a block; 13 in a 26-week season is one swap.
    high : float
        Live share of the live-heavy arm; the rep-heavy arm has ``1 - high``.
    share_noise : float
        Standard deviation of the weekly share about the plan, logits (adherence).
    """

    block_weeks: int = 13
    high: float = 0.8
    share_noise: float = 0.0

    def live_share(
        self, team: np.ndarray, weeks: int, rng: np.random.Generator, push: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """See `Schedule`; `push` is ignored, which is the point of a lot."""
        if self.block_weeks < 1:
            raise ArgumentError(
                f"block_weeks={self.block_weeks!r}",
                rule="a block lasts at least one week",
                next_step="prefer half a season; short blocks blur through carry-over",
            )
        swaps = np.where((np.arange(weeks) // self.block_weeks) % 2 == 0, 1, -1)
        arm = _lots(team, rng)[:, None] * swaps[None, :]
        return _assigned_share(arm, self.high, self.share_noise, rng), arm


@dataclass(frozen=True)
class Parallel:
    """One arm for the whole season, by lot. Parameters as in `Crossover`."""

    high: float = 0.8
    share_noise: float = 0.0

    def live_share(
        self, team: np.ndarray, weeks: int, rng: np.random.Generator, push: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """See `Schedule`; `push` is ignored, which is the point of a lot."""
        arm = np.repeat(_lots(team, rng)[:, None], weeks, axis=1)
        return _assigned_share(arm, self.high, self.share_noise, rng), arm


@dataclass(frozen=True)
class PlannedBlocks:
    """The calendar of a plan: its blocks and breaks, with the lot drawn anew.

    Parameters
    ----------
    blocks : tuple of int, length T
        Block (0, 1, ...) of each week of the season, -1 in a break. Arms swap from block to
        block. In a break nobody practises and no game is played; what was learned fades.
    high, share_noise
        As in `Crossover`.
    """

    blocks: tuple[int, ...]
    high: float = 0.8
    share_noise: float = 0.0

    def live_share(
        self, team: np.ndarray, weeks: int, rng: np.random.Generator, push: np.ndarray
    ) -> tuple[np.ndarray, np.ndarray]:
        """See `Schedule`; `push` is ignored, which is the point of a lot."""
        if weeks != len(self.blocks):
            raise ArgumentError(
                f"a season of {weeks} weeks with a calendar of {len(self.blocks)}",
                rule="one block number for every week, -1 in a break",
                next_step="set the weeks of the scenario to the calendar weeks of the plan",
            )
        blocks = np.array(self.blocks)
        swaps = np.where(blocks % 2 == 0, 1, -1)
        arm = _lots(team, rng)[:, None] * swaps[None, :]
        share = _assigned_share(arm, self.high, self.share_noise, rng)
        return share, np.where(blocks >= 0, arm, 0)


def weeks_on(schedule: Schedule, weeks: int) -> np.ndarray:
    """Whether there is practice (and a game) in each week, shape (T,); False in a break."""
    if isinstance(schedule, PlannedBlocks):
        return np.array(schedule.blocks) >= 0
    return np.ones(weeks, dtype=bool)


def keeps_one_mix(schedule: Schedule) -> bool:
    """Whether a lot gave every player one mix for the whole season (parallel groups)."""
    if isinstance(schedule, PlannedBlocks):
        return max(schedule.blocks) == 0
    return isinstance(schedule, Parallel)


def _lots(team: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Half of each team 1 and half -1 (an odd player out falls on a random side)."""
    arm = np.empty(len(team), dtype=np.int64)
    for name in np.unique(team):
        members = np.flatnonzero(team == name)
        sides = np.resize(rng.permutation([1, -1]), len(members))
        arm[members] = rng.permutation(sides)
    return arm


def _assigned_share(
    arm: np.ndarray, high: float, noise: float, rng: np.random.Generator
) -> np.ndarray:
    _require_share("high", high)
    return np.asarray(
        expit(logit(np.where(arm > 0, high, 1.0 - high)) + noise * rng.standard_normal(arm.shape))
    )


def _require_share(name: str, value: float) -> None:
    if not 0.0 < value < 1.0:
        raise ArgumentError(
            f"{name}={value!r} is not a share",
            rule="0 < share < 1",
            next_step="pass e.g. 0.8 for 80/20 against 20/80",
        )
