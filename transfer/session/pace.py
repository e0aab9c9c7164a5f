"""How many shots a player releases per minute of a drill, measured, stated or assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from transfer.errors import ArgumentError
from transfer.mix.rates import AttemptRate
from transfer.session.drills import DRILLS, Drill

__all__ = ["ASSUMED_MAKE_RATE", "DrillPace", "drill_paces"]

#: One player's attempts a minute when a basket is his alone, and shots a minute that one basket
#: takes from a group (judgement, no source: no published counts were found).
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
    """

    rate: float
    source: str


def drill_paces(
    players: int, baskets: int, rates: Mapping[str, AttemptRate | float] | None = None
) -> dict[str, DrillPace]:
    """Attempts per player-minute of every drill.

    Parameters
    ----------
    players, baskets : int
    rates : mapping of str to AttemptRate or float, optional
        By setting (``"live/trailing"``) or mode (``"live"``); a drill without a rate of its own
        setting takes the mean of its mode's, else the assumption for this many players a basket.

    Returns
    -------
    dict of str to DrillPace
        By drill name.

    Raises
    ------
    ArgumentError
        When a given rate is not positive.
    """
    given = {name: _plain(name, rate) for name, rate in (rates or {}).items()}
    return {drill.name: _pace(drill, given, players, baskets) for drill in DRILLS}


def _plain(name: str, rate: AttemptRate | float) -> DrillPace:
    value = rate.rate if isinstance(rate, AttemptRate) else float(rate)
    if not 0.0 < value < float("inf"):
        raise ArgumentError(
            f"attempts per minute of {name!r} is {value!r}",
            rule="a rate is positive and finite",
            next_step="count a few minutes of the drill",
        )
    return DrillPace(value, rate.source if isinstance(rate, AttemptRate) else "stated")


def _pace(drill: Drill, given: Mapping[str, DrillPace], players: int, baskets: int) -> DrillPace:
    for key in (drill.setting, drill.mode):
        if key in given:
            return given[key]
    same = [pace for name, pace in given.items() if name.split("/")[0] == drill.mode]
    if same:
        return DrillPace(sum(p.rate for p in same) / len(same), same[0].source)
    share = BASKET[drill.mode] * baskets / players
    return DrillPace(min(ALONE[drill.mode], share), "assumed")
