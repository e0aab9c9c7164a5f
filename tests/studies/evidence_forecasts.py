"""Rivals of the package on the same split: rates of held-out people from what they did elsewhere.

Each takes the counts of the people it may learn from, with the target, and the practice counts of
those it must forecast, and gives draws of their rates in the target. Nothing is tuned to a set.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import betaln, expit, gammaln, logit

from transfer.forecast.scoring import RateForecast, pooled_forecast, raw_forecast
from transfer.rates.shrinkage import fit_beta_binomial

DRAWS = 800
#: Points of a side of the mixture's grid, and rounds of its fit (judgement).
GRID, ROUNDS = 21, 150


@dataclass(frozen=True)
class Split:
    """Counts of one fold.

    Parameters
    ----------
    n, y : array, shape (P, K)
        Practice attempts and makes of everybody, K settings.
    target_n, target_y : array, shape (P,)
        Target counts, known for the people in `known` only.
    known : array of bool, shape (P,)
    units : tuple of str
    """

    n: np.ndarray
    y: np.ndarray
    target_n: np.ndarray
    target_y: np.ndarray
    known: np.ndarray
    units: tuple[str, ...]

    @property
    def asked(self) -> tuple[str, ...]:
        """The people to forecast."""
        return tuple(np.asarray(self.units)[~self.known])


def raw(split: Split) -> RateForecast:
    """The average in practice, all settings together."""
    return raw_forecast(split.asked, *(x.sum(axis=1)[~split.known] for x in (split.n, split.y)))


def pooled(split: Split) -> RateForecast:
    """One rate for everybody: that of the known people in the target."""
    rate = pooled_forecast(
        split.units, split.target_n[split.known], split.target_y[split.known]
    ).rates[0, 0]
    return RateForecast("pooled", split.asked, np.full((1, len(split.asked)), rate))


def beta_binomial(split: Split, seed: int) -> RateForecast:
    """Practice averages shrunk toward their mean by a beta-binomial, taken as the target's rate."""
    n, y = (x.sum(axis=1).astype(float) for x in (split.n, split.y))
    fit = fit_beta_binomial(y[n > 0], n[n > 0])
    rng, at = np.random.default_rng(seed), ~split.known
    if not fit.overdispersed:
        return RateForecast("beta_binomial", split.asked, np.full((1, at.sum()), fit.mean))
    draws = rng.beta(fit.a + y[at], fit.b + (n - y)[at], (DRAWS, int(at.sum())))
    return RateForecast("beta_binomial", split.asked, draws)


def regression(split: Split, seed: int) -> RateForecast:
    """Beta-binomial regression of the target on the logits of shrunken practice rates."""
    columns = [np.ones(len(split.units))]
    for n, y in zip(split.n.T.astype(float), split.y.T.astype(float), strict=True):
        fit = fit_beta_binomial(y[n > 0], n[n > 0])
        mean = (fit.a + y) / (fit.a + fit.b + n) if fit.overdispersed else np.full(len(n), fit.mean)
        x = logit(mean)
        columns.append((x - x.mean()) / max(x.std(), 1e-9))
    design, known = np.column_stack(columns), split.known
    n, y = split.target_n[known].astype(float), split.target_y[known].astype(float)

    def loss(theta: np.ndarray) -> float:
        rate = np.clip(expit(design[known] @ theta[:-1]), 1e-6, 1 - 1e-6)
        kappa = np.exp(theta[-1])
        a, b = kappa * rate, kappa * (1 - rate)
        penalty = 0.5 * np.sum((theta[1:-1] / 5) ** 2)  # keeps a constant column from running off
        return float(-np.sum(betaln(a + y, b + n - y) - betaln(a, b)) + penalty)

    start = np.r_[logit(y.sum() / n.sum()), np.zeros(design.shape[1] - 1), np.log(30.0)]
    bounds = [(None, None)] * design.shape[1] + [(-2.0, 12.0)]
    found = minimize(loss, start, method="L-BFGS-B", bounds=bounds).x
    rate, kappa = expit(design[~known] @ found[:-1]), np.exp(found[-1])
    rng = np.random.default_rng(seed)
    draws = rng.beta(kappa * rate, kappa * (1 - rate), (DRAWS, len(rate)))
    return RateForecast("regression", split.asked, np.clip(draws, 1e-9, 1 - 1e-9))


def _log_likelihood(n: np.ndarray, y: np.ndarray, grid: np.ndarray) -> np.ndarray:
    """Shape (P, G); counts beyond what a grid step tells apart need no more digits."""
    constant = gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)
    return constant[:, None] + y[:, None] * np.log(grid) + (n - y)[:, None] * np.log1p(-grid)


def mixture(split: Split) -> RateForecast:
    """Smooth nonparametric mixture: weights over a grid of practice rates and the target's rate.

    Maximum likelihood by EM, each round smoothed along every axis with weights 1:8:1 (smoothed EM,
    Silverman and others 1990, JRSS B 52:271-324, from memory; the weights are judgement).
    """
    k = split.n.shape[1]
    counts = [*zip(split.n.T, split.y.T, strict=True), (split.target_n, split.target_y)]
    grids = []
    for n, y in counts:
        middle = logit((y.sum() + 0.5) / (n.sum() + 1))
        raw_rates = logit((y + 0.5) / (n + 1))
        reach = max(2.0 * np.std(raw_rates[n >= np.median(n)]), 0.5)
        grids.append(expit(np.linspace(middle - 1.5 * reach, middle + 1.5 * reach, GRID)))
    like = [_log_likelihood(n, y, grid) for (n, y), grid in zip(counts, grids, strict=True)]
    like[-1] = np.where(split.known[:, None], like[-1], 0.0)
    joint = like[0].reshape(len(split.units), *([GRID] + [1] * k))
    for axis, part in enumerate(like[1:], start=1):
        shape = [1] * (k + 1)
        shape[axis] = GRID
        joint = joint + part.reshape(len(split.units), *shape)
    joint = np.exp(joint - joint.max(axis=tuple(range(1, k + 2)), keepdims=True))
    weights = np.full([GRID] * (k + 1), 1.0 / GRID ** (k + 1))
    learn = joint[split.known]
    for _ in range(ROUNDS):
        posterior = learn * weights
        posterior /= posterior.sum(axis=tuple(range(1, k + 2)), keepdims=True)
        weights = posterior.mean(axis=0)
        for axis in range(k + 1):
            moved = [np.take(weights, np.clip(np.arange(GRID) + s, 0, GRID - 1), axis) for s in
                     (-1, 1)]  # fmt: skip
            weights = 0.8 * weights + 0.1 * moved[0] + 0.1 * moved[1]
        weights /= weights.sum()
    asked = (joint[~split.known] * weights).sum(axis=tuple(range(1, k + 1)))
    logs = np.log(np.maximum(asked / asked.sum(axis=1, keepdims=True), 1e-12)).T
    rates = np.repeat(grids[-1][:, None], len(split.asked), axis=1)
    return RateForecast("mixture", split.asked, rates, logs)
