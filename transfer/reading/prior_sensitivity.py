"""Which part of the starting assumption an answer leans on: power scaling.

Each part of the prior is raised to a power, a little above and below 1, and the draws of the fit
are weighted as if the model had been fitted with it (importance weights, Pareto-smoothed). The
distance between the answer's distribution before and after, per doubling of the power, is its
sensitivity (Kallioinen, Paananen, Buerkner and Vehtari 2024, Statistics and Computing 34:57; the
cumulative Jensen-Shannon distance is that of Nguyen and Vreeken 2015; both from memory).

Only the priors of the population are scaled (correlations, spreads, means). Players' own rates
have no prior beside the population, so their part of the density belongs to the model, not to the
starting assumption. The likelihood is not scaled: how much the records say is told by the
contraction, posterior over prior sd, beside it. Both are needed: a prior that favours neither side
hardly moves a contrast when it is scaled, even where the records have said nothing.
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
from transfer.provenance import Provenance
from transfer.results import Estimates, Result, plain
from transfer.verdict import MAX_CONTRACTION_TO_TELL

__all__ = [
    "LEANS_FROM",
    "PARTS",
    "PriorSensitivity",
    "cjs_distance",
    "log_correlations",
    "log_prior_parts",
    "power_sensitivity",
]

#: Sensitivity from which an answer counts as leaning on the prior (Kallioinen et al.).
LEANS_FROM = 0.05
#: Powers of the numerical derivative, and the powers whose answers are shown.
_NEAR = (0.99, 1.01)
_SHOWN = (0.5, 2.0)
#: Parts of the starting assumption, with the words for them.
PARTS: dict[str, str] = {
    "correlations": "how practice and games go together",
    "spreads": "how far players differ",
    "means": "the average make rates",
}
CONTRAST = "R2 live minus rep"


@dataclass(frozen=True)
class PriorSensitivity(Result):
    """How far each answer hangs on each part of the starting assumption.

    Parameters
    ----------
    table : DataFrame
        One row per ``answer`` (the R2 contrast where both modes are there, then the correlation
        of each setting with games) and ``part`` of the prior: ``sensitivity`` (distance per
        doubling of the power), ``leans``, ``contraction`` of the answer (posterior over prior
        sd), ``mean`` and ``sd`` as fitted, ``mean_half``, ``sd_half``, ``mean_double``,
        ``sd_double`` and the chance of a positive value ``chance``, ``chance_half``,
        ``chance_double`` with the part counted half and twice, ``khat`` (the largest of all
        weights of the part) and ``trusted`` (k-hat at most 0.7).
    draws : mapping of str to array, shape (D,)
        The posterior draws of each answer.
    text : str
        One or two plain sentences.
    provenance : Provenance
    """

    _estimates = Estimates("sensitivity")

    table: pd.DataFrame
    draws: dict[str, np.ndarray]
    text: str
    provenance: Provenance

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {"leans_from": LEANS_FROM, "table": plain(self.table), "text": self.text}


def log_prior_parts(population: PopulationDraws, priors: TransferPriors) -> dict[str, np.ndarray]:
    """Log prior density of each part at each draw, up to a constant.

    Parameters
    ----------
    population : PopulationDraws
        D draws.
    priors : TransferPriors
        Those of the fit.

    Returns
    -------
    dict of str to array, shape (D,)
        Keys of `PARTS`. Densities of the correlation matrix, of tau and of mu themselves.
    """
    omega, tau, mu = population.omega, population.tau, population.mu
    k = mu.shape[1] - 1
    scales = np.array([priors.tau_practice_sd] * k + [priors.tau_game_sd])
    centres, widths = np.array([priors.mu_practice] * k + [priors.mu_game]).T
    return {
        "correlations": log_correlations(omega, priors),
        "spreads": _log_spreads(tau, scales, priors).sum(axis=1),
        "means": (-0.5 * ((mu - centres) / widths) ** 2).sum(axis=1),
    }


def log_correlations(omega: np.ndarray, priors: TransferPriors) -> np.ndarray:
    """Log prior density of correlation matrices (D, K + 1, K + 1), up to a constant."""
    total = np.zeros(len(omega))
    if priors.lkj_eta != 1.0:
        total += (priors.lkj_eta - 1.0) * np.linalg.slogdet(omega)[1]
    rows, cols = np.tril_indices(omega.shape[1], -1)
    z = np.arctanh(np.clip(omega[:, rows, cols], -1 + 1e-12, 1 - 1e-12))
    game = rows == omega.shape[1] - 1
    for pairs, tilt in ((game, priors.tilt_game), (~game, priors.tilt_practice)):
        if tilt is not None:
            total += log_tilt(z[:, pairs], tilt, priors.tilt_df).sum(axis=1)
    return total


def _log_spreads(tau: np.ndarray, scales: np.ndarray, priors: TransferPriors) -> np.ndarray:
    if priors.tau_family == "lognormal":
        return np.asarray(-np.log(tau) - 0.5 * (np.log(tau / scales) / priors.tau_log_sd) ** 2)
    if priors.tau_family == "half_normal":
        return np.asarray(-0.5 * (tau / scales) ** 2)
    if priors.tau_family == "uniform":
        return np.zeros_like(tau)
    # Gamma(scale, scale) on the precision 1 / tau^2, as a density of tau.
    return np.asarray(-(2.0 * scales + 1.0) * np.log(tau) - scales / tau**2)


def cjs_distance(draws: np.ndarray, weights: np.ndarray) -> float:
    """Cumulative Jensen-Shannon distance between draws and the same draws with weights.

    Parameters
    ----------
    draws, weights : array, shape (D,)
        Weights are not negative; they need not sum to one.

    Returns
    -------
    float
        Between 0 (same distribution) and 1, the larger of the values for ``draws`` and
        ``-draws``, so that it does not depend on the direction of the axis.
    """
    return max(_cjs(draws, weights), _cjs(-draws, weights))


def _cjs(draws: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(draws, kind="stable")
    widths = np.diff(draws[order])
    p = np.arange(1, len(draws)) / len(draws)
    q = np.cumsum(weights[order] / weights.sum())[:-1]
    bound = float(widths @ (p + q))
    if not bound > 0.0:  # all draws equal
        return 0.0
    # The terms in the integral of q - p cancel in the sum of both directions.
    middle = np.log2(0.5 * (p + q))
    both = p * (np.log2(p) - middle) + q * (np.log2(np.maximum(q, 1e-300)) - middle)
    return float(np.sqrt(max(float(widths @ both), 0.0) / bound))


def _weights(log_prior: np.ndarray) -> tuple[dict[float, np.ndarray], float]:
    """Smoothed weights that sum to one for every power, and the largest k-hat."""
    powers = (*_NEAR, *_SHOWN)
    ratios = (np.array(powers) - 1.0) * log_prior[:, None]
    smoothed, khat = smooth_log_weights(ratios)
    return dict(zip(powers, np.exp(smoothed).T, strict=True)), float(khat.max())


def _moments(draws: np.ndarray, weights: np.ndarray, name: str) -> dict[str, float]:
    mean = float(weights @ draws)
    sd = float(np.sqrt(weights @ (draws - mean) ** 2))
    return {f"mean{name}": mean, f"sd{name}": sd, f"chance{name}": float(weights @ (draws > 0))}


def _sensitivity(draws: np.ndarray, weights: dict[float, np.ndarray]) -> dict[str, Any]:
    """Sensitivity of one answer to one part, and the answer with the part half and twice."""
    slopes = [cjs_distance(draws, weights[a]) / abs(np.log2(a)) for a in _NEAR]
    slope = float(np.mean(slopes))
    row: dict[str, Any] = {"sensitivity": slope, "leans": slope >= LEANS_FROM}
    row |= _moments(draws, np.full(len(draws), 1.0 / len(draws)), "")
    for power, name in zip(_SHOWN, ("_half", "_double"), strict=True):
        row |= _moments(draws, weights[power], name)
    return row


def _answers(population: PopulationDraws, posterior: TransferPosterior) -> dict[str, np.ndarray]:
    """The contrast where both modes are there, and every correlation with games."""
    composed = compose(population, posterior.settings, posterior.modes)
    contrast = composed.contrast("r2")
    found = {} if contrast is None else {CONTRAST: contrast}
    rho = {f"rho {name}": composed.rho[:, k] for k, name in enumerate(posterior.settings)}
    return found | rho


def power_sensitivity(
    posterior: TransferPosterior, priors: TransferPriors
) -> PriorSensitivity | None:
    """Scale the parts of the prior and see how the answers move.

    Parameters
    ----------
    posterior : TransferPosterior
    priors : TransferPriors
        Those of the fit.

    Returns
    -------
    PriorSensitivity or None
        None where no practice setting was charted, so that there is no answer to move.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    if not posterior.settings:
        return None
    draws, before = (
        _answers(population, posterior) for population in (posterior.population, posterior.prior)
    )
    left = {answer: float(v.std() / before[answer].std()) for answer, v in draws.items()}
    parts = {
        part: _weights(log_prior)
        for part, log_prior in log_prior_parts(posterior.population, priors).items()
    }
    table = pd.DataFrame(
        [
            {"answer": answer, "part": part, "contraction": left[answer]}
            | _sensitivity(values, weights)
            | {"khat": khat, "trusted": khat <= KHAT_LIMIT}
            for answer, values in draws.items()
            for part, (weights, khat) in parts.items()
        ]
    )
    return PriorSensitivity(table, draws, _write(table), posterior.provenance)


