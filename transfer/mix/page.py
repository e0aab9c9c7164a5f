"""The weekly minutes on a page: as they are, what is advised, and what is not known about them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.mix import figure_response as mix_response
from transfer.mix.advice import CAUTIONS, RAMP_MINUTES, MixAdvice
from transfer.page import words

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["MixFacts", "advice_sentence", "gain_sentence", "minutes_by_mode", "now_sentence"]


@dataclass(frozen=True)
class MixFacts:
    """Advice on the mix with what a page needs beside it.

    Parameters
    ----------
    advice : MixAdvice
    growth : array, shape (D, 2)
        Draws of the growth effects behind it, rep and live.
    players : int
        Players whose minutes stand for now.
    reason : str
        Empty, or why the records cannot say anything about the growth effects, so that the advice
        rests on the starting assumption.
    """

    advice: MixAdvice
    growth: np.ndarray
    players: int
    reason: str = ""

    @property
    def table(self) -> pd.DataFrame:
        """Minutes now and advised, one row a setting."""
        return self.advice.table

    @property
    def text(self) -> str:
        """The advice, with what it rests on where the records say nothing."""
        reason = f" Starting assumption only: {self.reason}." if self.reason else ""
        return self.advice.text + reason

    def plot(self) -> Figure:
        """Draw the advice."""
        return self.advice.plot()

    def _repr_html_(self) -> str:
        return self.advice._repr_html_()

    def to_dict(self) -> dict[str, Any]:
        """Return the advice as plain values, with its cautions."""
        return {
            **self.advice.to_dict(),
            "prior_only_because": self.reason,
            "cautions": list(CAUTIONS),
        }

    def response(self) -> pd.DataFrame:
        """Gain and regret over the live minutes that the limits allow."""
        problem = self.advice.problem
        if problem is None:
            raise ArgumentError(
                "the advice came without the week that was solved",
                rule="advice from advise_mix carries its problem",
                next_step="pass the advice as advise_mix returned it",
            )
        advice = self.advice
        return mix_response.frame(problem, self.growth, advice.game_rate, advice.prob)


def minutes_by_mode(advice: MixAdvice, which: str) -> dict[str, float]:
    """Weekly minutes of a player by mode.

    Parameters
    ----------
    advice : MixAdvice
    which : {"current", "best"}
    """
    totals = {"rep": 0.0, "live": 0.0}
    for setting, minutes in zip(advice.settings, getattr(advice, which), strict=True):
        totals[advice.rates[setting].mode] += float(minutes)
    return totals


def _pair(minutes: dict[str, float]) -> str:
    return f"{minutes['rep']:.0f} rep and {minutes['live']:.0f} live minutes"


def now_sentence(facts: MixFacts) -> str:
    """What a player's week holds now."""
    return f"Now: {_pair(minutes_by_mode(facts.advice, 'current'))} a player and week."


def advice_sentence(facts: MixFacts) -> str:
    """What to do about the mix."""
    advice = facts.advice
    if advice.advice == "run the trial":
        return (
            "Keep the mix and run the trial: these records do not settle which mix builds more "
            "game shooting."
        )
    if advice.advice == "keep the mix":
        return "Keep the mix: no other within the limits has a larger expected gain."
    low, high = RAMP_MINUTES
    return (
        f"Change to {_pair(minutes_by_mode(advice, 'best'))} a player and week, by at most "
        f"{low} to {high} live minutes more or fewer each week (judgement). {CAUTIONS[0]}"
    )


def gain_sentence(facts: MixFacts) -> str:
    """What the best mix is expected to bring, and how far off that may be."""
    advice = facts.advice
    if not advice.moved:
        return ""
    band = advice.interval
    held = f" ({advice.bound_note})" if advice.bound_note else ""
    return (
        f"On present knowledge {_pair(minutes_by_mode(advice, 'best'))}{held} go with "
        f"{words.number(advice.makes_per_100, 1)} further makes in 100 game attempts at equal "
        f"total minutes after {advice.weeks:g} weeks ({band.prob:.0%} interval "
        f"{words.interval(band.low, band.high, 1)} points of make rate); chance of "
        f"beating the present mix {words.chance(advice.beats_current)}."
    )
