"""How many shots a player releases per minute of a drill, measured, stated or assumed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from transfer.mix.rates import AttemptRate, stated
from transfer.session.drills import Drill

__all__ = ["ASSUMED_MAKE_RATE", "BASKET", "DrillPace", "drill_paces", "line_shots"]

#: One player's attempts a minute when a basket is his alone, and shots a minute that one basket
#: takes from a line (judgement, no source: no published counts were found).
ALONE = {"rep": 5.0, "live": 1.0}
BASKET = {"rep": 10.0, "live": 4.0}
#: Make rates where none were measured (judgement, no source).
ASSUMED_MAKE_RATE = {"rep": 0.60, "live": 0.40}


@dataclass(frozen=True)
class DrillPace:
    """Attempts per player-minute of a drill.

    Parameters
    ----------
    rate : float
    source : {"measured", "stated", "assumed"}
    capped : bool
        Whether the basket, not the player, decides: a line of this size cannot keep the pace that
        was measured, stated or assumed.
    """

    rate: float
    source: str
    capped: bool


def drill_paces(
    drills: Sequence[Drill],
    sizes: Iterable[int],
    rates: Mapping[str, AttemptRate | float] | None = None,
) -> dict[tuple[str, int], DrillPace]:
    """Attempts per player-minute of every drill in groups of these sizes.

    Parameters
    ----------
    drills : sequence of Drill
    sizes : iterable of int
        Players at a basket.
    rates : mapping of str to AttemptRate or float, optional
        By setting (``"live/trailing"``) or mode (``"live"``); a drill without a rate of its own
        setting takes the mean of its mode's, else the assumption. Whatever the source, a basket
        sees no more than its shots a minute.

    Returns
    -------
    dict
        By drill name and size of the group.

    Raises
    ------
    ArgumentError
        When a given rate is not positive, or of a setting that starts with neither mode.
    """
    given = {
        name: rate if isinstance(rate, AttemptRate) else stated(name, float(rate))
        for name, rate in (rates or {}).items()
    }
    found = sorted(set(sizes))
    return {(drill.name, size): _pace(drill, given, size) for drill in drills for size in found}


def line_shots(drill: Drill, pace: DrillPace, size: int, minutes: int) -> int:
    """Shots of a line in a block: whole rounds, so that everybody has the same.

    One round is played even where the pace holds less, if the basket sees it in these minutes.

    Parameters
    ----------
    drill : Drill
    pace : DrillPace
    size : int
        Players in the line.
    minutes : int
    """
    most = int(BASKET[drill.mode] * minutes)
    return min(max(1, int(pace.rate * minutes + 1e-9)) * size, most)


def _pace(drill: Drill, given: Mapping[str, AttemptRate], size: int) -> DrillPace:
    rate, source = _alone(drill, given)
    share = BASKET[drill.mode] / size
    return DrillPace(min(rate, share), source, rate > share)


def _alone(drill: Drill, given: Mapping[str, AttemptRate]) -> tuple[float, str]:
    """The pace of a player for whom no basket is short."""
    for key in (drill.setting, drill.mode):
        if key in given:
            return given[key].rate, given[key].source
    same = [rate for rate in given.values() if rate.mode == drill.mode]
    if same:
        return sum(rate.rate for rate in same) / len(same), same[0].source
    return ALONE[drill.mode], "assumed"