_RULE = f"{LEANS_FROM:.2f} and above counts as leaning"


def _write(table: pd.DataFrame) -> str:
    contrast = table[table["answer"] == CONTRAST]
    rest = table[(table["answer"] != CONTRAST) & table["leans"]]
    told = [] if contrast.empty else [_write_contrast(contrast)]
    if not rest.empty:
        names = ", ".join(name.removeprefix("rho ") for name in rest["answer"].unique())
        told.append(
            f"The correlation with games leans on the starting assumptions for {names} "
            f"(power-scaling sensitivity up to {rest['sensitivity'].max():.2f}; {_RULE})."
        )
    if not table["leans"].any() and (contrast.empty or _measured(contrast)):
        return (
            "No answer of this reading leans on the starting assumptions (power-scaling "
            f"sensitivity at most {table['sensitivity'].max():.2f}; {_RULE})."
        )
    return " ".join(told)


def _measured(rows: pd.DataFrame) -> bool:
    return bool(rows["contraction"].iloc[0] <= MAX_CONTRACTION_TO_TELL)


def _write_contrast(rows: pd.DataFrame) -> str:
    row = rows.sort_values("sensitivity").iloc[-1]
    if not _measured(rows):
        return (
            "The comparison of live with rep is still almost entirely the starting assumption, so "
            "how it moves with that assumption says nothing more."
        )
    how = f"(power-scaling sensitivity {row['sensitivity']:.2f}; {_RULE})"
    if not row["leans"]:
        return f"The comparison of live with rep does not lean on the starting assumptions {how}."
    start = (
        "The comparison of live with rep leans on the starting assumption about "
        f"{PARTS[str(row['part'])]} {how}"
    )
    if not row["trusted"]:
        return (
            f"{start}; how far it would move with another one cannot be told from this fit "
            f"(k-hat {row['khat']:.2f}, above {KHAT_LIMIT}), so fit again with a priors file."
        )
    return (
        f"{start}: counted half as much, the chance that live tells more is "
        f"{row['chance_half']:.0%}; counted twice, {row['chance_double']:.0%}; as used, "
        f"{row['chance']:.0%}."
    )
