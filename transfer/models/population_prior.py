"""Exact draws from the tilted prior of the population, without a sampler.

The prior of the correlation matrix is LKJ(eta) times independent factors f on atanh(rho),
a density over the correlations themselves. With z = atanh(rho) the change of variables brings
1 - rho^2 = sech^2(z) per pair, so each pair is drawn from f(z) sech^2(z) by inversion on a grid
and a whole matrix is kept when it is positive definite (rejection, exact). Above five practice
settings rejection is too wasteful and many short Gibbs chains run side by side: given the other
pairs, the determinant is a quadratic in one correlation, so its positive-definite interval is
known exactly. Without a tilt the matrix comes from the C-vine of Lewandowski, Kurowicka and Joe
(2009).
"""

from __future__ import annotations

import numpy as np

from transfer.errors import ArgumentError
from transfer.models.posterior import PopulationDraws
from transfer.models.priors import TransferPriors

__all__ = ["draw_population", "log_tilt", "prior_correlations"]

_GRID = np.linspace(-4.0, 4.0, 4001)
_REJECTION_UP_TO = 5
_GIBBS_BURN, _GIBBS_KEEP = 30, 8


def log_tilt(z: np.ndarray, tilt: tuple[float, float], df: float | None) -> np.ndarray:
    """Log of the factor on z = atanh(rho), up to a constant: normal, or Student t with `df`."""
    e = (z - tilt[0]) / tilt[1]
    return np.asarray(-0.5 * e**2 if df is None else -0.5 * (df + 1) * np.log1p(e**2 / df))


def _pair_cdf(tilt: tuple[float, float], df: float | None) -> np.ndarray:
    """Unnormalised CDF over the grid of z of the factor times sech^2(z)."""
    log_density = log_tilt(_GRID, tilt, df) - 2 * np.log(np.cosh(_GRID))
    weight = np.exp(log_density - log_density.max())
    return np.concatenate([[0.0], np.cumsum((weight[1:] + weight[:-1]) / 2)])


def _positive_definite(omega: np.ndarray) -> np.ndarray:
    """Whether each matrix is positive definite, by its leading minors."""
    good = np.ones(omega.shape[0], dtype=bool)
    for k in range(2, omega.shape[1] + 1):
        good &= np.linalg.det(omega[:, :k, :k]) > 1e-12
    return good


def _symmetric(pairs: np.ndarray, rows: np.ndarray, cols: np.ndarray, dim: int) -> np.ndarray:
    omega = np.broadcast_to(np.eye(dim), (len(pairs), dim, dim)).copy()
    omega[:, rows, cols] = pairs
    omega[:, cols, rows] = pairs
    return omega


def _by_rejection(
    cdfs: list[np.ndarray],
    rows: np.ndarray,
    cols: np.ndarray,
    dim: int,
    size: int,
    rng: np.random.Generator,
) -> np.ndarray:
    kept: list[np.ndarray] = []
    batch = max(4 * size, 8000)
    while sum(map(len, kept)) < size:
        pairs = np.column_stack(
            [np.tanh(np.interp(rng.random(batch) * cdf[-1], cdf, _GRID)) for cdf in cdfs]
        )
        omega = _symmetric(pairs, rows, cols, dim)
        kept.append(omega[_positive_definite(omega)])
    return np.concatenate(kept)[:size]


