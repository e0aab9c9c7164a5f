"""Minutes of the blocks: four or five drills, changes and water counted.

All choices of drills in their order are looked through, with the minutes of a mode shared evenly
over its blocks. What comes nearest to the wanted mix wins; caps hold, the defence goes up and
down, and the session ends in free live play. Nothing depends on the speed of the machine.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from transfer.errors import ArgumentError, InfeasibleError
from transfer.mix.limits import Limit, require_feasible
from transfer.session.drills import Drill
from transfer.session.pace import DrillPace, line_shots

__all__ = ["CHANGE", "LEAST_MINUTES", "SHORTEST", "WATER", "Block", "TimeLimits", "choose_blocks"]

#: Shortest block, and the length from which on it is worth a change, minutes (judgement, no
#: source).
SHORTEST, ROOMY = 2, 4
#: Blocks of a session that has room for them.
USUAL_BLOCKS = (5, 4)
#: A change of drill, and a break for water, minutes (judgement, no source).
CHANGE, WATER = 1, 2
#: Sessions from this length on have a break for water (judgement, no source; heat asks for more).
WATER_FROM = 30
#: Sessions from this length on go down to reps again after live work (judgement, no source).
WAVE_FROM = 24
#: Shortest session: two blocks and the change between them.
LEAST_MINUTES = 2 * SHORTEST + CHANGE
#: What a minute off the wanted mix costs, a minute that the shortest block lacks, and a minute of
#: the longest block, in missing blocks (judgement, no source).
MISSED_MINUTE, LACKING_MINUTE, LONG_MINUTE = 2.0, 1.0, 0.1


@dataclass(frozen=True)
class TimeLimits:
    """Limits of the session, per player.

    Parameters
    ----------
    minutes : int
        Minutes on the floor, changes and water included.
    live_share : float
        Wanted share of live minutes among the minutes of work.
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
        if self.minutes != int(self.minutes) or self.minutes < LEAST_MINUTES:
            raise ArgumentError(
                f"minutes={self.minutes!r}",
                rule=f"whole minutes, at least {LEAST_MINUTES}",
                next_step="give the session more time",
            )
        if not 0.0 <= self.live_share <= 1.0:
            raise ArgumentError(
                f"live_share={self.live_share!r}",
                rule="0 <= live_share <= 1",
                next_step="pass e.g. 0.5, or take it from transfer mix",
            )

    @property
    def water(self) -> bool:
        """Whether the session has a break for water."""
        return self.minutes >= WATER_FROM

    def work(self, blocks: int) -> int:
        """Minutes of work that are left with this many blocks."""
        return self.minutes - CHANGE * (blocks - 1) - (WATER - CHANGE) * (self.water and blocks > 1)


@dataclass(frozen=True)
class Block:
    """A drill with its minutes, and the minutes of the change or the water after it."""

    drill: Drill
    minutes: int
    pause: int


def choose_blocks(
    drills: Sequence[Drill],
    limits: TimeLimits,
    smallest: int,
    paces: Mapping[str, DrillPace],
    seed: int,
) -> tuple[Block, ...]:
    """Choose drills and whole minutes.

    Parameters
    ----------
    drills : sequence of Drill
        In the order of the work; free play is the last.
    limits : TimeLimits
    smallest : int
        Players of the smallest group, which shoots most; one against two needs three.
    paces : mapping of str to DrillPace
        Pace of that group by drill name.
    seed : int
        Decides between equally good choices.

    Returns
    -------
    tuple of Block
        In the order of the work.

    Raises
    ------
    InfeasibleError
        Names the limits that clash.
    """
    usable = [d for d in drills if _usable(d, limits, smallest)]
    free, others = usable[-1], usable[:-1]
    rows = _limit_rows(limits, usable, paces)
    require_feasible(rows, len(usable), "a session must exist that meets every limit")
    can_wave = _goes_down(usable)
    order = np.random.default_rng([seed, 2])
    best: tuple[float, float, list[tuple[Drill, int]]] | None = None
    for count in _counts(limits, len(usable)):
        if best is not None and count not in USUAL_BLOCKS:
            break
        for picked in combinations(others, count - 1):
            chosen = (*picked, free)
            tie = float(order.random())
            if can_wave and _wave_wanted(limits, count) and not _goes_down(chosen):
                continue
            for cost, minutes in _divisions(limits, chosen):
                if best is not None and (cost, tie) >= best[:2]:
                    break
                held = list(zip(chosen, minutes, strict=True))
                if _within(limits, held, smallest, paces):
                    best = (cost, tie, held)
                    break
    if best is None:
        raise InfeasibleError(
            f"no order of blocks fits {limits.minutes} minutes: {'; '.join(r.name for r in rows)}",
            rule=f"blocks of at least {SHORTEST} whole minutes, those of a mode equally long, "
            "that end in free live play",
            next_step="give more minutes, raise a cap, or allow more settings",
        )
    return _with_pauses(best[2], limits)


