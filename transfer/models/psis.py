"""Pareto-smoothed importance sampling in numpy.

Importance ratios with a heavy right tail are steadied by replacing the largest of them with
quantiles of a generalised Pareto distribution fitted to them. The fitted shape k-hat says whether
the result can be trusted: above 0.7 it cannot, and the case must be refitted (Vehtari, Simpson,
Gelman, Yao & Gabry 2024, Journal of Machine Learning Research; shape estimate of Zhang & Stephens
2009, Technometrics; both from memory). Kept here because decisions do not need the sampler.
"""

from __future__ import annotations

import numpy as np
from scipy.special import logsumexp

__all__ = ["KHAT_LIMIT", "fit_generalised_pareto", "smooth_log_weights"]

#: Above this shape the smoothed weights are not to be trusted.
KHAT_LIMIT = 0.7
#: Fewer ratios are no tail to fit.
_SHORTEST = 5
_PRIOR_BS = 3.0
_PRIOR_K = 10.0


def fit_generalised_pareto(excess: np.ndarray) -> tuple[float, float]:
    """Shape and scale of a generalised Pareto distribution.

    Zhang and Stephens's profile posterior mean with the weak prior on the shape that pulls small
    tails towards 0.5 (weight of 10 observations).

    Parameters
    ----------
    excess : array, shape (M,)
        Excesses over the threshold, ascending, positive.

    Returns
    -------
    shape, scale : float
        ``inf`` and ``nan`` where ties rule the tail, so that no such distribution fits.
    """
    count = excess.size
    quartile = excess[int(count / 4 + 0.5) - 1]
    if not quartile > excess[0]:  # ties at the bottom: nothing like a Pareto tail
        return np.inf, np.nan
    candidates = 30 + int(np.sqrt(count))
    ranks = np.arange(1, candidates + 1, dtype=float)
    b = (1 - np.sqrt(candidates / (ranks - 0.5))) / (_PRIOR_BS * quartile)
    b = b + 1 / excess[-1]
    shapes = np.log1p(-b[:, None] * excess[None, :]).mean(axis=1)
    log_profile = count * (np.log(-(b / shapes)) - shapes - 1)
    weights = np.exp(log_profile - logsumexp(log_profile))
    best = float(np.sum(b * weights) / np.sum(weights))
    shape = float(np.log1p(-best * excess).mean())
    scale = -shape / best
    shape = (count * shape + _PRIOR_K * 0.5) / (count + _PRIOR_K)
    return shape, scale


def _smooth_one(log_ratios: np.ndarray, tail: int) -> tuple[np.ndarray, float]:
    """Smooth one vector of log ratios whose maximum is zero; k-hat is inf without a tail."""
    order = np.argsort(log_ratios, kind="stable")
    cutoff = float(log_ratios[order[-tail - 1]])
    # A sampler that rejects a step repeats its draw: ties with the cutoff are no tail.
    in_tail = order[-tail:]
    in_tail = in_tail[log_ratios[in_tail] > cutoff]
    tail = in_tail.size
    excess = np.exp(log_ratios[in_tail]) - np.exp(cutoff)
    if tail < _SHORTEST or not excess[0] > 0 or np.ptp(excess) <= np.finfo(float).tiny:
        return log_ratios, (0.0 if np.ptp(log_ratios) < 1e-12 else np.inf)
    shape, scale = fit_generalised_pareto(excess)
    smoothed = log_ratios.copy()
    if np.isfinite(shape):
        probabilities = (np.arange(tail) + 0.5) / tail
        if abs(shape) < 1e-12:
            quantiles = -scale * np.log1p(-probabilities)
        else:
            quantiles = scale * np.expm1(-shape * np.log1p(-probabilities)) / shape
        smoothed[in_tail] = np.minimum(np.log(quantiles + np.exp(cutoff)), 0.0)
    return smoothed, shape


def smooth_log_weights(log_ratios: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pareto-smooth importance ratios, one column per case.

    Parameters
    ----------
    log_ratios : array, shape (D, P)
        Unnormalised log importance ratios of D draws for P cases.

    Returns
    -------
    log_weights : array, shape (D, P)
        Smoothed, normalised so that each column's weights sum to one.
    khat : array, shape (P,)
        Fitted tail shape; ``inf`` where the tail could not be fitted. Zero where all ratios are
        equal.
    """
    ratios = np.asarray(log_ratios, dtype=float)
    draws, cases = ratios.shape
    tail = int(np.ceil(min(0.2 * draws, 3.0 * np.sqrt(draws))))
    smoothed = ratios - ratios.max(axis=0, keepdims=True)
    khat = np.full(cases, np.inf)
    if tail >= _SHORTEST:
        for case in range(cases):
            smoothed[:, case], khat[case] = _smooth_one(smoothed[:, case], tail)
    return smoothed - logsumexp(smoothed, axis=0, keepdims=True), khat
