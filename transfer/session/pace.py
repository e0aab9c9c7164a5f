"""How many shots a player releases per minute of a drill, measured, stated or assumed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from transfer.mix.rates import AttemptRate, stated
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
        When a given rate is not positive, or of a setting that starts with neither mode.
    """
    given = {
        name: rate if isinstance(rate, AttemptRate) else stated(name, float(rate))
        for name, rate in (rates or {}).items()
    }
    return {drill.name: _pace(drill, given, players, baskets) for drill in DRILLS}


def _pace(drill: Drill, given: Mapping[str, AttemptRate], players: int, baskets: int) -> DrillPace:
    for key in (drill.setting, drill.mode):
        if key in given:
            return DrillPace(given[key].rate, given[key].source)
    same = [rate for rate in given.values() if rate.mode == drill.mode]
    if same:
        return DrillPace(sum(rate.rate for rate in same) / len(same), same[0].source)
    share = BASKET[drill.mode] * baskets / players
    return DrillPace(min(ALONE[drill.mode], share), "assumed")
