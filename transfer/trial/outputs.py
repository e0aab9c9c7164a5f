"""Shapes of what ``transfer trial`` prints as JSON."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, TypedDict

from transfer.terminal.shapes import (
    Band,
    Chance,
    Count,
    Day,
    Diagnostics,
    Hash,
    Interval,
    Judged,
    Number,
    Path,
    Provenance,
    Quote,
    meaning,
)
from transfer.verdict import VerdictWord

__all__ = ["Assurance", "Design", "Plan", "Trial"]

Arm = Literal["live_heavy", "rep_heavy", "break"]


class AssignedWeek(TypedDict):
    """What the lot gave a player for a week."""

    program: str
    player: str
    unit: Annotated[str, meaning("What the lot was drawn for: a player or a team.")]
    week: int
    first_day: Day
    last_day: Day
    arm: Arm
    live_share: Number
    rep_minutes: Number
    live_minutes: Number


class Plan(TypedDict):
    """A plan whose lot is drawn, or that was registered."""

    text: Quote
    hash: Hash
    warnings: list[str]
    settings: Annotated[Mapping[str, Any], meaning("As in plan.json; they may grow.")]
    files: list[Path]
    assignments: list[AssignedWeek]


class DesignRow(TypedDict):
    """How precisely one design measures live minus rep."""

    design: str
    outcome: Literal["game", "rep", "live"]
    team_seasons: int
    half_life: Annotated[float, meaning("Weeks.")]
    se: Annotated[Number, meaning("Logits per typical week.")]
    contraction: Annotated[float, meaning("Share of the starting uncertainty that is left.")]
    team_seasons_needed: Number


class Design(TypedDict):
    """Designs compared from their schedules alone, and the plan's own if one was named."""

    designs: list[DesignRow]
    plan: DesignRow | None


class VerdictChances(TypedDict):
    """Chance of each verdict; they add up to 1."""

    cannot_tell: Chance
    leaning: Chance
    unclear: Chance
    ahead: Chance
    practically_equal: Chance


class ChancesUnderTruth(TypedDict):
    """Verdicts of simulated seasons under one truth."""

    design: str
    truth: Literal["prior", "no difference"]
    team_seasons: int
    rope_points: list[float]
    chances: VerdictChances
    chance_of_knowing: Annotated[Chance, meaning("Ahead or practically equal.")]
    wrong_ahead: Annotated[Chance, meaning("Ahead for the wrong side.")]
    mean_contraction: float
    seasons: Annotated[int, meaning("Simulated.")]
    text: Quote
    provenance: Provenance


class ChancesByWeek(VerdictChances):
    """Chance of each verdict after some weeks of some team-seasons."""

    weeks: int
    team_seasons: int
    se: float
    contraction: float
    knowing: Chance


class UntilWeKnow(TypedDict):
    """When an answer can be expected."""

    design: str
    table: list[ChancesByWeek]
    even_chance_team_seasons: int | None
    text: Quote


class Look(TypedDict):
    """Chances up to and with one planned look."""

    truth: Literal["prior", "no difference"]
    look: int
    week: int
    ahead: Chance
    stopped: Chance
    wrong_ahead: Chance
    monte_carlo_se: float
    seasons: int


class PriceOfLooks(TypedDict):
    """What stopping at the first settled verdict does to wrong answers."""

    looks: list[int]
    team_seasons: int
    table: list[Look]
    text: Quote
    provenance: Provenance


class Assurance(TypedDict):
    """Chance of each verdict before the trial starts."""

    prior: ChancesUnderTruth
    no_difference: ChancesUnderTruth
    until_we_know: UntilWeKnow
    looks: PriceOfLooks | None


class GrowthEffect(Band):
    """What a typical week of practice does inside a player."""

    effect: str
    unit: str
    mean: float
    sd: float
    low: float
    high: float
    positive: Annotated[Chance, meaning("Posterior probability of a positive effect.")]
    prior_sd: Number
    prior_positive: Annotated[Chance | None, meaning("The same before the records.")]


class Growth(TypedDict):
    """The growth model behind a reading."""

    question: str
    method: str
    table: list[GrowthEffect]
    contraction: Number
    randomised: bool
    players: Count
    team_seasons: Count
    weeks: Count
    attempts: Count
    notes: list[str]
    diagnostics: Diagnostics | None
    provenance: Provenance


class TrialReading(Judged):
    """Live minus rep under one way of counting doses."""

    reading: str
    wording: Annotated[str, meaning("What the estimate compares.")]
    unit: str
    by_lot: bool
    attempts: Count
    players: Count
    growth: Growth


class Effect(Band):
    """The answer in another unit of work."""

    quantity: Literal["mix", "shift", "attempt"]
    wording: str
    mean: Annotated[float, meaning("Points of game make rate.")]
    low: float
    high: float
    probability_live_better: Chance
    prior_probability_live_better: Chance


class ReadingRow(Band):
    """A reading as one row."""

    reading: str
    mean: float
    sd: float
    low: float
    high: float
    probability: Chance
    prior_probability: Chance
    contraction: float
    probability_in_rope: Chance
    verdict: VerdictWord
    favours: str | None


class OtherReading(ReadingRow):
    """The answer under another assumption."""

    assumption: str
    value: Annotated[str | float, meaning("What the assumption was set to.")]
    headline: bool
    no_carry_over_prior: Chance | None
    no_carry_over: Chance | None


class WeekReading(ReadingRow):
    """The answer at a planned look."""

    week: int


class PlayerAdherence(TypedDict):
    """How one player's practice kept to the plan."""

    program: str
    player: str
    planned_weeks: int
    missed_weeks: int
    minutes_share: Number
    separation: Number
    other_side_share: Number
    mixed: bool
    last_active_week: int | None
    left: bool


class WeekAdherence(TypedDict):
    """One planned player-week and what was done."""

    program: str
    player: str
    week: int
    arm: Arm
    planned_rep: float
    planned_live: float
    done_rep: Number
    done_live: Number
    done_share: Number
    state: str
    other_side: bool


class Adherence(TypedDict):
    """Plan against charted practice."""

    text: Quote
    separation: Number
    players: list[PlayerAdherence]
    weeks: list[WeekAdherence]


class RandomisationTest(TypedDict):
    """The lot drawn again, without a model."""

    difference_points: float
    p_value: Chance
    redraws: Count
    text: Quote


class ClassicalRow(TypedDict):
    """One quantity of the classical companion analysis."""

    quantity: str
    estimate: Number
    se: Number
    t: Number
    df: Number
    p: Chance | None
    low: Number
    high: Number


class Classical(TypedDict):
    """Crossover analysis with t tests, beside the model."""

    table: list[ClassicalRow]
    interval: Interval
    counts: list[int]
    text: Quote


class Registration(TypedDict):
    """Whether the lot was registered before the first game."""

    registered: Day
    fixed_on: Annotated[Day | None, meaning("By the word of who drew the lot elsewhere.")]
    first_game: Day
    in_time: bool
    text: Quote


class Trial(TrialReading):
    """What the trial found: as assigned first, as done second."""

    question: Literal["building"]
    randomised: bool
    plan_hash: Hash | None
    as_done: TrialReading | None
    effects: list[Effect]
    sensitivity: list[OtherReading]
    looks: list[WeekReading]
    registration: Registration | None
    adherence: Adherence | None
    randomisation_test: RandomisationTest | None
    classical: Classical | None
    control: TrialReading | None
    text: Quote
    report: list[str]
    notes: list[str]
    provenance: Provenance
