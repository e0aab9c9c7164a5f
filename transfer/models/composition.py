"""What the practice settings tell about games, per draw, from the correlation matrix.

Everything is derived draw by draw, never from point estimates. R2 is the share of the variance of
players' true game logit rates that the best linear composite of true practice rates accounts for.
It is an association between players: it says what a number tells, not what practice does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from transfer.errors import ArgumentError
from transfer.models.posterior import PopulationDraws

__all__ = [
    "Composition",
    "carry_over_weights",
    "compose",
    "game_given_practice",
    "mode_indices",
    "r_squared",
]

#: Rounding that an R2 may show outside [0, 1] before the matrix is called invalid.
_ROUNDING = 1e-6


@dataclass(frozen=True)
class Composition:
    """Per-draw summaries of one set of population draws.

    Parameters
    ----------
    settings, modes : tuple of str
        The K practice settings and their modes.
    rho : array, shape (D, K)
        Correlation of each setting's true rate with the true game rate (free of attenuation).
    weights : array, shape (D, K)
        Carry-over weights b = Sigma_pp^-1 Sigma_pG: expected game logit per practice logit, the
        other settings held fixed.
    r2_all : array, shape (D,)
        R2 of all practice settings together.
    r2_rep, r2_live : array of shape (D,), or None
        R2 of the settings of one mode; ``None`` where the mode was not charted.
    live_adds, rep_adds : array of shape (D,), or None
        R2 that the mode adds to the other mode; ``None`` where either mode is missing.
    """

    settings: tuple[str, ...]
    modes: tuple[str, ...]
    rho: np.ndarray
    weights: np.ndarray
    r2_all: np.ndarray
    r2_rep: np.ndarray | None
    r2_live: np.ndarray | None
    live_adds: np.ndarray | None
    rep_adds: np.ndarray | None

    def composite_rho(self, mode: str) -> np.ndarray | None:
        """Correlation of a mode's best composite with games, shape (D,), always >= 0.

        A setting that goes against games is informative too, so the best composite of a single
        setting has correlation ``|rho|``.
        """
        r2 = {"rep": self.r2_rep, "live": self.r2_live, "all": self.r2_all}[mode]
        return None if r2 is None else np.sqrt(r2)

    def contrast(self, kind: str = "r2") -> np.ndarray | None:
        """Live minus rep, shape (D,); ``None`` where a mode is missing.

        Parameters
        ----------
        kind : {"r2", "rho"}
            Difference of R2, or of the best composites' correlations.

        Raises
        ------
        ArgumentError
            For any other kind.
        """
        if kind not in ("r2", "rho"):
            raise ArgumentError(
                f"contrast={kind!r} is not known",
                rule="contrast is 'r2' or 'rho'",
                next_step="pass contrast='r2' for shares of variance",
            )
        if self.r2_live is None or self.r2_rep is None:
            return None
        if kind == "r2":
            return self.r2_live - self.r2_rep
        return np.sqrt(self.r2_live) - np.sqrt(self.r2_rep)


def mode_indices(modes: tuple[str, ...], mode: str) -> np.ndarray:
    """Positions of the settings of one mode, shape (k,)."""
    return np.flatnonzero(np.asarray(modes) == mode)


def r_squared(omega: np.ndarray, subset: np.ndarray) -> np.ndarray:
    """Squared multiple correlation of game (last axis entry) with a subset of settings.

    Parameters
    ----------
    omega : array, shape (D, K + 1, K + 1)
        Correlation matrices, game last.
    subset : array of int, shape (k,)
        Settings to use; may not be empty.

    Returns
    -------
    array, shape (D,)

    Raises
    ------
    ArgumentError
        When the subset is empty or a matrix is no correlation matrix (R2 outside 0 to 1).
    """
    if len(subset) == 0:
        raise ArgumentError(
            "R2 was asked for no setting at all",
            rule="a subset holds at least one practice setting",
            next_step="chart at least one practice setting",
        )
    to_game = omega[:, subset, -1]
    inner = omega[:, subset[:, None], subset[None, :]]
    solved = np.linalg.solve(inner, to_game[..., None])[..., 0]
    r2: np.ndarray = np.einsum("dk,dk->d", to_game, solved)
    if r2.size and (r2.min() < -_ROUNDING or r2.max() > 1 + _ROUNDING):
        raise ArgumentError(
            f"R2 runs from {r2.min():.4g} to {r2.max():.4g}",
            rule="omega must hold positive definite correlation matrices",
            next_step="check the draws of omega",
        )
    return np.clip(r2, 0.0, 1.0)


def carry_over_weights(population: PopulationDraws) -> np.ndarray:
    """Weights b = Sigma_pp^-1 Sigma_pG of every practice setting.

    Parameters
    ----------
    population : PopulationDraws

    Returns
    -------
    array, shape (D, K)
        Expected game logit deviation per practice logit deviation, other settings held fixed.
    """
    omega, tau = population.omega, population.tau
    standard = np.linalg.solve(omega[:, :-1, :-1], omega[:, :-1, -1:])[..., 0]
    return standard * tau[:, -1:] / tau[:, :-1]


def game_given_practice(population: PopulationDraws) -> tuple[np.ndarray, np.ndarray]:
    """Conditional Normal of a player's game deviation given the practice deviations.

    Parameters
    ----------
    population : PopulationDraws

    Returns
    -------
    weights : array, shape (D, K)
        Carry-over weights: the conditional mean is ``weights @ u_practice``.
    sd : array, shape (D,)
        Conditional standard deviation, logit.
    """
    settings = population.omega.shape[-1] - 1
    if settings == 0:  # games only: nothing to condition on
        return np.zeros((population.tau.shape[0], 0)), population.tau[:, -1]
    weights = carry_over_weights(population)
    everything = np.arange(settings)
    r2 = r_squared(population.omega, everything)
    return weights, population.tau[:, -1] * np.sqrt(1.0 - r2)


def compose(
    population: PopulationDraws, settings: tuple[str, ...], modes: tuple[str, ...]
) -> Composition:
    """Derive every per-draw summary of the correlations.

    Parameters
    ----------
    population : PopulationDraws
        Prior or posterior draws.
    settings, modes : tuple of str
        The K practice settings and their modes.

    Raises
    ------
    ArgumentError
        When the number of settings does not fit the draws.
    """
    k = population.omega.shape[-1] - 1
    if not len(settings) == len(modes) == k:
        raise ArgumentError(
            f"{len(settings)} settings and {len(modes)} modes for draws of {k} practice settings",
            rule="one name and one mode per practice setting",
            next_step="pass settings and modes of the fitted model",
        )
    omega = population.omega
    r2_all = r_squared(omega, np.arange(k))
    by_mode: dict[str, np.ndarray | None] = {}
    for mode in ("rep", "live"):
        subset = mode_indices(modes, mode)
        by_mode[mode] = r_squared(omega, subset) if subset.size else None
    rep, live = by_mode["rep"], by_mode["live"]
    both = rep is not None and live is not None
    return Composition(
        settings=tuple(settings),
        modes=tuple(modes),
        rho=omega[:, :-1, -1],
        weights=carry_over_weights(population),
        r2_all=r2_all,
        r2_rep=rep,
        r2_live=live,
        live_adds=np.maximum(r2_all - rep, 0.0) if both and rep is not None else None,
        rep_adds=np.maximum(r2_all - live, 0.0) if both and live is not None else None,
    )
