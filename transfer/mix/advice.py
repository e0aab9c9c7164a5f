"""Advice on the weekly mix: the minutes, what they are expected to bring, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from transfer.mix.limits import mode_of
from transfer.mix.rates import AttemptRate
from transfer.mix.solve import MixProblem
from transfer.provenance import Provenance
from transfer.results import Interval, interval_from_draws
from transfer.verdict import MAX_CONTRACTION_TO_TELL

__all__ = ["CAUTIONS", "SMALLEST_MOVE", "Advice", "MixAdvice"]

Advice = Literal["run the trial", "change the mix", "keep the mix"]

#: Moves smaller than this are no move (minutes a week; judgement, no source).
SMALLEST_MOVE = 1.0

CAUTIONS: tuple[str, ...] = (
    "More live work means more contact and more landings near feet. Count jumps and live minutes; "
    "load, pain and return to play are decisions of licensed medical staff.",
    "Practice-hour limits: follow the current rules of your governing body and ask the compliance "
    "office. The cap used here is the number you entered.",
)


@dataclass(frozen=True)
class MixAdvice:
    """Advice on the weekly mix.

    Parameters
    ----------
    settings : tuple of str
        Practice settings.
    current, best : array, shape (K,)
        Minutes a player and week: now, and best by the mean over draws.
    best_low, best_high : float
        80 % range over draws of the per-draw best live minutes.
    gain : array, shape (D,)
        Gain of `best` over the current mix after the horizon, logit of game make rate.
    game_rate : float
        Game make rate that points are counted from.
    evpi, evsi : float
        Worth of perfect information, and of one season's trial (NaN when no trial was given),
        logit of game make rate.
    contraction : float
        Posterior over prior sd of the live-minus-rep effect.
    advice : {"run the trial", "change the mix", "keep the mix"}
    at_bound : bool
        Whether `best` lies at the edge of what the limits allow.
    bounds : tuple of str
        The limits that hold it there.
    rates : mapping of str to AttemptRate
    sensitivity : DataFrame
        One row per assumed shape and half-life.
    weeks : float
        Horizon of the gain.
    assigned : bool
        Whether the mix behind the draws was assigned by lot.
    provenance : Provenance
    prob : float
        Probability of the interval of the gain.
    problem : MixProblem or None
        The week that was solved, for checks.
    """

    settings: tuple[str, ...]
    current: np.ndarray
    best: np.ndarray
    best_low: float
    best_high: float
    gain: np.ndarray
    game_rate: float
    evpi: float
    evsi: float
    contraction: float
    advice: Advice
    at_bound: bool
    bounds: tuple[str, ...]
    rates: Mapping[str, AttemptRate]
    sensitivity: pd.DataFrame
    weeks: float
    assigned: bool
    provenance: Provenance
    prob: float = 0.90
    problem: MixProblem | None = field(default=None, repr=False)

    @property
    def moved(self) -> bool:
        """Whether the best mix differs from the current one by a minute or more."""
        return bool(np.abs(self.best - self.current).max() >= SMALLEST_MOVE)

    @property
    def gain_points(self) -> np.ndarray:
        """Gain per draw in percentage points of game make rate, shape (D,)."""
        base = special.logit(self.game_rate)
        return 100.0 * (special.expit(base + self.gain) - self.game_rate)

    @property
    def makes_per_100(self) -> float:
        """Expected further makes in 100 game attempts."""
        return float(self.gain_points.mean())

    @property
    def beats_current(self) -> float:
        """Probability that the best mix brings more than the current one (NaN when equal)."""
        return float((self.gain > 0).mean()) if self.moved else float("nan")

    @property
    def interval(self) -> Interval:
        """Interval of the gain in points."""
        return interval_from_draws(self.gain_points, self.prob, "difference")

    def points(self, gain: float) -> float:
        """A small logit gain in points of make rate, by the slope at the game rate."""
        return 100.0 * gain * self.game_rate * (1.0 - self.game_rate)

    @property
    def table(self) -> pd.DataFrame:
        """Minutes and attempts by setting, one row each."""
        rows = []
        for k, setting in enumerate(self.settings):
            rate = self.rates[setting]
            band = rate.interval
            rows.append(
                {
                    "setting": setting,
                    "minutes_now": float(self.current[k]),
                    "minutes_best": float(self.best[k]),
                    "attempts_per_minute": rate.rate,
                    "rate_low": np.nan if band is None else band.low,
                    "rate_high": np.nan if band is None else band.high,
                    "rate_source": rate.source,
                    "attempts_now": float(self.current[k] * rate.rate),
                    "attempts_best": float(self.best[k] * rate.rate),
                }
            )
        return pd.DataFrame(rows)

    @property
    def text(self) -> str:
        """The advice in sentences that may be quoted."""
        return _advice_text(self)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        band = self.interval
        return {
            "question": "building",
            "advice": self.advice,
            "settings": self.table.to_dict(orient="records"),
            "weeks": self.weeks,
            "gain": {
                "logit_mean": float(self.gain.mean()),
                "points_mean": float(self.gain_points.mean()),
                "points_interval": band.to_dict(),
                "makes_per_100_game_attempts": self.makes_per_100,
            },
            "probability_beats_current": self.beats_current,
            "evpi_points": self.points(self.evpi),
            "evsi_points": self.points(self.evsi),
            "best_live_minutes_80": [self.best_low, self.best_high],
            "at_bound": self.at_bound,
            "bounds": list(self.bounds),
            "contraction": self.contraction,
            "assigned": self.assigned,
            "rates": {name: rate.to_dict() for name, rate in self.rates.items()},
            "sensitivity": self.sensitivity,
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def _advice_text(advice: MixAdvice) -> str:
    parts = [_what_to_do(advice), _what_it_brings(advice), _how_sure(advice)]
    if advice.at_bound and advice.moved:
        held = "; ".join(advice.bounds) or "the range of live minutes that the limits allow"
        parts.append(
            f"The best mix lies at a bound ({held}), so the bound decides it, not the data."
        )
    parts.append(_assumptions(advice))
    if not advice.assigned:
        parts.append(
            "The mix in these records was chosen, not assigned by lot; if live work went to "
            "players who were already getting hot, the comparison favours live work and no "
            "adjustment removes that."
        )
    return " ".join(parts)


def _live(advice: MixAdvice, which: str) -> float:
    minutes = getattr(advice, which)
    return float(
        sum(m for s, m in zip(advice.settings, minutes, strict=True) if mode_of(s) == "live")
    )


def _mix(advice: MixAdvice, which: str) -> str:
    live = _live(advice, which)
    return f"{getattr(advice, which).sum() - live:.0f} rep and {live:.0f} live minutes a week"


def _what_to_do(advice: MixAdvice) -> str:
    if advice.advice == "run the trial":
        reason = (
            f"the answer is still mostly the starting assumption (contraction "
            f"{advice.contraction:.2f}, above {MAX_CONTRACTION_TO_TELL:.2f})"
            if advice.contraction > MAX_CONTRACTION_TO_TELL
            else "knowing the truth would be worth more than the expected gain itself"
        )
        return f"Keep what you do ({_mix(advice, 'current')} a player) and run the trial: {reason}."
    if advice.advice == "keep the mix":
        return f"Keep the mix: {_mix(advice, 'current')} a player is the best the limits allow."
    return f"Change to {_mix(advice, 'best')} a player, from {_mix(advice, 'current')}."


def _what_it_brings(advice: MixAdvice) -> str:
    if not advice.moved:
        return "No other mix within the limits has a larger expected gain."
    band = advice.interval
    return (
        f"{'On present knowledge ' if advice.advice == 'run the trial' else ''}"
        f"{_mix(advice, 'best')} would bring {advice.makes_per_100:+.1f} makes per 100 game "
        f"attempts after {advice.weeks:g} weeks ({100 * band.prob:.0f} % equal-tailed interval "
        f"{band.low:+.1f} to {band.high:+.1f} points of make rate), better than the current mix "
        f"with probability {advice.beats_current:.2f}."
    )


def _how_sure(advice: MixAdvice) -> str:
    worth = f"Perfect knowledge would be worth {advice.points(advice.evpi):.1f} points"
    if advice.evsi == advice.evsi:
        worth += f", one season's trial about {advice.points(advice.evsi):.1f}"
    return (
        f"{worth}. In 80 % of the draws the best live time lies between {advice.best_low:.0f} and "
        f"{advice.best_high:.0f} minutes a week."
    )


def _assumptions(advice: MixAdvice) -> str:
    live = advice.sensitivity["live_minutes"]
    return (
        "The shape of the response is an assumption that these records cannot check: over three "
        f"shapes and half-lives of 2, 4 and 8 weeks the best live time runs from {live.min():.0f} "
        f"to {live.max():.0f} minutes."
    )
