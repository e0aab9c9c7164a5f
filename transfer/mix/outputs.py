"""Shapes of what ``transfer mix`` prints as JSON."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from transfer.mix.advice import Advice
from transfer.rates.exposure import Shape
from transfer.terminal.shapes import (
    Chance,
    Count,
    Interval,
    Mode,
    Number,
    Provenance,
    Quote,
    RateSource,
    meaning,
)

__all__ = ["Mix"]


class SettingMinutes(TypedDict):
    """Weekly minutes of a player in one setting, now and under the best mix."""

    setting: str
    minutes_now: float
    minutes_best: float
    attempts_per_minute: float
    rate_low: Number
    rate_high: Number
    rate_source: RateSource
    attempts_now: float
    attempts_best: float


class Gain(TypedDict):
    """What the best mix brings over the present one, at equal minutes."""

    logit_mean: float
    points_mean: Annotated[float, meaning("Percentage points of game make rate.")]
    points_interval: Interval
    makes_per_100_game_attempts: float


class AttemptRate(TypedDict):
    """Attempts per player-minute of one setting."""

    setting: str
    mode: Mode
    rate: float
    interval: Interval | None
    attempts: Count
    minutes: float
    dispersion: float
    source: RateSource


class OtherAssumption(TypedDict):
    """Best minutes under another response and half-life."""

    shape: Shape
    half_life_weeks: float
    rep_minutes: float
    live_minutes: float
    gain_logit: float
    at_bound: bool
    refitted: bool


class NextBlock(TypedDict):
    """What a block of further attempts would tell about one player's game rate."""

    unit: str
    player: str
    setting: str
    attempts: Count
    sd_now: Annotated[float, meaning("Percentage points of game make rate.")]
    sd_after: float
    variance_cut: Chance
    cut_per_attempt: float
    minutes: Number
    cut_per_minute: Number


class Charting(TypedDict):
    """Which attempts to chart next."""

    table: list[NextBlock]
    text: Quote
    provenance: Provenance


class Mix(TypedDict):
    """Weekly minutes of rep and live work, or the advice to run the trial instead."""

    question: Literal["building"]
    advice: Advice
    settings: list[SettingMinutes]
    weeks: float
    gain: Gain
    added_minutes: Annotated[float, meaning("Minutes of the budget beyond those of now.")]
    added_points_mean: Annotated[float, meaning("Gain of the added minutes alone, points.")]
    probability_beats_current: Chance | None
    evpi_points: Annotated[Number, meaning("Worth of knowing the truth, points.")]
    evsi_points: Annotated[Number, meaning("Worth of the trial, points.")]
    best_live_minutes_80: Annotated[list[float], meaning("Middle 80% of the best live minutes.")]
    at_bound: bool
    bounds: list[str]
    contraction: Number
    assigned: bool
    rates: dict[str, AttemptRate]
    sensitivity: list[OtherAssumption]
    text: Quote
    provenance: Provenance
    prior_only_because: Annotated[str, meaning("Empty where the records were used.")]
    cautions: list[str]
    charting: NotRequired[Charting]