def _usable(drill: Drill, limits: TimeLimits, smallest: int) -> bool:
    if not drill.contest:
        return True
    if smallest < drill.defenders + 1:
        return False
    return limits.settings is None or drill.setting in limits.settings


def _counts(limits: TimeLimits, drills: int) -> list[int]:
    """Numbers of blocks to try: four and five where they have room, else fewer."""
    usual = [n for n in USUAL_BLOCKS if n <= drills and limits.work(n) >= ROOMY * n]
    return usual + [n for n in (3, 2, 1) if n <= drills and limits.work(n) >= SHORTEST * n]


def _divisions(limits: TimeLimits, chosen: Sequence[Drill]) -> Iterator[tuple[float, list[int]]]:
    """Minutes of the chosen drills with their cost, nearest to the wanted mix first."""
    count = len(chosen)
    live = [d.mode == "live" for d in chosen]
    total, most = limits.work(count), sum(live)
    wanted = limits.live_share * total
    if limits.live_share < 1.0 and count > 1 and live[0]:
        return  # reps come first wherever reps are wanted
    if most == count:
        choices = [total]
    else:
        choices = list(range(SHORTEST * most, total - SHORTEST * (count - most) + 1))
    divided = []
    for minutes in choices:
        shares = {True: _even(minutes, most), False: _even(total - minutes, count - most)}
        parts = [next(shares[mode]) for mode in live]
        lacking = max(0, ROOMY - min(parts))
        cost = MISSED_MINUTE * abs(minutes - wanted) + LACKING_MINUTE * lacking - count
        cost += LONG_MINUTE * max(parts)
        divided.append((cost, parts))
    yield from sorted(divided)


def _even(total: int, parts: int) -> Iterator[int]:
    """Whole parts within one of each other, the longer ones first."""
    return iter([(total + parts - 1 - at) // parts for at in range(parts)])


def _wave_wanted(limits: TimeLimits, count: int) -> bool:
    """Whether the session has room to go down to reps again after live work."""
    total = limits.work(count)
    both = total * min(limits.live_share, 1.0 - limits.live_share) >= 2 * ROOMY
    roomy = limits.live_cap is None or limits.live_cap >= 2 * ROOMY
    return limits.minutes >= WAVE_FROM and both and roomy and count in USUAL_BLOCKS


def _goes_down(chosen: Sequence[Drill]) -> bool:
    """Whether reps come again after live work, before the free play."""
    modes = [d.mode for d in chosen[:-1]]
    return "live" in modes and "rep" in modes[modes.index("live") :]


def _within(
    limits: TimeLimits,
    held: Sequence[tuple[Drill, int]],
    size: int,
    paces: Mapping[str, DrillPace],
) -> bool:
    live = sum(m for d, m in held if d.mode == "live")
    shots = [
        -(-line_shots(d, paces[d.name], size, m) // size) if d.contest else paces[d.name].rate * m
        for d, m in held
    ]
    attempts = sum(shots)
    jumps = sum(n * (1 + d.defenders) for n, (d, _) in zip(shots, held, strict=True))
    pairs = (
        (live, limits.live_cap), (attempts, limits.attempts_cap), (jumps, limits.jumps_cap),
    )  # fmt: skip
    return all(cap is None or value <= cap + 1e-9 for value, cap in pairs)


def _with_pauses(held: Sequence[tuple[Drill, int]], limits: TimeLimits) -> tuple[Block, ...]:
    """Changes between the blocks; water after the one that ends nearest to the middle."""
    ends = np.cumsum([m for _, m in held])[:-1]
    water = int(np.argmin(abs(ends - limits.minutes / 2))) if limits.water and ends.size else -1
    pauses = [WATER if at == water else CHANGE for at in range(ends.size)] + [0]
    return tuple(Block(d, m, pause) for (d, m), pause in zip(held, pauses, strict=True))


def _limit_rows(
    limits: TimeLimits, drills: Sequence[Drill], paces: Mapping[str, DrillPace]
) -> list[Limit]:
    """The limits as rows, to name those that no minutes at all could meet together."""
    ones = np.ones(len(drills))
    live = np.array([d.mode == "live" for d in drills], dtype=float)
    attempts = np.array([paces[d.name].rate for d in drills])
    jumps = attempts * np.array([1.0 + d.defenders for d in drills])
    end = np.array([not d.contest for d in drills], dtype=float)
    least = limits.work(_counts(limits, len(drills))[0])
    rows = [
        Limit(f"session of {limits.minutes:g} min, {least} of them work", ones, least,
              limits.minutes),
        Limit(f"free live play at the end, {SHORTEST} min", end, SHORTEST, np.inf),
    ]  # fmt: skip
    for name, row, cap in (
        ("live-minute cap {:g} min", live, limits.live_cap),
        ("attempts cap {:g}", attempts, limits.attempts_cap),
        ("jumps cap {:g}", jumps, limits.jumps_cap),
    ):
        if cap is not None:
            rows.append(Limit(name.format(cap), row, 0.0, cap))
    return rows
