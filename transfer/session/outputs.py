"""Shapes of what ``transfer session`` prints as JSON."""

from __future__ import annotations

from typing import Annotated, NotRequired, TypedDict

from transfer.terminal.shapes import (
    Chance,
    Content,
    Count,
    Interval,
    Mode,
    Number,
    Provenance,
    Quote,
    RateSource,
    meaning,
)

__all__ = ["Chart", "ChartPages", "Session"]


class Block(TypedDict):
    """One block of the session of a squad, in order."""

    block: int
    start: Annotated[int, meaning("Minute of the session.")]
    minutes: int
    pause: Annotated[int, meaning("Minutes of change or water after it.")]
    drill: str
    title: str
    mode: Mode
    contest: str
    setting: str
    level: Annotated[int, meaning("How much defence, 0 none.")]
    attempts: Annotated[float, meaning("Of a player, mean; free play: expected.")]
    defends: Annotated[float, meaning("Trips as a defender, mean; free play left out.")]
    rate: Annotated[float, meaning("Attempts per player-minute.")]
    rate_source: RateSource
    capped: Annotated[bool, meaning("The basket decides the pace, not the player.")]
    idle: Annotated[Chance, meaning("Largest share of a group that stands in line.")]
    working: Annotated[int, meaning("Players of the smallest group who work at a time.")]
    order: str
    ending: str
    sets: int
    target: Number
    probability: Annotated[Chance | None, meaning("That a set ends within its minutes.")]
    text: str


class Call(TypedDict):
    """A call; blank where the drill decides: side in turn, rung as spot."""

    block: int
    call: int
    side: str
    hand: str
    entry: str
    footwork: str
    spot: str


class Group(TypedDict):
    """Who shares a basket, all session long."""

    squad: int
    basket: int
    players: list[str]


class Rep(TypedDict):
    """A rep of a line; blank where a group is too small for a role."""

    block: int
    squad: int
    basket: int
    rep: int
    round: int
    shooter: str
    defender: str
    second_defender: str
    helper: str
    rebounder: str
    passer: str
    call: int
    side: str


class TurnCount(TypedDict):
    """What the lines ask of a player; free play comes on top."""

    player: str
    shots: Count
    defends: Count
    takeoffs: Annotated[Count, meaning("One a shot and one a trip as a defender.")]
    contacts: Annotated[Count, meaning("Live reps as shooter or defender.")]


class Target(TypedDict):
    """What a set of a race or ladder is played to."""

    target: int
    probability: Annotated[Chance, meaning("That a set ends within its minutes.")]
    minutes: Annotated[float, meaning("Of one set.")]
    median_minutes: Number
    wins: Annotated[dict[str, float], meaning("Chance of winning by player or group, and 'tie'.")]
    goals: dict[str, int]
    sets: int


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
    squads: int
    squad_minutes: int
    live_minutes: int
    live_share_wanted: Chance
    blocks: list[Block]
    calls: list[Call]
    groups: list[Group]
    reps: list[Rep]
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


class LabelAgreement(TypedDict):
    """How often two charters gave one label."""

    label: str
    first: Count
    second: Count
    both: Count
    share_of_either: Annotated[Chance | None, meaning("Null where neither gave it.")]


class ChartAgreement(TypedDict):
    """How far two charters of one basket agree on make, miss, blocked and fouled."""

    agreement: Chance
    agreement_interval: Interval
    kappa: float
    se: float
    interval: Interval
    weights: None
    labels: list[LabelAgreement]
    text: Quote


class Chart(TypedDict):
    """Rows charted by tap at several baskets, merged without doubling."""

    rows: Count
    repeated: Annotated[Count, meaning("Rows that came twice and stand once.")]
    pairs: Annotated[Count, meaning("Shots that two charters have.")]
    lone: Annotated[Count, meaning("Shots of work charted twice that only one of them has.")]
    agreement: ChartAgreement | None
    text: Quote
    file: str | None


class ChartPages(TypedDict):
    """Pages to chart on by tap."""

    drills: list[str]
    files: list[str]
