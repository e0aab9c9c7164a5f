"""Attempts per minute of each practice setting, measured from the records.

The interval is equal-tailed from the Gamma posterior of a Poisson rate under the Jeffreys prior,
``Gamma(n + 1/2, minutes)``; when the charted rows scatter more than Poisson, counts and minutes
are divided by the Pearson dispersion first (quasi-likelihood; McCullagh & Nelder 1989, from
memory). No published attempts-per-minute counts for these drills were found.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from transfer.errors import ArgumentError
from transfer.records.units import stated_mode
from transfer.results import Interval

__all__ = ["AttemptRate", "attempts_per_minute"]


@dataclass(frozen=True)
class AttemptRate:
    """How many shots a player releases per minute of a setting.

    Parameters
    ----------
    setting : str
        Practice setting.
    mode : str
        Mode of the setting, ``rep`` or ``live``.
    rate : float
        Attempts per player-minute.
    interval : Interval or None
        ``None`` when the user stated the rate.
    attempts : int
        Attempts behind the rate.
    minutes : float
        Charted player-minutes behind the rate.
    dispersion : float
        Pearson dispersion of the charted rows, at least 1.
    source : {"measured", "stated"}
        Where the rate comes from.
    """

    setting: str
    mode: str
    rate: float
    interval: Interval | None
    attempts: int
    minutes: float
    dispersion: float
    source: str

    @property
    def high(self) -> float:
        """Rate that protective caps are counted with: the upper limit, or the stated rate."""
        return self.rate if self.interval is None else self.interval.high

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "setting": self.setting,
            "mode": self.mode,
            "rate": self.rate,
            "interval": None if self.interval is None else self.interval.to_dict(),
            "attempts": self.attempts,
            "minutes": self.minutes,
            "dispersion": self.dispersion,
            "source": self.source,
        }


def stated(setting: str, rate: float, mode: str | None = None) -> AttemptRate:
    """A rate that the user entered, for a setting of `mode` or one that starts with its mode.

    Raises
    ------
    ArgumentError
        When the rate is not positive and finite, or the mode is not known.
    """
    if not (np.isfinite(rate) and rate > 0):
        raise ArgumentError(
            f"attempts per minute of {setting!r} is {rate!r}",
            rule="a rate is positive and finite",
            next_step="count a few minutes of the drill and enter attempts per player-minute",
        )
    return AttemptRate(
        setting, mode or stated_mode(setting), float(rate), None, 0, 0.0, 1.0, "stated"
    )


def attempts_per_minute(
    table: pd.DataFrame,
    settings: Sequence[str],
    override: Mapping[str, float] | None = None,
    prob: float = 0.90,
) -> dict[str, AttemptRate]:
    """Measure the attempt rate of each setting.

    Parameters
    ----------
    table : DataFrame
        Charted rows with columns ``setting``, ``mode``, ``n`` (attempts) and ``minutes``; rows
        without minutes are left out of the rate.
    settings : sequence of str
        Settings to measure.
    override : mapping, optional
        Rates stated by the user; they win over the records.
    prob : float
        Probability of the interval.

    Raises
    ------
    ArgumentError
        When a setting has no charted minutes and no stated rate; the message names it.
    """
    given = dict(override or {})
    found: dict[str, AttemptRate] = {}
    for setting in settings:
        rows = table[table["setting"] == setting]
        mode = str(rows["mode"].iloc[0]) if len(rows) else stated_mode(setting)
        if setting in given:
            found[setting] = stated(setting, given[setting], mode)
        else:
            found[setting] = _measured(setting, mode, rows[rows["minutes"].gt(0)], prob)
    return found


def _measured(setting: str, mode: str, rows: pd.DataFrame, prob: float) -> AttemptRate:
    count = rows["n"].to_numpy(dtype=float)
    minutes = rows["minutes"].to_numpy(dtype=float)
    total, time = float(count.sum()), float(minutes.sum())
    if total == 0:
        raise ArgumentError(
            f"setting {setting!r} has no charted attempts with minutes",
            rule="attempts per minute come from the records or from the user",
            next_step=f"chart minutes for {setting!r} or state its rate, e.g. {setting}=4",
        )
    expected = total / time * minutes
    spread = float(((count - expected) ** 2 / expected).sum())
    dispersion = max(1.0, spread / (count.size - 1)) if count.size > 1 else 1.0
    low, high = stats.gamma.ppf(
        [(1 - prob) / 2, (1 + prob) / 2], total / dispersion + 0.5, scale=dispersion / time
    )
    interval = Interval(float(low), float(high), prob, "eti", "expected rate")
    return AttemptRate(
        setting, mode, total / time, interval, int(total), time, dispersion, "measured"
    )
