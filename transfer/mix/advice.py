"""Advice on the weekly mix: the minutes, what they are expected to bring, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from transfer.mix.rates import AttemptRate
from transfer.mix.solve import MixProblem
from transfer.page import words
from transfer.provenance import Provenance
from transfer.results import Estimates, Interval, Result, interval_from_draws

__all__ = ["CAUTIONS", "SMALLEST_MOVE", "STILL_PRIOR", "Advice", "MixAdvice"]

Advice = Literal["run the trial", "change the mix", "keep the mix"]

#: Moves smaller than this are no move (minutes a week; judgement, no source).
SMALLEST_MOVE = 1.0
#: With more of the starting uncertainty left than this, the answer is still the starting assumption
#: (judgement, no source).
STILL_PRIOR = 0.85
#: Most live minutes that one week may add or drop on the way to another mix (judgement, no source;
#: load is for licensed medical staff to decide).
RAMP_MINUTES = (10, 15)

CAUTIONS: tuple[str, ...] = (
    "More live work means more contact and more landings near feet. Count jumps and live minutes; "
    "load, pain and return to play are decisions of licensed medical staff.",
    "Practice-hour limits: follow the current rules of your governing body and ask the compliance "
    "office. The cap used here is the number you entered.",
)


@dataclass(frozen=True)
class MixAdvice(Result):
    """Advice on the weekly mix.

    Parameters
    ----------
    settings : tuple of str
        Practice settings.
    current, best : array, shape (K,)
        Minutes a player and week: now, and best by the mean over draws.
    same_split : array, shape (K,)
        The current split at the total of `best`: what `best` is compared with.
    best_low, best_high : float
        80 % range over draws of the per-draw best live minutes.
    gain : array, shape (D,)
        Gain of `best` over `same_split` after the horizon, logit of game make rate: what the mix
        brings, at equal total minutes.
    added_gain : array, shape (D,)
        Gain of `same_split` over the current week: what added (or dropped) minutes bring.
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

    _estimates = Estimates("minutes_best", beside="minutes_now")

    settings: tuple[str, ...]
    current: np.ndarray
    same_split: np.ndarray
    best: np.ndarray
    best_low: float
    best_high: float
    gain: np.ndarray
    added_gain: np.ndarray
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
        """Whether the best mix differs from the current split by a minute or more."""
        return bool(np.abs(self.best - self.same_split).max() >= SMALLEST_MOVE)

    @property
    def added_minutes(self) -> float:
        """Minutes a week that the limits add to the current week (negative: drop)."""
        return float(self.best.sum() - self.current.sum())

    @property
    def bound_note(self) -> str:
        """Empty, or what holds the best mix, to be said at its number."""
        if not (self.at_bound and self.moved):
            return ""
        held = "; ".join(self.bounds) or "the range of live minutes that the limits allow"
        return f"the bound decides this number, not the data: {held}"

    @property
    def gain_points(self) -> np.ndarray:
        """Gain per draw in percentage points of game make rate, shape (D,)."""
        return self._in_points(self.gain)

    @property
    def added_points(self) -> np.ndarray:
        """Gain of the added minutes per draw in points, shape (D,)."""
        return self._in_points(self.added_gain)

    def _in_points(self, gain: np.ndarray) -> np.ndarray:
        base = special.logit(self.game_rate)
        return np.asarray(100.0 * (special.expit(base + gain) - self.game_rate))

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
            "added_minutes": self.added_minutes,
            "added_points_mean": float(self.added_points.mean()),
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
    parts = [_what_to_do(advice), _what_it_brings(advice), _added(advice), _how_sure(advice)]
    parts.append(_assumptions(advice))
    if not advice.assigned:
        parts.append(
            "The mix in these records was chosen, not assigned by lot; if live work went to "
            "players who were already getting hot, the comparison favours live work and no "
            "adjustment removes that. The numbers allow for it by a starting assumption: live "
            "minus rep is too high by .2 logit "
            "give or take .3 (own simulation: .3 to .5 where live work "
            "followed form)."
        )
    return " ".join(part for part in parts if part)


def _live(advice: MixAdvice, which: str) -> float:
    minutes = getattr(advice, which)
    pairs = zip(advice.settings, minutes, strict=True)
    return float(sum(m for s, m in pairs if advice.rates[s].mode == "live"))


def _mix(advice: MixAdvice, which: str) -> str:
    live = _live(advice, which)
    return f"{getattr(advice, which).sum() - live:.0f} rep and {live:.0f} live minutes a week"


def _what_to_do(advice: MixAdvice) -> str:
    if advice.advice == "run the trial":
        if not advice.assigned:
            reason = "the mix was chosen, and only a lot can tell what a change does"
        elif advice.contraction > STILL_PRIOR:
            reason = "the answer is still mostly the starting assumption"
        else:
            reason = "knowing the truth would be worth more than the expected gain itself"
        return f"Keep what you do ({_mix(advice, 'current')} a player) and run the trial: {reason}."
    if advice.advice == "keep the mix":
        return f"Keep the mix: {_mix(advice, 'current')} a player is the best the limits allow."
    low, high = RAMP_MINUTES
    return (
        f"Change to {_mix(advice, 'best')} a player, from {_mix(advice, 'current')}, by at most "
        f"{low} to {high} live minutes more or fewer each week (judgement; licensed medical staff "
        "decide on load)."
    )


def _what_it_brings(advice: MixAdvice) -> str:
    if not advice.moved:
        return "No other mix within the limits has a larger expected gain."
    band = advice.interval
    held = f" ({advice.bound_note})" if advice.bound_note else ""
    return (
        f"{'On present knowledge ' if advice.advice == 'run the trial' else ''}"
        f"{_mix(advice, 'best')}{held} {'would bring' if advice.assigned else 'would go with'} "
        f"{advice.makes_per_100:+.1f} makes per 100 game attempts at equal total minutes after "
        f"{advice.weeks:g} weeks ({100 * band.prob:.0f}% equal-tailed interval "
        f"{band.low:+.1f} to {band.high:+.1f} points of make rate), better than the current mix "
        f"with a chance of {words.chance(advice.beats_current)}."
    )


def _added(advice: MixAdvice) -> str:
    if abs(advice.added_minutes) < SMALLEST_MOVE:
        return ""
    return (
        f"The limits also ask for {advice.added_minutes:+.0f} minutes a week, which with the "
        f"present split go with {advice.added_points.mean():+.1f} points; that is more or less "
        "practice, not a better mix."
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
