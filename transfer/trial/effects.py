"""What a gain means on the practice floor: three quantities, all linear in the two gains.

- A different mix for eight weeks: live-heavy against rep-heavy. This is what a trial judges.
- Moving minutes: some minutes a week from rep to live practice for eight weeks.
- Per attempt: what one more weekly attempt of each kind is worth at steady state. Live attempts
  cost more minutes, so per attempt and per minute can disagree, and the same prior per minute is
  not an even prior per attempt: both are printed with their prior probability.

Eight weeks and not the steady state, because a wrong half-life mis-scales the steady state about
threefold and the eight-week effect by about a tenth (own simulation).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import expit, logit

from transfer.errors import ArgumentError
from transfer.models.alignment import require_passed
from transfer.models.growth_posterior import GrowthPosterior
from transfer.models.growth_settings import GrowthSettings
from transfer.rates.exposure import response, response_slope, retention
from transfer.results import Interval, interval_from_draws

__all__ = [
    "HORIZON_WEEKS",
    "Estimand",
    "GrowthEffect",
    "effect_of",
    "growth_effects",
    "mix_contrast",
    "per_attempt",
    "points",
    "shift_minutes",
]

HORIZON_WEEKS = 8


@dataclass(frozen=True)
class Estimand:
    """A linear function of the gains.

    Parameters
    ----------
    name : {"mix", "shift", "attempt"}
    weights : (float, float)
        Weight of the rep and of the live gain, logits of game shooting.
    wording : str
        What is compared, e.g. ``"8 weeks of 80/20 live-heavy against rep-heavy practice"``.
    """

    name: Literal["mix", "shift", "attempt"]
    weights: tuple[float, float]
    wording: str

    def prior_sd(self, settings: GrowthSettings) -> float:
        """Prior sd, logits."""
        return float(np.hypot(*self.weights) * settings.priors.gain_sd)


@dataclass(frozen=True)
class GrowthEffect:
    """One quantity with its draws.

    Parameters
    ----------
    estimand : Estimand
    draws, prior_draws : array, shape (D,) and (M,)
        Percentage points of game make rate.
    base_rate : float
        Make rate that the points start from.
    randomised : bool
    """

    estimand: Estimand
    draws: np.ndarray
    prior_draws: np.ndarray
    base_rate: float
    randomised: bool

    @property
    def interval(self) -> Interval:
        """90% equal-tailed interval, points."""
        return interval_from_draws(self.draws, 0.90, "difference")

    @property
    def probability(self) -> float:
        """P(live is better)."""
        return float((self.draws > 0).mean())

    @property
    def prior_probability(self) -> float:
        """P(live is better) before any record."""
        return float((self.prior_draws > 0).mean())

    @property
    def text(self) -> str:
        """The sentence: estimate, interval, chance and the chance it started from."""
        interval = self.interval
        said = (
            f"{self.estimand.wording}: {self.draws.mean():+.1f} points of game make rate "
            f"(90% equal-tailed interval {interval.low:+.1f} to {interval.high:+.1f}); chance "
            f"that live is better {self.probability:.0%}, it started at "
            f"{self.prior_probability:.0%}."
        )
        if self.estimand.name == "attempt":
            said += " Live attempts cost more minutes; per attempt and per minute can disagree."
        if not self.randomised:
            said += (
                " The mix was chosen, not assigned; if live work went to players already getting "
                "hot, this comparison is biased upward and no adjustment here can remove it."
            )
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, without draws."""
        return {
            "quantity": self.estimand.name,
            "wording": self.estimand.wording,
            "unit": "percentage points of game make rate",
            "mean": float(self.draws.mean()),
            "sd": float(self.draws.std(ddof=1)),
            "interval": self.interval.to_dict(),
            "probability_live_better": self.probability,
            "prior_probability_live_better": self.prior_probability,
            "base_rate": self.base_rate,
            "text": self.text,
        }


def points(effect: np.ndarray, base_rate: float) -> np.ndarray:
    """Turn logits into percentage points of make rate from `base_rate`."""
    return np.asarray(100.0 * (expit(logit(base_rate) + np.asarray(effect)) - base_rate))


def mix_contrast(
    settings: GrowthSettings,
    *,
    minutes: float = 70.0,
    contrast: float = 0.80,
    start: tuple[float, float] | None = None,
    weeks: int = HORIZON_WEEKS,
) -> Estimand:
    """Live-heavy against rep-heavy practice for some weeks, both from the same start.

    Parameters
    ----------
    settings : GrowthSettings
    minutes : float
        Charted shooting minutes per player and week.
    contrast : float
        Share of the favoured kind.
    start : (float, float), optional
        Exposure at the start, minutes a week of rep and live; half of `minutes` each if left out.
    weeks : int
        Length.

    Raises
    ------
    ArgumentError
        A split outside .5 to 1, or no minutes.
    """
    if not (0.5 < contrast < 1.0 and minutes > 0 and weeks >= 1):
        raise ArgumentError(
            f"contrast={contrast!r}, minutes={minutes!r}, weeks={weeks!r}",
            rule="0.5 < contrast < 1, minutes > 0, weeks >= 1",
            next_step="pass the plan's split and minutes",
        )
    before = np.asarray(start or (minutes / 2.0, minutes / 2.0), dtype=float)
    live_heavy = minutes * np.array([1.0 - contrast, contrast])
    rep_heavy = live_heavy[::-1]
    gain = _after(settings, before, live_heavy, weeks) - _after(settings, before, rep_heavy, weeks)
    share = round(100 * contrast)
    return Estimand(
        "mix",
        (float(gain[0]), float(gain[1])),
        f"{weeks} weeks of {share}/{100 - share} live-heavy against rep-heavy practice",
    )


