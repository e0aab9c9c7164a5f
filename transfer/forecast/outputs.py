"""Shapes of what ``transfer forecast`` prints as JSON, and of a track record."""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypedDict

from transfer.terminal.shapes import Band, Chance, Count, Number, Provenance, Quote, meaning

__all__ = ["Forecast", "TrackRecord"]


class PlayerForecast(Band):
    """Expected game make rate of a player-season, and the makes of the next attempts."""

    unit: str
    player: str
    program: str | None
    season: str | None
    attempts_game: Count
    attempts_practice: Count
    mean: Chance
    low: Chance
    high: Chance
    next_attempts: Count
    makes_low: Count
    makes_high: Count


class NewPlayer(PlayerForecast):
    """A player known by practice alone."""

    text: Quote


class ForecastScore(TypedDict):
    """Scores of one kind of forecast on games that it had not seen."""

    forecast: str
    players: Count
    attempts: Count
    log_score: Number
    log_score_per_player: Number
    squared_error: Number
    minus_both: NotRequired[Number]
    se_minus_both: NotRequired[Number]
    minus_game_only: NotRequired[Number]
    se_minus_game_only: NotRequired[Number]


class WorthOfPractice(TypedDict):
    """Forecasts with practice minus those without."""

    with_practice: str
    without_practice: str
    log_score: float
    se: Number
    squared_error: float
    players: Count


class ScoreTable(TypedDict):
    """Scores under one scheme of holding out."""

    scheme: Annotated[str, meaning("What was held out.")]
    forecasts: list[ForecastScore]
    worth_of_practice: WorthOfPractice | None
    untrusted: Annotated[list[str], meaning("Units whose weights cannot be trusted.")]
    text: Quote


class Scores(TypedDict):
    """Both schemes; null where the records did not allow one, with the reason in `missing`."""

    later_games: ScoreTable | None
    left_out_player: ScoreTable | None
    missing: list[str]


class Forecast(TypedDict):
    """Game make rates to expect, and how well such forecasts did."""

    players: list[PlayerForecast]
    rate_holds: Literal["expected rate"]
    makes_hold: Literal["count to come"]
    scores: Scores | None
    text: Quote
    provenance: Provenance
    new_player: NotRequired[NewPlayer]


class EarlierForecast(TypedDict):
    """A forecast of an earlier run, and the games since."""

    unit: str
    player: str
    n: Annotated[int, meaning("Game attempts since.")]
    y: Annotated[int, meaning("Makes of them.")]
    forecast: Chance
    log_score: float
    pooled_score: Annotated[float, meaning("Log score of one rate for everyone.")]
    pit: Annotated[Chance, meaning("Mid-probability transform.")]
    low_50: Count
    high_50: Count
    in_50: bool
    mass_50: Chance
    low_90: Count
    high_90: Count
    in_90: bool
    mass_90: Chance


class Coverage(TypedDict):
    """How often a band held what came."""

    band: str
    nominal: Chance
    expected: Annotated[Chance, meaning("Larger than nominal, as counts are whole numbers.")]
    observed: Chance
    players: Count


class TrackRecord(TypedDict):
    """Earlier forecasts against later games."""

    players: list[EarlierForecast]
    coverage: list[Coverage]
    log_score_minus_one_rate: float
    se: Number
    text: Quote
    provenance: Provenance
