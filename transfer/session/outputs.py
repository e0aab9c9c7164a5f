"""Shapes of what ``transfer session`` prints as JSON."""

from __future__ import annotations

from typing import Annotated, NotRequired, TypedDict

from transfer.terminal.shapes import (
    Chance,
    Content,
    Count,
    Mode,
    Number,
    Provenance,
    Quote,
    RateSource,
    meaning,
)

__all__ = ["Session"]


class Block(TypedDict):
    """One block of the session, in order."""

    block: int
    start: Annotated[int, meaning("Minute of the session.")]
    minutes: int
    drill: str
    title: str
    mode: Mode
    contest: str
    setting: str
    level: Annotated[int, meaning("How much defence, 0 none.")]
    attempts: Annotated[float, meaning("Expected of a player.")]
    rate: Annotated[float, meaning("Attempts per player-minute.")]
    rate_source: RateSource
    order: str
    ending: str
    target: Number
    probability: Annotated[Chance | None, meaning("That the set ends within the minutes.")]
    text: str


class Call(TypedDict):
    """A task of the repetition blocks."""

    block: int
    task: int
    side: str
    hand: str
    entry: str
    footwork: str
    spot: str
    n: Annotated[float, meaning("Attempts of all players.")]


class Group(TypedDict):
    """Who shares a basket."""

    block: int
    basket: int
    players: list[str]
    sides: str


class LiveTurn(TypedDict):
    """A turn of a live block."""

    block: int
    turn: int
    basket: int
    shooter: str
    defender: str
    second_defender: str
    side: str
    entry: str


class TurnCount(TypedDict):
    """How often a player shoots and defends."""

    player: str
    shooter: Count
    defender: Count


class Target(TypedDict):
    """What a race or ladder is played to."""

    target: int
    probability: Annotated[Chance, meaning("That it ends within the minutes.")]
    minutes: float
    median_minutes: Number
    wins: Annotated[dict[str, float], meaning("Chance of winning by player or group, and 'tie'.")]
    goals: dict[str, int]


class Start(TypedDict):
    """A spot inside the challenge band to start a player from."""

    player: str
    setting: str
    entry: str
    spot: str
    distance_ft: float
    rate: Chance


class Rung(TypedDict):
    """A rung of a player's ladder."""

    player: str
    rung: int
    distance_ft: float
    rate: Chance
    charted: Annotated[bool, meaning("Inside the distances that were charted.")]


class Variety(TypedDict):
    """Variety of repetitions, of 1."""

    bits: float
    score: Chance
    attempts: Count
    combinations: Count
    uncharted: Count


class Defender(TypedDict):
    """What a defender takes off shooters' rates."""

    defender: str
    attempts: Count
    raw_rate: Chance
    effect: Annotated[float, meaning("Logits; negative lowers the shooter's rate.")]
    sd: float
    rate: Chance
    low: Chance
    high: Chance
    reliability: Chance


class Shooter(TypedDict):
    """A shooter's live rate, adjusted for whom the shooter faced."""

    player: str
    attempts: Count
    raw_rate: Chance
    adjusted_rate: Chance
    low: Chance
    high: Chance
    faced: Annotated[float, meaning("Mean effect of the defenders faced, logits.")]


class Ratings(TypedDict):
    """Defenders and shooters of live practice."""

    defenders: list[Defender]
    shooters: list[Shooter]
    sds: dict[str, float]
    connected: bool
    prob: Content
    text: Quote
    provenance: Provenance


class ChallengeSpot(Start):
    """Rate to expect of a player from one spot."""

    mode: Mode
    low: Chance
    high: Chance
    in_band: bool
    charted: bool


class Slope(TypedDict):
    """How a player's rate falls with distance."""

    player: str
    attempts: Count
    slope: Annotated[float, meaning("Logits per foot.")]
    low: float
    high: float


class LadderRung(Rung):
    """A rung, with its setting."""

    setting: str
    in_band: bool


class Challenge(TypedDict):
    """From where each player makes a share of attempts inside the band."""

    band: list[float]
    table: list[ChallengeSpot]
    slopes: list[Slope]
    ladders: list[LadderRung]
    text: Quote
    provenance: Provenance


class Session(TypedDict):
    """The next session; what the records say stands only where records were named."""

    players: list[str]
    baskets: int
    minutes: int
    live_minutes: int
    live_share_wanted: Chance
    blocks: list[Block]
    tasks: list[Call]
    groups: list[Group]
    rotation: list[LiveTurn]
    turns: list[TurnCount]
    targets: Annotated[dict[str, Target], meaning("By the number of the block.")]
    starts: list[Start]
    ladders: list[Rung]
    variety: Variety
    text: Quote
    cautions: list[str]
    provenance: Provenance
    files: list[str]
    done_variety: NotRequired[Variety | None]
    ratings: NotRequired[Ratings | None]
    challenge: NotRequired[Challenge | None]
    missing: NotRequired[list[str]]
