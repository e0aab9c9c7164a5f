"""Minutes of the blocks: a small integer program solved by HiGHS.

Whole minutes for a sequence of drills, so that rep and live minutes come close to the wanted mix,
the defence goes up and down at least once, caps hold and the session ends in free live play.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from transfer.errors import ArgumentError, InfeasibleError
from transfer.mix.limits import Limit, require_feasible
from transfer.session.drills import DRILLS, Drill

__all__ = ["Block", "TimeLimits", "choose_blocks"]

#: Shortest and usual longest block, minutes (judgement, no source).
SHORTEST, LONGEST = 4, 12
#: Sessions from this length on go down to reps again after live work (judgement, no source).
WAVE_FROM = 24
#: What a minute off the wanted mix costs. Whole numbers throughout: the solver gives up on some
#: sessions when the objective holds tenths.
MISSED_MINUTE = 10.0
#: What one more block is worth, in the same unit (judgement, no source).
BLOCK_BONUS = 5.0
#: What a minute of the longest block costs, so that blocks stay of a size (judgement, no source).
LONGEST_COST = 1.0


@dataclass(frozen=True)
class TimeLimits:
    """Limits of the session, per player.

    Parameters
    ----------
    minutes : int
        Shooting minutes of the session.
    live_share : float
        Wanted share of live minutes.
    live_cap : float or None
        Most live minutes.
    attempts_cap, jumps_cap : float or None
        Most attempts, and most take-offs (one per attempt, and one per trip as a defender;
        judgement, no source).
    settings : tuple of str or None
        Settings that may be used; all when None. Free live play always ends the session.
    """

    minutes: int
    live_share: float
    live_cap: float | None = None
    attempts_cap: float | None = None
    jumps_cap: float | None = None
    settings: tuple[str, ...] | None = None

    def __post_init__(self) -> None:
        if self.minutes != int(self.minutes) or self.minutes < 2 * SHORTEST:
            raise ArgumentError(
                f"minutes={self.minutes!r}",
                rule=f"whole minutes, at least {2 * SHORTEST}",
                next_step="give the session more shooting time",
            )
        if not 0.0 <= self.live_share <= 1.0:
            raise ArgumentError(
                f"live_share={self.live_share!r}",
                rule="0 <= live_share <= 1",
                next_step="pass e.g. 0.5, or take it from transfer mix",
            )


@dataclass(frozen=True)
class Block:
    """A drill with its minutes."""

    drill: Drill
    minutes: int


def choose_blocks(
    limits: TimeLimits, players: int, per_minute: Mapping[str, float]
) -> tuple[Block, ...]:
    """Choose drills and whole minutes.

    Parameters
    ----------
    limits : TimeLimits
    players : int
        Players in the session; one against two needs three.
    per_minute : mapping of str to float
        Attempts per player-minute by drill name.

    Returns
    -------
    tuple of Block
        In the order of the work.

    Raises
    ------
    InfeasibleError
        Names the limits that clash.
    """
    drills = [d for d in DRILLS if _usable(d, limits, players)]
    count = len(drills)
    attempts = np.array([per_minute[d.name] for d in drills])
    live = np.array([d.mode == "live" for d in drills], dtype=float)
    rows = _limit_rows(limits, drills, attempts, live)
    require_feasible(rows, count, "a session must exist that meets every limit")
    longest = max(LONGEST, int(np.ceil(2 * limits.minutes / count)))
    # Columns: minutes per drill, used or not, minutes off the wanted live minutes, longest block.
    eye = np.eye(count)
    none = np.zeros((count, 2))
    most = np.hstack([np.zeros((count, 1)), -np.ones((count, 1))])
    wanted = limits.live_share * limits.minutes
    constraints = [
        optimize.LinearConstraint(
            np.array([np.r_[r.coefficients, np.zeros(count + 2)] for r in rows]),
            [r.low for r in rows],
            [r.high for r in rows],
        ),
        optimize.LinearConstraint(np.hstack([eye, -longest * eye, none]), -np.inf, 0.0),
        optimize.LinearConstraint(np.hstack([-eye, SHORTEST * eye, none]), -np.inf, 0.0),
        optimize.LinearConstraint(np.hstack([eye, 0.0 * eye, most]), -np.inf, 0.0),
        optimize.LinearConstraint(np.r_[live, np.zeros(count), -1.0, 0.0], -np.inf, wanted),
        optimize.LinearConstraint(np.r_[live, np.zeros(count), 1.0, 0.0], wanted, np.inf),
    ]
    lowest = np.zeros(2 * count + 2)
    lowest[count : 2 * count] = _must(drills, limits)
    if _waves(drills, limits):
        constraints.extend(_wave_rows(drills))
    # Finite everywhere: with open bounds the solver gives up on some sessions that have a plan.
    highest = np.r_[np.full(count, longest), np.ones(count), limits.minutes, limits.minutes]
    found = optimize.milp(
        np.r_[np.zeros(count), np.full(count, -BLOCK_BONUS), MISSED_MINUTE, LONGEST_COST],
        constraints=constraints,
        integrality=np.r_[np.ones(2 * count), 0, 0],
        bounds=optimize.Bounds(lowest, highest),
        options={"time_limit": 3.0},
    )
    if found.x is None:
        raise InfeasibleError(
            f"no order of blocks fits {limits.minutes} minutes: {'; '.join(r.name for r in rows)}",
            rule=f"blocks of at least {SHORTEST} whole minutes that end in free live play",
            next_step="give more minutes, raise a cap, or allow more settings",
        )
    minutes = np.round(found.x[:count]).astype(int)
    return tuple(Block(d, int(m)) for d, m in zip(drills, minutes, strict=True) if m > 0)


def _usable(drill: Drill, limits: TimeLimits, players: int) -> bool:
    if players < drill.defenders + 1:
        return False
    return not drill.contest or limits.settings is None or drill.setting in limits.settings


def _limit_rows(
    limits: TimeLimits, drills: Sequence[Drill], attempts: np.ndarray, live: np.ndarray
) -> list[Limit]:
    ones, total = np.ones(len(drills)), float(limits.minutes)
    end = np.array([not d.contest for d in drills], dtype=float)
    rows = [
        Limit(f"session of {total:g} min", ones, total, total),
        Limit(f"free live play at the end, {SHORTEST} min", end, SHORTEST, np.inf),
    ]
    if limits.live_cap is not None:
        rows.append(Limit(f"live-minute cap {limits.live_cap:g} min", live, 0.0, limits.live_cap))
    if limits.attempts_cap is not None:
        cap = limits.attempts_cap
        rows.append(Limit(f"attempts cap {cap:g}", attempts, 0.0, cap))
    if limits.jumps_cap is not None:
        cap = limits.jumps_cap
        defend = np.array([float(d.defenders) for d in drills])
        rows.append(Limit(f"jumps cap {cap:g}", attempts * (1.0 + defend), 0.0, cap))
    return rows


def _must(drills: Sequence[Drill], limits: TimeLimits) -> np.ndarray:
    """Drills that are always used: the first reps, when reps are wanted, and the free play."""
    used = np.array([not d.contest for d in drills], dtype=float)
    reps = [i for i, d in enumerate(drills) if d.mode == "rep"]
    if reps and limits.live_share < 1.0:
        used[reps[0]] = 1.0
    return used


def _waves(drills: Sequence[Drill], limits: TimeLimits) -> bool:
    """Whether the defence can and should go down again after live work."""
    wanted = limits.live_share * limits.minutes
    both = min(wanted, limits.minutes - wanted) >= 2 * SHORTEST
    down = [i for i, d in enumerate(drills) if d.mode == "rep"]
    up = [i for i, d in enumerate(drills) if d.mode == "live" and d.contest]
    roomy = limits.live_cap is None or limits.live_cap >= 2 * SHORTEST
    return bool(limits.minutes >= WAVE_FROM and both and roomy and up and down and down[-1] > up[0])


def _wave_rows(drills: Sequence[Drill]) -> list[optimize.LinearConstraint]:
    """At least one live block, and reps after it, before the free play."""
    count = len(drills)
    first_up = next(i for i, d in enumerate(drills) if d.mode == "live" and d.contest)
    down = np.zeros(2 * count + 2)
    early = np.zeros(2 * count + 2)
    last_down = max(i for i, d in enumerate(drills) if d.mode == "rep")
    for i, drill in enumerate(drills):
        if drill.mode == "rep" and i > first_up:
            down[count + i] = 1.0
    # Live work must come before the first return to reps that is used.
    returns = [i for i, d in enumerate(drills) if d.mode == "rep" and i > first_up]
    for i, drill in enumerate(drills[:last_down]):
        if drill.mode == "live" and drill.contest and i < returns[0]:
            early[count + i] = 1.0
    return [
        optimize.LinearConstraint(down, 1.0, np.inf),
        optimize.LinearConstraint(early, 1.0, np.inf),
    ]
