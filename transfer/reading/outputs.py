"""Shapes of what ``transfer compare`` and ``transfer programs`` print as JSON."""

from __future__ import annotations

from typing import Annotated, Literal, TypedDict

from transfer.terminal.shapes import (
    Band,
    Chance,
    Count,
    Diagnostics,
    Interval,
    Judged,
    Limits,
    Mode,
    Number,
    Provenance,
    Quote,
    meaning,
)

__all__ = ["Compare", "Programs"]


class SettingAssociation(TypedDict):
    """Correlation of one practice setting's true rates with true game rates."""

    setting: str
    mode: Mode
    attempts: Count
    players: Annotated[int, meaning("Player-seasons with attempts.")]
    rho: Limits
    prior_rho: Limits


class RoleShare(Band, Limits):
    """Share of the differences in game rates that goes with practice, among some players."""

    quantity: str
    among: Literal["same role", "all players"]
    prior_mean: float
    prior_low: float
    prior_high: float


class Roles(TypedDict):
    """The shares within roles beside those over all players."""

    adjusted_for: list[str]
    r2: list[RoleShare]
    all_players_minus_same_role: Interval
    differs: Annotated[bool, meaning("Whether the interval leaves out zero.")]
    text: Quote


class Share(Band, Limits):
    """Share of the differences in game rates that goes with practice, after and before."""

    quantity: str
    prior_mean: float
    prior_low: float
    prior_high: float


class NextStep(TypedDict):
    """What would change the answer most."""

    action: Literal["chart_mode", "more_attempts", "more_players", "repeat"]
    setting: str | None
    amount: Annotated[int | None, meaning("Attempts a player, or further players.")]
    text: Quote


class InformationRow(Band, Limits):
    """R2 of game rates when this many attempts a player are charted."""

    source: str
    attempts: Count


class EquivalenceRow(Band):
    """Rep work that tells as much as an amount of live work."""

    basis: Literal["per attempt", "per minute"]
    amount: float
    median: Number
    low: Number
    high: Number
    share_unreachable: Annotated[
        Chance, meaning("Of the draws in which no amount of rep work does.")
    ]


class ConversionRow(Band):
    """Game make rate to expect from a practice make rate, and makes of the next attempts."""

    setting: str
    mode: Mode
    practice_rate: Chance
    attempts: Count
    game_mean: Chance
    game_low: Chance
    game_high: Chance
    next_attempts: Count
    makes_low: Count
    makes_high: Count
    khat: Annotated[
        Number, meaning("Pareto k of the weights; above 0.7 the row cannot be trusted.")
    ]


class PriorPart(TypedDict):
    """How one answer moves when one part of the prior counts half or twice."""

    answer: str
    part: Literal["correlations", "spreads", "means"]
    contraction: Number
    sensitivity: Number
    leans: bool
    mean: float
    sd: float
    chance: Annotated[Chance, meaning("Of a positive value.")]
    mean_half: Number
    sd_half: Number
    chance_half: Number
    mean_double: Number
    sd_double: Number
    chance_double: Number
    khat: Number
    trusted: bool


class PriorSensitivity(TypedDict):
    """Answers under other powers of the prior's parts."""

    leans_from: Annotated[float, meaning("Sensitivity from which an answer leans on the prior.")]
    table: list[PriorPart]
    text: Quote


class UnderPrior(Band, Limits):
    """Live minus rep under one starting assumption."""

    assumption: str
    probability: Annotated[Chance, meaning("Of live above rep.")]
    prior_probability: Chance
    khat: Number
    trusted: bool


class UnderPriors(TypedDict):
    """Live minus rep under the starting assumptions of the verdict and of the forecasts."""

    table: list[UnderPrior]
    text: Quote


class Compare(Judged):
    """What practice numbers tell about games, live against rep. It compares players."""

    question: Literal["reading"]
    contrast_kind: Literal["r2", "rho"]
    players: Count
    player_seasons: Count
    attempts: Annotated[dict[str, int], meaning("By mode, and 'game'.")]
    settings: list[SettingAssociation]
    r2: list[Share]
    under_priors: Annotated[UnderPriors | None, meaning("Null with one mode.")]
    roles: Annotated[Roles | None, meaning("Null where the fit knows no roles.")]
    next_step: NextStep
    text: Quote
    diagnostics: Diagnostics
    provenance: Provenance
    mix: Literal["assigned", "chosen"]
    information: list[InformationRow]
    equivalence: list[EquivalenceRow]
    information_text: Quote
    conversion: list[ConversionRow]
    prior_sensitivity: PriorSensitivity | None


class WithoutProgram(TypedDict):
    """One quantity fitted without one program."""

    program: str
    quantity: str
    mean: float
    sd: float
    whole: Annotated[float, meaning("Mean with all programs.")]
    shift: Annotated[float, meaning("Mean without minus whole, in posterior standard deviations.")]


class Programs(TypedDict):
    """How far the pooled answers move when one program is left out."""

    table: list[WithoutProgram]
    refused: Annotated[list[str], meaning("Programs without which the fit failed its checks.")]
    text: Quote
    provenance: Provenance
