"""The verdict rules, fixed before anybody looks at the data.

A reading's contrast (live minus rep) is judged by the posterior probability P of the side that the
posterior favours, by the Bayes factor B = posterior odds / prior odds of that side (3 and 10: Kass
and Raftery 1995), by the probability of the region of practical equivalence (ROPE; Kruschke 2018,
from memory), and by what a season of that design can tell. The width of this posterior decides
nothing: the width of an R2 contrast depends on where it lies.

A trial's effect is linear, so that the width of its posterior depends on the design alone; there
the contraction c = posterior sd / prior sd stands for the design. With no true difference the
posterior z-score is then N(0, 1 - c^2), so a .9 rule would call "ahead" in 14-19 % of no-difference
trials (c = .5 to .2), .975 in 2.4-4.5 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from transfer.errors import ArgumentError
from transfer.results import Interval, interval_from_draws

__all__ = [
    "MAX_CONTRACTION_TO_TELL",
    "MEASURED_CONTRACTION",
    "Verdict",
    "VerdictWord",
    "judge",
    "odds",
    "reading_word",
    "word",
]

VerdictWord = Literal["cannot_tell", "leaning", "unclear", "ahead", "practically_equal"]

#: Above this contraction the answer is still the prior.
MAX_CONTRACTION_TO_TELL = 0.85
#: At or below this contraction the contrast counts as measured.
MEASURED_CONTRACTION = 0.60
PROBABILITY_AHEAD = 0.975
PROBABILITY_LEANING = 0.80
PROBABILITY_EQUAL = 0.90
#: A reading leans from this probability on, and by these Bayes factors.
READING_PROBABILITY_LEANING = 0.90
BAYES_FACTOR_LEANING = 3.0
BAYES_FACTOR_AHEAD = 10.0
#: A design tells something when this share of seasons with a true difference would lean.
ENOUGH_SEASONS = 0.5
#: Odds that changed by less than this factor did not move (judgement; beyond the Monte Carlo error
#: of 4,000 draws).
MOVED_BY = 1.1


@dataclass(frozen=True)
class Verdict:
    """What a contrast allows to be said.

    Parameters
    ----------
    verdict : str
        One of ``cannot_tell``, ``leaning``, ``unclear``, ``ahead``, ``practically_equal``.
    favours : str or None
        Label of the side with the larger posterior probability; ``None`` for ``cannot_tell``
        and ``practically_equal``, and where the records moved away from that side.
    mean, sd : float
        Posterior mean and standard deviation of the contrast, first label minus second.
    interval : Interval
        Posterior interval of the contrast.
    probability, prior_probability : float
        Posterior and prior probability of the sign that the posterior favours.
    contraction : float
        Posterior over prior standard deviation.
    rope : (float, float)
        Region of practical equivalence, stated in advance.
    probability_in_rope : float
        Posterior probability of the region.
    bayes_factor : float
        Posterior odds over prior odds of the sign that the posterior favours, with half a draw
        added to each side so that it is finite.
    moved : str or None
        Label of the side that the records made more likely; ``None`` where the odds hardly moved.
    """

    verdict: VerdictWord
    favours: str | None
    mean: float
    sd: float
    interval: Interval
    probability: float
    prior_probability: float
    contraction: float
    rope: tuple[float, float]
    probability_in_rope: float
    bayes_factor: float
    moved: str | None

    def to_dict(self) -> dict[str, Any]:
        """Return plain values; the estimate is grouped under ``contrast``."""
        return {
            "contrast": {"mean": self.mean, "sd": self.sd, "interval": self.interval.to_dict()},
            "probability": self.probability,
            "prior_probability": self.prior_probability,
            "contraction": self.contraction,
            "rope": list(self.rope),
            "probability_in_rope": self.probability_in_rope,
            "bayes_factor": self.bayes_factor,
            "moved": self.moved,
            "verdict": self.verdict,
            "favours": self.favours,
        }


def reading_word(
    probability: float, bayes_factor: float, probability_in_rope: float, design_share: float
) -> VerdictWord:
    """Return the first word of a reading's rule that holds.

    Parameters
    ----------
    probability : float
        The larger of P(contrast > 0) and P(contrast < 0).
    bayes_factor : float
        Posterior odds over prior odds of that side.
    probability_in_rope : float
        P(contrast in the region of practical equivalence).
    design_share : float
        Share of seasons of this design with a true contrast of .30 that would lean or more.
    """
    if probability_in_rope >= PROBABILITY_EQUAL:
        return "practically_equal"
    if probability >= PROBABILITY_AHEAD and bayes_factor >= BAYES_FACTOR_AHEAD:
        return "ahead"
    if probability >= READING_PROBABILITY_LEANING and bayes_factor >= BAYES_FACTOR_LEANING:
        return "leaning"
    return "cannot_tell" if design_share < ENOUGH_SEASONS else "unclear"


def word(contraction: float, probability: float, probability_in_rope: float) -> VerdictWord:
    """Return the first word of a trial's rule that holds.

    Parameters
    ----------
    contraction : float
        Posterior over prior standard deviation of the contrast.
    probability : float
        The larger of P(contrast > 0) and P(contrast < 0).
    probability_in_rope : float
        P(contrast in the region of practical equivalence).
    """
    if contraction > MAX_CONTRACTION_TO_TELL:
        return "cannot_tell"
    if contraction <= MEASURED_CONTRACTION:
        if probability_in_rope >= PROBABILITY_EQUAL:
            return "practically_equal"
        if probability >= PROBABILITY_AHEAD:
            return "ahead"
    if probability >= PROBABILITY_LEANING:
        return "leaning"
    return "unclear"


def judge(
    draws: np.ndarray,
    prior_draws: np.ndarray,
    rope: tuple[float, float],
    labels: tuple[str, str] = ("live", "rep"),
    prob: float = 0.90,
    design_share: float | None = None,
) -> Verdict:
    """Judge a contrast from its posterior and prior draws.

    Parameters
    ----------
    draws, prior_draws : array, shape (D,) and (M,)
        Draws of the contrast, first label minus second, in the same unit.
    rope : (float, float)
        Region of practical equivalence in that unit, containing zero, stated in advance.
    labels : (str, str)
        Names of the two sides.
    prob : float
        Probability of the reported equal-tailed interval.
    design_share : float or None
        Share of seasons of this design with a true contrast of .30 that would lean or more;
        ``None`` judges a trial, by the contraction.

    Raises
    ------
    ArgumentError
        When the ROPE does not contain zero or the prior has no spread.
    """
    low, high = rope
    if not low <= 0.0 <= high or low == high:
        raise ArgumentError(
            f"rope={rope!r} does not span zero",
            rule="low <= 0 <= high and low < high",
            next_step="state the smallest difference that would matter, e.g. (-0.05, 0.05)",
        )
    posterior = np.asarray(draws, dtype=float)
    prior = np.asarray(prior_draws, dtype=float)
    prior_sd = float(prior.std(ddof=1))
    if not prior_sd > 0.0:
        raise ArgumentError(
            "the prior draws of the contrast have no spread",
            rule="contraction = posterior sd / prior sd needs prior sd > 0",
            next_step="pass draws from the prior of the fitted model",
        )
    positive = float((posterior > 0).mean())
    first = positive >= 0.5
    probability = positive if first else 1.0 - positive
    prior_positive = float((prior > 0).mean())
    contraction = float(posterior.std(ddof=1)) / prior_sd
    in_rope = float(((posterior >= low) & (posterior <= high)).mean())
    prior_probability = prior_positive if first else 1.0 - prior_positive
    bayes_factor = odds(probability, posterior.size) / odds(prior_probability, prior.size)
    side, other = labels if first else labels[::-1]
    moved = side if bayes_factor > MOVED_BY else other if bayes_factor < 1 / MOVED_BY else None
    verdict = (
        word(contraction, probability, in_rope)
        if design_share is None
        else reading_word(probability, bayes_factor, in_rope, design_share)
    )
    takes_side = verdict in ("leaning", "ahead", "unclear") and moved != other
    return Verdict(
        verdict=verdict,
        favours=side if takes_side else None,
        mean=float(posterior.mean()),
        sd=float(posterior.std(ddof=1)),
        interval=interval_from_draws(posterior, prob, "difference"),
        probability=probability,
        prior_probability=prior_probability,
        contraction=contraction,
        rope=(float(low), float(high)),
        probability_in_rope=in_rope,
        bayes_factor=bayes_factor,
        moved=moved,
    )


def odds(probability: float, draws: int) -> float:
    """Return the odds of a share of draws, half a draw added to each side so that they are finite.

    Parameters
    ----------
    probability : float
    draws : int
    """
    return (probability * draws + 0.5) / ((1.0 - probability) * draws + 0.5)