def _by_gibbs(
    cdfs: list[np.ndarray],
    rows: np.ndarray,
    cols: np.ndarray,
    dim: int,
    size: int,
    rng: np.random.Generator,
) -> np.ndarray:
    chains = -(-size // _GIBBS_KEEP)
    omega = np.broadcast_to(np.eye(dim), (chains, dim, dim)).copy()
    kept: list[np.ndarray] = []
    for sweep in range(_GIBBS_BURN + _GIBBS_KEEP):
        for i, j, cdf in zip(rows, cols, cdfs, strict=True):
            det = []
            for value in (-1.0, 0.0, 1.0):
                omega[:, i, j] = omega[:, j, i] = value
                det.append(np.linalg.det(omega))
            a, b, c = (det[0] + det[2]) / 2 - det[1], (det[2] - det[0]) / 2, det[1]
            root = np.sqrt(np.maximum(b * b - 4 * a * c, 0.0))
            # a < 0: the determinant is positive between the two roots.
            ends = np.sort(np.stack([(-b - root), (-b + root)]) / (2 * a), axis=0)
            ends = np.clip(ends, -1 + 1e-7, 1 - 1e-7)
            low, high = np.interp(np.arctanh(ends), _GRID, cdf)
            z = np.interp(low + rng.random(chains) * (high - low), cdf, _GRID)
            omega[:, i, j] = omega[:, j, i] = np.clip(np.tanh(z), ends[0], ends[1])
        if sweep >= _GIBBS_BURN:
            kept.append(omega.copy())
    return np.concatenate(kept)[:size]


def _lkj(size: int, dim: int, eta: float, rng: np.random.Generator) -> np.ndarray:
    """Draw Cholesky factors of LKJ(eta) by partial correlations; return correlations."""
    chol = np.zeros((size, dim, dim))
    chol[:, 0, 0] = 1.0
    for i in range(1, dim):
        left = np.ones(size)
        for j in range(i):
            shape = eta + (dim - 2 - j) / 2
            partial = 2 * rng.beta(shape, shape, size) - 1
            chol[:, i, j] = partial * np.sqrt(left)
            left = left * (1 - partial**2)
        chol[:, i, i] = np.sqrt(left)
    return chol @ np.swapaxes(chol, 1, 2)


def prior_correlations(
    practice_settings: int, priors: TransferPriors, size: int, rng: np.random.Generator
) -> np.ndarray:
    """Draw correlation matrices from the prior.

    Parameters
    ----------
    practice_settings : int
        K; the matrix has K + 1 rows, game last.
    priors : TransferPriors
    size : int
        Number of draws.
    rng : Generator

    Returns
    -------
    array, shape (size, K + 1, K + 1)

    Raises
    ------
    ArgumentError
        When only one of the two tilts is switched off, or a tilt is combined with an LKJ shape
        other than 1.
    """
    dim = practice_settings + 1
    if dim == 1:
        return np.ones((size, 1, 1))
    if priors.tilt_game is None and priors.tilt_practice is None:
        return _lkj(size, dim, priors.lkj_eta, rng)
    if priors.tilt_game is None or priors.tilt_practice is None:
        raise ArgumentError(
            "only one of tilt_game and tilt_practice is set",
            rule="both tilts are set, or neither",
            next_step="set both in the priors file, or both to 'none'",
        )
    if priors.lkj_eta != 1.0:
        raise ArgumentError(
            f"lkj_eta={priors.lkj_eta!r} together with a tilt",
            rule="the tilted prior is built on LKJ(1)",
            next_step="set lkj_eta = 1, or both tilts to 'none'",
        )
    rows, cols = np.tril_indices(dim, -1)
    tilts = [priors.tilt_game if i == dim - 1 else priors.tilt_practice for i in rows]
    cdfs = [_pair_cdf(tilt, priors.tilt_df) for tilt in tilts]
    draw = _by_rejection if practice_settings <= _REJECTION_UP_TO else _by_gibbs
    return draw(cdfs, rows, cols, dim, size, rng)


def _spread(
    priors: TransferPriors, scale: float, size: tuple[int, ...], rng: np.random.Generator
) -> np.ndarray:
    if priors.tau_family == "lognormal":
        return np.asarray(scale * np.exp(priors.tau_log_sd * rng.standard_normal(size)))
    if priors.tau_family == "half_normal":
        return np.abs(rng.normal(0.0, scale, size))
    if priors.tau_family == "uniform":
        return rng.uniform(0.0, scale, size)
    # With the tiny shapes of published examples most precisions underflow; the floor keeps their
    # standard deviations finite (1e150) and touches no shape that a person would choose.
    return 1.0 / np.sqrt(np.maximum(rng.gamma(scale, 1.0 / scale, size), 1e-300))


def draw_population(
    practice_settings: int, priors: TransferPriors, size: int, seed: int
) -> PopulationDraws:
    """Draw the population parameters from the prior.

    Parameters
    ----------
    practice_settings : int
        K.
    priors : TransferPriors
    size : int
        Number of draws.
    seed : int

    Returns
    -------
    PopulationDraws
        Arrays of `size` draws.
    """
    rng = np.random.default_rng(seed)
    practice = (size, practice_settings)
    mu = np.column_stack(
        [rng.normal(*priors.mu_practice, practice), rng.normal(*priors.mu_game, (size, 1))]
    )
    tau = np.column_stack(
        [
            _spread(priors, priors.tau_practice_sd, practice, rng),
            _spread(priors, priors.tau_game_sd, (size, 1), rng),
        ]
    )
    return PopulationDraws(mu, tau, prior_correlations(practice_settings, priors, size, rng))
