"""Shapes of what commands print as JSON: the parts that several outputs share.

A shape is a typed dictionary: the keys of one JSON object, their types and, where the name does not
say it, their meaning. Schemas are made from shapes (`transfer.cli.outputs`). A number that cannot
be computed (not a number, infinite) is printed as null, so its type says ``| None``.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any, Literal, TypedDict

from msgspec import Meta

from transfer.results import IntervalKind
from transfer.verdict import VerdictWord

__all__ = [
    "Band",
    "Chance",
    "Content",
    "Contrast",
    "Count",
    "Day",
    "Diagnostics",
    "ErrorMessage",
    "Hash",
    "Interval",
    "Judged",
    "Limits",
    "Mode",
    "Number",
    "Path",
    "Provenance",
    "Quote",
    "RateSource",
    "meaning",
]


def meaning(text: str) -> Meta:
    """Say what a value means, where its key does not."""
    return Meta(description=text)


Count = Annotated[int, Meta(ge=0)]
Chance = Annotated[float, Meta(ge=0, le=1)]
Content = Annotated[float, Meta(gt=0, lt=1)]
Number = Annotated[float | None, meaning("Null where it cannot be computed or is infinite.")]
Quote = Annotated[str, meaning("Sentences that may be quoted.")]
Path = Annotated[str, meaning("A file or folder.")]
Day = Annotated[str, Meta(pattern=r"^\d{4}-\d{2}-\d{2}$")]
Hash = Annotated[str, meaning("SHA-256, hexadecimal."), Meta(pattern="^[0-9a-f]{64}$")]
Mode = Literal["rep", "live"]
RateSource = Literal["measured", "stated", "assumed"]


class Interval(TypedDict):
    """An interval that says what it is."""

    prob: Content
    kind: Annotated[
        IntervalKind, meaning("eti: equal-tailed; hdi: highest density; else the method.")
    ]
    low: Number
    high: Number
    holds: Literal["expected rate", "count to come", "difference", "parameter"]


class Limits(TypedDict):
    """Mean and limits; probability and kind stand beside or above."""

    mean: float
    low: float
    high: float


class Band(TypedDict):
    """Probability and kind of the limits in the same row."""

    prob: Content
    kind: IntervalKind


class Contrast(TypedDict):
    """Estimate of live minus rep."""

    mean: float
    sd: float
    interval: Interval


class Judged(TypedDict):
    """A contrast under the verdict rule; null throughout where one mode is missing."""

    contrast: Contrast | None
    probability: Annotated[Chance | None, meaning("Of the sign that the records favour.")]
    prior_probability: Annotated[Chance | None, meaning("Of the same sign before the records.")]
    contraction: Annotated[Number, meaning("Posterior over prior standard deviation.")]
    rope: Annotated[list[float] | None, meaning("Region that counts as no difference: low, high.")]
    probability_in_rope: Chance | None
    bayes_factor: Annotated[Number, meaning("Posterior odds over prior odds of the same sign.")]
    moved: Annotated[str | None, meaning("Side that the records made more likely.")]
    verdict: VerdictWord | None
    favours: Annotated[str | None, meaning("Side that the verdict names, if it names one.")]


class Diagnostics(TypedDict):
    """Worst values of the sampler's checks, and whether the fit may be used."""

    rhat_max: Number
    ess_bulk_min: Number
    ess_tail_min: Number
    divergences: Count
    passed: bool
    retried: bool
    failures: list[str]


class Provenance(TypedDict):
    """What makes the same answer again."""

    seed: int
    data_hash: str
    versions: Mapping[str, str]
    settings: Annotated[
        Mapping[str, Any], meaning("Options of the method, by name; they may grow.")
    ]


class ErrorMessage(TypedDict):
    """An error in words: what is wrong, which rule, what to do."""

    error: Annotated[str, meaning("Name of the error class; exit codes follow it.")]
    message: str
    rule: str
    next_step: str
