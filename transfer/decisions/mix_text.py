"""Plain sentences for the mix advice."""

from __future__ import annotations

from typing import TYPE_CHECKING

from transfer.decisions.mix_limits import mode_of
from transfer.decisions.verdict import MAX_CONTRACTION_TO_TELL

if TYPE_CHECKING:
    from transfer.decisions.mix import MixAdvice

__all__ = ["CAUTIONS", "advice_text"]

CAUTIONS: tuple[str, ...] = (
    "More live work means more contact and more landings near feet. Count jumps and live minutes; "
    "load, pain and return to play are decisions of licensed medical staff.",
    "Practice-hour limits: follow the current rules of your governing body and ask the compliance "
    "office. The cap used here is the number you entered.",
)


def advice_text(advice: MixAdvice) -> str:
    """Sentences on what to do, what it may bring and how sure that is.

    Parameters
    ----------
    advice : MixAdvice

    Returns
    -------
    str
    """
    parts = [_what_to_do(advice), _what_it_brings(advice), _how_sure(advice)]
    if advice.at_bound and advice.moved:
        held = "; ".join(advice.bounds) or "the range of live minutes that the limits allow"
        parts.append(
            f"The best mix lies at a bound ({held}), so the bound decides it, not the data."
        )
    parts.append(_assumptions(advice))
    if not advice.assigned:
        parts.append(
            "The mix in these records was chosen, not assigned by lot; if live work went to "
            "players who were already getting hot, the comparison favours live work and no "
            "adjustment removes that."
        )
    return " ".join(parts)


def _live(advice: MixAdvice, which: str) -> float:
    minutes = getattr(advice, which)
    return float(
        sum(m for s, m in zip(advice.settings, minutes, strict=True) if mode_of(s) == "live")
    )


def _mix(advice: MixAdvice, which: str) -> str:
    live = _live(advice, which)
    return f"{getattr(advice, which).sum() - live:.0f} rep and {live:.0f} live minutes a week"


def _what_to_do(advice: MixAdvice) -> str:
    if advice.advice == "run the trial":
        reason = (
            f"the answer is still mostly the starting assumption (contraction "
            f"{advice.contraction:.2f}, above {MAX_CONTRACTION_TO_TELL:.2f})"
            if advice.contraction > MAX_CONTRACTION_TO_TELL
            else "knowing the truth would be worth more than the expected gain itself"
        )
        return f"Keep what you do ({_mix(advice, 'current')} a player) and run the trial: {reason}."
    if advice.advice == "keep the mix":
        return f"Keep the mix: {_mix(advice, 'current')} a player is the best the limits allow."
    return f"Change to {_mix(advice, 'best')} a player, from {_mix(advice, 'current')}."


def _what_it_brings(advice: MixAdvice) -> str:
    if not advice.moved:
        return "No other mix within the limits has a larger expected gain."
    band = advice.interval
    return (
        f"{'On present knowledge ' if advice.advice == 'run the trial' else ''}"
        f"{_mix(advice, 'best')} would bring {advice.makes_per_100:+.1f} makes per 100 game "
        f"attempts after {advice.weeks:g} weeks ({100 * band.prob:.0f} % equal-tailed interval "
        f"{band.low:+.1f} to {band.high:+.1f} points of make rate), better than the current mix "
        f"with probability {advice.beats_current:.2f}."
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
