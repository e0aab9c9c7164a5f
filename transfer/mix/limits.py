"""Limits on a week's practice minutes, and which of them contradict each other.

Limits are inputs of the staff. Practice-hour rules change: take the weekly hours from the current
rules of the governing body and the compliance office. Caps on jumps and live minutes are load
limits that licensed medical staff set; nothing here predicts an injury.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import optimize

from transfer.errors import ArgumentError, InfeasibleError
from transfer.mix.rates import AttemptRate

__all__ = ["Limit", "MixLimits", "clashing", "limit_rows", "require_feasible"]

#: How far from the current minutes a proposal may go when no observed range is known
#: (minutes a week and mode; judgement, no source).
RANGE_WITHOUT_RECORDS = 15.0


@dataclass(frozen=True)
class MixLimits:
    """Limits of one player's charted shooting minutes in one week.

    Parameters
    ----------
    budget : float
        Shooting minutes a week.
    floors, caps : mapping of str to float
        Minutes per setting (``"live/trailing"``) or per mode (``"live"``).
    observed : mapping of str to (float, float) or None
        Range of weekly minutes per mode that the records hold; proposals stay inside it.
        ``None``: within `RANGE_WITHOUT_RECORDS` minutes of the current week.
    explore : bool
        Leave the observed range. Nothing in the records then supports the shape of the response.
    live_minutes_cap, attempts_cap, jumps_cap : float or None
        Most live minutes, attempts and take-offs a player and week. Attempts are counted with
        the upper limit of the measured rate, because the cap protects.
    jumps_per_attempt : mapping of str to float
        Take-offs per attempt by setting; 1 where not given (judgement, no source).
    weekly_hours : float or None
        Hours that the governing body allows; `other_minutes` count against it.
    other_minutes : float
        Weekly minutes already committed to other team practice.
    spend_all : bool
        Use the whole budget (default), or at most the budget.
    """

    budget: float
    floors: Mapping[str, float] = field(default_factory=dict)
    caps: Mapping[str, float] = field(default_factory=dict)
    observed: Mapping[str, tuple[float, float]] | None = None
    explore: bool = False
    live_minutes_cap: float | None = None
    attempts_cap: float | None = None
    jumps_cap: float | None = None
    jumps_per_attempt: Mapping[str, float] = field(default_factory=dict)
    weekly_hours: float | None = None
    other_minutes: float = 0.0
    spend_all: bool = True

    def __post_init__(self) -> None:
        numbers = {
            "budget": self.budget,
            "other_minutes": self.other_minutes,
            "live_minutes_cap": self.live_minutes_cap,
            "attempts_cap": self.attempts_cap,
            "jumps_cap": self.jumps_cap,
            "weekly_hours": self.weekly_hours,
            **{f"floor of {k}": v for k, v in self.floors.items()},
            **{f"cap of {k}": v for k, v in self.caps.items()},
            **{f"jumps per attempt of {k}": v for k, v in self.jumps_per_attempt.items()},
        }
        for name, value in numbers.items():
            if value is not None and not (np.isfinite(value) and value >= 0):
                raise ArgumentError(
                    f"{name} is {value!r}",
                    rule="limits are finite and not negative",
                    next_step="enter minutes, attempts or hours a week",
                )
        if not self.budget > 0:
            raise ArgumentError(
                f"budget is {self.budget!r} minutes",
                rule="budget > 0",
                next_step="enter the weekly shooting minutes of a player",
            )


@dataclass(frozen=True)
class Limit:
    """One linear limit ``low <= coefficients @ minutes <= high`` with the name people know."""

    name: str
    coefficients: np.ndarray
    low: float
    high: float


def limit_rows(
    limits: MixLimits,
    settings: Sequence[str],
    current: np.ndarray,
    rates: Mapping[str, AttemptRate],
) -> list[Limit]:
    """Write the limits as linear rows over the settings' minutes.

    Parameters
    ----------
    limits : MixLimits
    settings : sequence of str, length K
    current : array, shape (K,)
        Current minutes a week.
    rates : mapping of str to AttemptRate

    Raises
    ------
    ArgumentError
        When a floor or a cap names an unknown setting.
    """
    ones = np.ones(len(settings))
    modes = {setting: rates[setting].mode for setting in settings}
    shoot = limits.budget
    rows = [
        Limit(f"budget {round(shoot, 1):g} min", ones, shoot if limits.spend_all else 0.0, shoot)
    ]
    for kind, table, low in (("floor", limits.floors, True), ("cap", limits.caps, False)):
        for name, value in table.items():
            bounds = (value, np.inf) if low else (0.0, value)
            rows.append(Limit(f"{kind} of {name} {value:g} min", _pick(name, modes), *bounds))
    rows.extend(_protective_rows(limits, settings, rates))
    if limits.weekly_hours is not None:
        left = 60.0 * limits.weekly_hours - limits.other_minutes
        name = (
            f"weekly hours {limits.weekly_hours:g} h less {limits.other_minutes:g} min "
            "of other practice"
        )
        rows.append(Limit(name, ones, 0.0, left))
    if not limits.explore:
        rows.extend(_range_rows(limits, modes, current))
    return rows


def _pick(name: str, modes: Mapping[str, str]) -> np.ndarray:
    """Coefficients of the settings of that name or mode; `modes` in the order of the settings."""
    hit = np.array([name in pair for pair in modes.items()], dtype=float)
    if not hit.any():
        raise ArgumentError(
            f"a limit names {name!r}",
            rule=f"one of {', '.join(dict.fromkeys([*modes, *modes.values()]))}",
            next_step="spell the setting or mode as the records do",
        )
    return hit


def _protective_rows(
    limits: MixLimits, settings: Sequence[str], rates: Mapping[str, AttemptRate]
) -> list[Limit]:
    rows = []
    if limits.live_minutes_cap is not None:
        live = np.array([rates[s].mode == "live" for s in settings], dtype=float)
        cap = limits.live_minutes_cap
        rows.append(Limit(f"live-minute cap {cap:g} min", live, 0.0, cap))
    attempts = np.array([rates[s].high for s in settings])
    if limits.attempts_cap is not None:
        cap = limits.attempts_cap
        rows.append(Limit(f"attempts cap {cap:g}", attempts, 0.0, cap))
    if limits.jumps_cap is not None:
        jumps = np.array([limits.jumps_per_attempt.get(s, 1.0) for s in settings])
        cap = limits.jumps_cap
        rows.append(Limit(f"jumps cap {cap:g}", attempts * jumps, 0.0, cap))
    return rows


def _range_rows(limits: MixLimits, modes: Mapping[str, str], current: np.ndarray) -> list[Limit]:
    rows = []
    for mode in dict.fromkeys(modes.values()):
        pick = _pick(mode, modes)
        now = float(pick @ current)
        low, high = (limits.observed or {}).get(
            mode, (max(0.0, now - RANGE_WITHOUT_RECORDS), now + RANGE_WITHOUT_RECORDS)
        )
        known = limits.observed is not None and mode in limits.observed
        word = "observed range" if known else f"range of {RANGE_WITHOUT_RECORDS:g} min around now"
        name = f"{word}, {mode} {low:.0f}-{high:.0f} min"
        rows.append(Limit(name, pick, float(low), float(high)))
    return rows


def feasible(rows: Sequence[Limit], count: int) -> bool:
    """Whether any non-negative minutes of `count` settings meet all rows (HiGHS)."""
    return _linear(rows, np.zeros(count)) is not None


def _linear(rows: Sequence[Limit], cost: np.ndarray) -> np.ndarray | None:
    """Minutes that minimise `cost`, or None when the rows contradict each other."""
    constraint = optimize.LinearConstraint(
        np.array([r.coefficients for r in rows]), [r.low for r in rows], [r.high for r in rows]
    )
    found = optimize.milp(cost, constraints=constraint, bounds=optimize.Bounds(0.0, np.inf))
    return None if found.x is None else np.asarray(found.x)


def clashing(rows: Sequence[Limit], count: int) -> list[Limit]:
    """Smallest set of limits that cannot hold together, found by deletion.

    Parameters
    ----------
    rows : sequence of Limit
    count : int
        Number of settings.

    Returns
    -------
    list of Limit
        Empty when all limits can hold. Otherwise dropping any one of them removes the clash
        (an irreducible infeasible subset; Chinneck 2008, from memory).
    """
    if feasible(rows, count):
        return []
    kept = list(rows)
    for row in reversed(rows):  # ranges come last: name the staff's own limits where possible
        rest = [r for r in kept if r is not row]
        if rest and not feasible(rest, count):
            kept = rest
    return kept


def require_feasible(
    rows: Sequence[Limit], count: int, rule: str = "a week must exist that meets every limit"
) -> None:
    """Stop before any optimisation when limits contradict each other.

    Raises
    ------
    InfeasibleError
        Names exactly the limits that clash.
    """
    clash = clashing(rows, count)
    if clash:
        raise InfeasibleError(
            "these limits cannot all hold: " + "; ".join(row.name for row in clash),
            rule=rule,
            next_step="relax one of them"
            + (
                ", or leave the range on purpose (explore)"
                if any("range" in row.name for row in clash)
                else ""
            ),
        )
