"""The forecast from games alone, shrunken to the mean: what practice charting has to beat.

Logit rates of players are Normal, counts binomial. The two population parameters are handled by a
grid (no sampler), each player's rate by one-dimensional integrals, so the answer is exact up to the
grid. Programs share one mean here; distance and contest are not used.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.models.integrate import draw_logit, log_marginal
from transfer.models.posterior import TransferPosterior
from transfer.models.psis import smooth_log_weights

__all__ = ["GameOnlyFit", "GameOnlyPrior", "fit_game_only", "game_only_prior"]

_COARSE = 17
_FINE = 41


@dataclass(frozen=True)
class GameOnlyPrior:
    """Prior of the game-only forecast.

    Parameters
    ----------
    mu_mean, mu_sd : float
        Normal prior of the mean game logit.
    tau_scale : float
        Scale of the half-Normal prior of the standard deviation between players, logit.
    """

    mu_mean: float
    mu_sd: float
    tau_scale: float


@dataclass(frozen=True)
class GameOnlyFit:
    """Draws of the game-only model.

    Parameters
    ----------
    mu, tau : array, shape (D,)
        Population mean and standard deviation, logit.
    rates : array, shape (D, P)
        Game make rates of the players.
    unseen_rates : array, shape (D, P)
        Rates of a new player, one column per player left out.
    unseen_log_weights : array, shape (D, P)
        Weights that leave the column's player out of the population, normalised.
    khat : array, shape (P,)
        Tail shape of those weights; above 0.7 not to be trusted.
    """

    mu: np.ndarray
    tau: np.ndarray
    rates: np.ndarray
    unseen_rates: np.ndarray
    unseen_log_weights: np.ndarray
    khat: np.ndarray


def game_only_prior(posterior: TransferPosterior) -> GameOnlyPrior:
    """Match the game prior of a fitted transfer model by its moments.

    Parameters
    ----------
    posterior : TransferPosterior

    Returns
    -------
    GameOnlyPrior
    """
    mu, tau = posterior.prior.mu[:, -1], posterior.prior.tau[:, -1]
    return GameOnlyPrior(float(mu.mean()), float(mu.std()), float(np.sqrt(np.mean(tau**2))))


def _log_posterior(
    mu: np.ndarray, tau: np.ndarray, n: np.ndarray, y: np.ndarray, prior: GameOnlyPrior
) -> np.ndarray:
    """Log posterior, up to a constant, on the product of the two axes, shape (M, T)."""
    grid_mu, grid_tau = np.meshgrid(mu, tau, indexing="ij")
    marginal = log_marginal(grid_mu[..., None], grid_tau[..., None], n, y).sum(axis=-1)
    return np.asarray(
        marginal
        - 0.5 * ((grid_mu - prior.mu_mean) / prior.mu_sd) ** 2
        - 0.5 * (grid_tau / prior.tau_scale) ** 2
    )


def _support(axis: np.ndarray, mass: np.ndarray) -> tuple[float, float]:
    """Range of an axis that holds all but a millionth of the mass, one step wider each side."""
    held = np.flatnonzero(mass > 1e-6 * mass.max())
    step = axis[1] - axis[0]
    return float(axis[held[0]] - step), float(axis[held[-1]] + step)


def fit_game_only(
    n: np.ndarray, y: np.ndarray, prior: GameOnlyPrior, draws: int = 2000, seed: int = 0
) -> GameOnlyFit:
    """Fit the game-only model on a grid.

    Parameters
    ----------
    n, y : array, shape (P,)
        Game attempts and makes; a player without games may have zero attempts.
    prior : GameOnlyPrior
    draws : int
        Number of draws D.
    seed : int

    Returns
    -------
    GameOnlyFit

    Raises
    ------
    ArgumentError
        When makes exceed attempts.
    """
    n, y = np.asarray(n, dtype=float), np.asarray(y, dtype=float)
    if np.any((y < 0) | (y > n)):
        place = int(np.flatnonzero((y < 0) | (y > n))[0])
        raise ArgumentError(
            f"y[{place}]={y[place]:g} of n[{place}]={n[place]:g} attempts",
            rule="0 <= makes <= attempts",
            next_step="check the game counts",
        )
    rng = np.random.default_rng(seed)
    smallest = 0.002 * prior.tau_scale
    mu = prior.mu_mean + prior.mu_sd * np.linspace(-5, 5, _FINE)
    tau = np.linspace(smallest, 4 * prior.tau_scale, _COARSE)
    for size in (_COARSE, _FINE):  # zoom in: each grid covers what the one before it found
        log_post = _log_posterior(mu, tau, n, y, prior)
        mass = np.exp(log_post - log_post.max())
        mu = np.linspace(*_support(mu, mass.sum(axis=1)), size)
        low, high = _support(tau, mass.sum(axis=0))
        tau = np.linspace(max(low, smallest), high, size)
    log_post = _log_posterior(mu, tau, n, y, prior)
    mass = np.exp(log_post - log_post.max()).ravel()
    cell = rng.choice(mass.size, size=draws, p=mass / mass.sum())
    jitter = rng.random((2, draws)) - 0.5
    drawn_mu = mu[cell // tau.size] + jitter[0] * (mu[1] - mu[0])
    drawn_tau = tau[cell % tau.size] + jitter[1] * (tau[1] - tau[0])
    drawn_tau = np.maximum(np.abs(drawn_tau), smallest)
    rates = expit(draw_logit(drawn_mu[:, None], drawn_tau[:, None], n, y, rng))
    ratios = -log_marginal(drawn_mu[:, None], drawn_tau[:, None], n, y)
    weights, khat = smooth_log_weights(ratios)
    unseen = drawn_mu[:, None] + drawn_tau[:, None] * rng.standard_normal((draws, n.size))
    return GameOnlyFit(drawn_mu, drawn_tau, rates, expit(unseen), weights, khat)
