"""Sentences of a trial's answer: the verdict word decides what may be said."""

from __future__ import annotations

from transfer.trial.readings import TrialReading
from transfer.verdict import Verdict

__all__ = ["CHOSEN_MIX", "caution", "chance", "headline", "next_step"]

NAMES = {"live": "live work", "rep": "rep work"}
#: Said of every analysis of a mix that nobody drew a lot for.
CHOSEN_MIX = (
    "The mix was chosen, not assigned; if live work went to players already getting hot, this "
    "comparison is biased upward and no adjustment here can remove it."
)


def headline(reading: TrialReading, chosen: str) -> str:
    """Return the one sentence that may be quoted, with what must be said beside it.

    Parameters
    ----------
    reading : TrialReading
    chosen : str
        What is said beside it where the mix counts as chosen.

    Returns
    -------
    str
        Words of cause only for doses given by a lot and a verdict of ``ahead``.
    """
    v = reading.verdict
    sentence = {
        "cannot_tell": _cannot_tell,
        "leaning": _leaning if reading.by_lot else _leaning_chosen,
        "unclear": _unclear,
        "ahead": _ahead,
        "practically_equal": _equal,
    }[v.verdict](v)
    return sentence if reading.by_lot else f"{sentence} {chosen}"


def chance(probability: float) -> str:
    """Write a probability from draws; never a certainty that a finite number of draws cannot give.

    Parameters
    ----------
    probability : float

    Returns
    -------
    str
        For example ``"87%"``, ``"99.4%"`` or ``"over 99.9%"``.
    """
    if probability > 0.999:
        return "over 99.9%"
    return f"{probability:.1%}" if probability > 0.985 else f"{probability:.0%}"


def next_step(reading: TrialReading, weeks_left: int) -> str:
    """What would change the answer most.

    Parameters
    ----------
    reading : TrialReading
    weeks_left : int
        Weeks of the plan that are still to come.
    """
    if not reading.by_lot:
        return "Next: give half of the players the other mix by lot (transfer trial plan)."
    if weeks_left > 0:
        return f"Next: keep to the plan; {weeks_left} of its weeks are still to come."
    if reading.verdict.verdict in ("ahead", "practically_equal"):
        return "Next: say what you will do with the mix, and keep charting so that it can be seen."
    return (
        "Next: repeat the trial next season or with more programs; transfer trial assurance "
        "shows how many it takes."
    )


def caution(reading: TrialReading) -> str:
    """What the reader must know about the scale of the answer."""
    data = reading.posterior.data
    return (
        f"Compared: {reading.effect.estimand.wording}, in points of game make rate (per 100 "
        f"attempts), from {int(data.n.sum())} game attempts of {data.players} players; the "
        f"range is a {reading.verdict.interval.prob:.0%} equal-tailed interval of the expected "
        "rate."
    )


def _cannot_tell(v: Verdict) -> str:
    cut = 1.0 - v.contraction
    said = f"cut by only {cut:.0%}" if cut >= 0.01 else "cut by less than 1%"
    return (
        "These records cannot tell whether live or rep work builds game shooting more. The answer "
        f"is still almost entirely the starting assumption (uncertainty {said}). "
        "This is not evidence that they are equal."
    )


def _leaning(v: Verdict) -> str:
    return (
        f"{_strength(v)} lean towards {NAMES[str(v.favours)]} (chance {chance(v.probability)}, "
        f"started at {v.prior_probability:.0%}). Differences from {_range(v)} points after 8 "
        "weeks are all compatible. Do not change the plan on this alone."
    )


def _leaning_chosen(v: Verdict) -> str:
    return (
        f"In these records game shooting was better after weeks with more "
        f"{NAMES[str(v.favours)]} (chance {chance(v.probability)}, started at "
        f"{v.prior_probability:.0%}); {_range(v)} points after 8 weeks are all compatible. This "
        "is a lean at most."
    )


def _unclear(v: Verdict) -> str:
    return f"Measured but unclear: between {_range(v, 'and')} points after 8 weeks."


def _ahead(v: Verdict) -> str:
    low, high = v.interval.low, v.interval.high
    if v.favours == "rep":
        low, high = -high, -low
    return (
        f"With the mix assigned by lot, {NAMES[str(v.favours)]} gave more game improvement per "
        f"practice minute: {low:.1f} to {high:.1f} points over 8 weeks (chance "
        f"{chance(v.probability)}, started at {v.prior_probability:.0%})."
    )


def _equal(v: Verdict) -> str:
    low, high = v.rope
    return (
        f"Measured, and practically equal: with the mix assigned by lot the difference after 8 "
        f"weeks lies between {low:g} and {high:g} points with chance "
        f"{chance(v.probability_in_rope)}."
    )


def _strength(v: Verdict) -> str:
    return "A weak" if v.contraction > 0.6 or v.probability < 0.95 else "A"


def _range(v: Verdict, joint: str = "to") -> str:
    return f"{v.interval.low:+.1f} {joint} {v.interval.high:+.1f}"
