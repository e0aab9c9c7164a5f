"""How much the answer hangs on the starting assumption about the correlations.

The draws of a fit are weighted anew, as if the starting assumption had been another one
(importance weights, Pareto-smoothed; Vehtari and others 2024, from memory), which takes no second
fit. A shape k-hat above 0.7 says that the weights cannot be trusted; then only a refit can tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.models.alignment import require_passed
from transfer.models.composition import compose
from transfer.models.population_prior import log_tilt
from transfer.models.posterior import PopulationDraws, TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.models.psis import KHAT_LIMIT, smooth_log_weights
from transfer.reading.design import Design
from transfer.results import Estimates, Result
from transfer.verdict import odds, reading_word

__all__ = ["TiltSensitivity", "tilt_sensitivity"]

#: Other centres of atanh(correlation with games) that are tried (judgement, no source).
SHIFTS: dict[str, float] = {
    "practice says less about games": -0.25,
    "as used": 0.0,
    "practice says more about games": 0.25,
}


@dataclass(frozen=True)
class TiltSensitivity(Result):
    """The contrast under other starting assumptions.

    Parameters
    ----------
    table : DataFrame
        One row per ``assumption``: ``shift`` of atanh(correlation with games), ``mean``, ``sd``
        and ``probability`` (of live above rep) of the R2 contrast, its ``contraction``,
        ``bayes_factor``, ``verdict``, ``khat`` (the larger of posterior and prior weights)
        and ``trusted``.
    text : str
    """

    _estimates = Estimates("mean")

    table: pd.DataFrame
    text: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {"table": self.table.to_dict(orient="records"), "text": self.text}


def _log_ratio(
    population: PopulationDraws, tilt: tuple[float, float], df: float | None, shift: float
) -> np.ndarray:
    """Log density of the shifted factor over the one that was used, shape (D,)."""
    z = np.arctanh(np.clip(population.omega[:, :-1, -1], -1 + 1e-12, 1 - 1e-12))
    moved = log_tilt(z - shift, tilt, df) - log_tilt(z, tilt, df)
    return np.asarray(moved.sum(axis=1))


def _moments(draws: np.ndarray, weights: np.ndarray) -> tuple[float, float]:
    mean = float(weights @ draws)
    return mean, float(np.sqrt(weights @ (draws - mean) ** 2))


def tilt_sensitivity(
    posterior: TransferPosterior,
    priors: TransferPriors,
    design: Design,
    rope: tuple[float, float] = (-0.05, 0.05),
) -> TiltSensitivity | None:
    """Read the contrast again under other starting assumptions.

    Parameters
    ----------
    posterior : TransferPosterior
    priors : TransferPriors
        Those of the fit.
    design : Design
        What seasons of this size can tell.
    rope : (float, float)
        Region of practical equivalence.

    Returns
    -------
    TiltSensitivity or None
        None where one mode is missing or the fit had no tilt to move.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    after = compose(posterior.population, posterior.settings, posterior.modes).contrast("r2")
    before = compose(posterior.prior, posterior.settings, posterior.modes).contrast("r2")
    if after is None or before is None or priors.tilt_game is None:
        return None
    rows = []
    for name, shift in SHIFTS.items():
        weights, khats = [], []
        for population in (posterior.population, posterior.prior):
            ratio = _log_ratio(population, priors.tilt_game, priors.tilt_df, shift)
            smoothed, khat = smooth_log_weights(ratio[:, None])
            weights.append(np.exp(smoothed[:, 0]))
            khats.append(float(khat[0]))
        mean, sd = _moments(after, weights[0])
        _, prior_sd = _moments(before, weights[1])
        live, start = (float(w @ (d > 0)) for w, d in zip(weights, (after, before), strict=True))
        chance, before_it = (live, start) if live >= 0.5 else (1 - live, 1 - start)
        factor = odds(chance, after.size) / odds(before_it, before.size)
        inside = float(weights[0] @ ((after >= rope[0]) & (after <= rope[1])))
        rows.append(
            {
                "assumption": name,
                "shift": shift,
                "mean": mean,
                "sd": sd,
                "probability": live,
                "contraction": sd / prior_sd,
                "bayes_factor": factor,
                "verdict": reading_word(chance, factor, inside, design.leaning),
                "khat": max(khats),
                "trusted": max(khats) <= KHAT_LIMIT,
            }
        )
    table = pd.DataFrame(rows)
    return TiltSensitivity(table, _write(table))


def _write(table: pd.DataFrame) -> str:
    known = table[table["trusted"]]
    if len(known) < len(table):
        return (
            "Under at least one other starting assumption the re-weighted answer cannot be "
            "trusted (k-hat above 0.7); fit again with a priors file to know it."
        )
    verdict = "stays the same" if known["verdict"].nunique() == 1 else "changes"
    return (
        f"Under the other starting assumptions the verdict {verdict}; live minus "
        f"rep runs from {100 * known['mean'].min():.0f} to {100 * known['mean'].max():.0f} "
        f"points of R2 (standard deviation up to {100 * known['sd'].max():.0f}) and the chance "
        f"that live numbers tell more than rep numbers runs from "
        f"{100 * known['probability'].min():.0f}% to {100 * known['probability'].max():.0f}%."
    )
