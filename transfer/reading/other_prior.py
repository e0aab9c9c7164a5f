"""Live minus rep under the starting assumption of the forecasts, beside the one it is judged with.

Live against rep is judged with all correlation matrices equally likely, forecasts are made with a
tilt towards practice and games going together. The draws of the fit that judges are weighted anew,
as if it had been made with the tilt (importance weights, Pareto-smoothed; Vehtari and others 2024,
from memory), which takes no second fit. A shape k-hat above 0.7 says that the weights cannot be
trusted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.models.alignment import require_passed
from transfer.models.composition import compose
from transfer.models.population_prior import draw_population
from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.models.psis import KHAT_LIMIT, smooth_log_weights
from transfer.reading.prior_sensitivity import log_correlations
from transfer.results import Interval, plain

__all__ = ["FOR_FORECASTS", "FOR_VERDICT", "UnderPriors", "under_priors"]

#: The two starting assumptions by name, in the words of the pages.
FOR_VERDICT = "of the verdict: any correlations equally likely"
FOR_FORECASTS = "of the forecasts: practice and games tend to go together"
_PRIOR_DRAWS = 8000


@dataclass(frozen=True)
class UnderPriors:
    """The contrast under both starting assumptions about the correlations.

    Parameters
    ----------
    table : DataFrame
        A row for `FOR_VERDICT` and one for `FOR_FORECASTS`: ``assumption``, ``mean``, ``low``,
        ``high`` of live minus rep (R2), ``prob``, ``kind``, ``probability`` and
        ``prior_probability`` of live above rep, ``khat`` of the weights (0 where nothing was
        weighted) and ``trusted``.
    text : str
    """

    table: pd.DataFrame
    text: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {"table": plain(self.table), "text": self.text}


def _quantiles(draws: np.ndarray, weights: np.ndarray, at: list[float]) -> np.ndarray:
    order = np.argsort(draws)
    share = np.cumsum(weights[order]) - 0.5 * weights[order]
    return np.interp(at, share, draws[order])


def _row(
    name: str, draws: np.ndarray, weights: np.ndarray, before: np.ndarray, khat: float, prob: float
) -> dict[str, Any]:
    low, high = _quantiles(draws, weights, [(1 - prob) / 2, (1 + prob) / 2])
    return {
        "assumption": name,
        "mean": float(weights @ draws),
        "low": float(low),
        "high": float(high),
        "prob": prob,
        "kind": "eti",
        "probability": float(weights @ (draws > 0)),
        "prior_probability": float((before > 0).mean()),
        "khat": khat,
        "trusted": khat <= KHAT_LIMIT,
    }


def under_priors(
    verdict_fit: TransferPosterior, priors: TransferPriors, prob: float = 0.90
) -> UnderPriors | None:
    """Read live minus rep under the starting assumptions of verdict and forecasts.

    Parameters
    ----------
    verdict_fit : TransferPosterior
        From `transfer.models.fit.fit_transfer` with ``purpose="verdict"``.
    priors : TransferPriors
        Those of the forecasts.
    prob : float
        Probability of the intervals.

    Returns
    -------
    UnderPriors or None
        None where one mode is missing.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(verdict_fit.diagnostics)
    settings, modes = verdict_fit.settings, verdict_fit.modes
    draws = compose(verdict_fit.population, settings, modes).contrast("r2")
    before = compose(verdict_fit.prior, settings, modes).contrast("r2")
    if draws is None or before is None:
        return None
    omega = verdict_fit.population.omega
    ratio = log_correlations(omega, priors) - log_correlations(omega, priors.for_verdict())
    smoothed, khat = smooth_log_weights(ratio[:, None])
    weights = np.exp(smoothed[:, 0])
    seed = verdict_fit.provenance.seed
    tilted = compose(draw_population(len(settings), priors, _PRIOR_DRAWS, seed), settings, modes)
    tilted_contrast = tilted.contrast("r2")
    assert tilted_contrast is not None
    even = np.full(len(draws), 1 / len(draws))
    table = pd.DataFrame(
        [
            _row(FOR_VERDICT, draws, even, before, 0.0, prob),
            _row(FOR_FORECASTS, draws, weights, tilted_contrast, float(khat[0]), prob),
        ]
    )
    return UnderPriors(table, _write(table))


def _write(table: pd.DataFrame) -> str:
    other = table.iloc[1]
    start = (
        "Live against rep is judged with a starting assumption that takes any correlations as "
        "equally likely; forecasts are made with one that lets practice and games go together."
    )
    if not other["trusted"]:
        return (
            f"{start} What live minus rep would be under that one cannot be told from this fit "
            f"(k-hat {other['khat']:.2f}, above {KHAT_LIMIT})."
        )
    points = Interval(100 * other["low"], 100 * other["high"], other["prob"])
    return (
        f"{start} Under that one live minus rep would be {100 * other['mean']:.0f} points of R², "
        f"{points.prob:.0%} equal-tailed interval {points.low:.0f} to {points.high:.0f}."
    )