def shift_minutes(
    settings: GrowthSettings,
    exposure_now: tuple[float, float],
    minutes: float = 10.0,
    weeks: int = HORIZON_WEEKS,
) -> Estimand:
    """Moving minutes a week from rep to live practice for some weeks.

    Parameters
    ----------
    settings : GrowthSettings
    exposure_now : (float, float)
        Minutes a week of rep and live practice so far (exposure M).
    minutes : float
        Minutes moved; at most the rep minutes there are.
    weeks : int

    Raises
    ------
    ArgumentError
        More minutes than there are.
    """
    now = np.asarray(exposure_now, dtype=float)
    if not 0.0 < minutes <= now[0]:
        raise ArgumentError(
            f"minutes={minutes!r} to move out of {now[0]:.1f} rep minutes a week",
            rule="more than 0 and at most the rep minutes of a week",
            next_step="move fewer minutes",
        )
    moved = now + np.array([-minutes, minutes])
    gain = _after(settings, now, moved, weeks) - response(now, settings.typical, settings.shape)
    return Estimand(
        "shift",
        (float(gain[0]), float(gain[1])),
        f"Moving {minutes:g} minutes a week from rep to live practice for {weeks} weeks",
    )


def per_attempt(
    settings: GrowthSettings,
    exposure_now: tuple[float, float],
    rates: tuple[float, float],
    attempts: float = 10.0,
) -> Estimand:
    """Some weekly live attempts against as many rep attempts, at steady state.

    Parameters
    ----------
    settings : GrowthSettings
    exposure_now : (float, float)
        Minutes a week of rep and live practice.
    rates : (float, float)
        Attempts per minute, rep and live.
    attempts : float
        Attempts a week.

    Raises
    ------
    ArgumentError
        Rates that are not positive.
    """
    per_minute = np.asarray(rates, dtype=float)
    if not np.all(per_minute > 0):
        raise ArgumentError(
            f"rates={tuple(rates)!r} attempts per minute",
            rule="both rates above 0",
            next_step="chart attempts and minutes of both kinds, or enter the rates",
        )
    slope = response_slope(np.asarray(exposure_now, dtype=float), settings.typical, settings.shape)
    gain = attempts * slope / per_minute
    return Estimand(
        "attempt",
        (-float(gain[0]), float(gain[1])),
        f"{attempts:g} more live attempts a week against {attempts:g} more rep attempts",
    )


def effect_of(
    posterior: GrowthPosterior,
    estimand: Estimand,
    *,
    base_rate: float | None = None,
    prior_draws: int = 8000,
    seed: int = 1,
) -> GrowthEffect:
    """Draws of an estimand in points.

    Parameters
    ----------
    posterior : GrowthPosterior
    estimand : Estimand
    base_rate : float, optional
        Make rate the points start from; the pooled game rate of the data if left out.
    prior_draws, seed : int
        Used when the posterior came with a flat prior: the default prior then stands in for the
        prior probability.

    Raises
    ------
    DiagnosticsError
        When the fit was sampled and did not pass its diagnostics.
    """
    if posterior.diagnostics is not None:
        require_passed(posterior.diagnostics)
    rate = posterior.data.base_rate if base_rate is None else base_rate
    prior = posterior.prior_gains
    if prior is None:
        prior = GrowthSettings().priors.draw_gains(prior_draws, seed)
    c = np.asarray(estimand.weights)
    return GrowthEffect(
        estimand,
        points(posterior.gains @ c, rate),
        points(prior @ c, rate),
        rate,
        posterior.data.randomised,
    )


def growth_effects(
    posterior: GrowthPosterior,
    *,
    contrast: float = 0.80,
    minutes: float | None = None,
    shift: float = 10.0,
) -> dict[str, GrowthEffect]:
    """The three quantities at the data's own minutes and attempt rates.

    Parameters
    ----------
    posterior : GrowthPosterior
    contrast : float
        Split of the judged mix.
    minutes : float, optional
        Shooting minutes a week; the mean of the records if left out.
    shift : float
        Minutes moved, at most the rep minutes there are.

    Returns
    -------
    dict
        ``mix``, ``shift`` and ``attempt``.
    """
    done = posterior.data.minutes.mean(axis=(1, 2))
    total = float(done.sum()) if minutes is None else minutes
    now = (float(done[0]), float(done[1]))
    settings = posterior.settings
    chosen = (
        mix_contrast(settings, minutes=total, contrast=contrast),
        shift_minutes(settings, now, min(shift, now[0])),
        per_attempt(settings, now, posterior.data.rates),
    )
    return {item.name: effect_of(posterior, item) for item in chosen}


def _after(
    settings: GrowthSettings, before: np.ndarray, minutes: np.ndarray, weeks: int
) -> np.ndarray:
    """Response after some weeks of constant minutes."""
    kept = retention(settings.half_life) ** weeks
    return response(kept * before + (1.0 - kept) * minutes, settings.typical, settings.shape)
