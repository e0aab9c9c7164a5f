"""Linear algebra of players crossed with team-weeks, batched over teams and data sets.

In the growth model a cell's logit is ``x theta + u[player] + w[team, week]``. Given theta the
teams are independent; inside a team the players are conditionally independent given the weeks. So
the information matrix is reduced in two steps, players first (diagonal), then weeks, and only a
handful of global coefficients are left. Every array carries leading batch axes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["Reduced", "back_substitute", "reduce_information", "week_precision"]


@dataclass(frozen=True)
class Reduced:
    """Information about the global coefficients with players and weeks integrated out.

    Parameters
    ----------
    information : array, shape (..., Q, Q)
        Schur complement for theta, prior included.
    score : array, shape (..., Q)
        Gradient for theta after the same elimination.
    log_det : array, shape (...)
        Log determinant of the whole information matrix.
    player_diagonal : array, shape (..., G, P)
    weights, player_theta, week_solution, player_score
        Pieces for `back_substitute`.
    """

    information: np.ndarray
    score: np.ndarray
    log_det: np.ndarray
    player_diagonal: np.ndarray
    weights: np.ndarray
    player_theta: np.ndarray
    week_solution: np.ndarray
    player_score: np.ndarray


def week_precision(weeks: int, week_sd: float, team_sd: float) -> np.ndarray:
    """Prior precision of a team's weeks with the team's own level added to them.

    Weeks are normal with sd `week_sd` and constrained to sum to zero, the level is normal with sd
    `team_sd`; the sum has covariance ``week_sd**2 (I - J/T) + team_sd**2 J``.

    Parameters
    ----------
    weeks : int
        Number of weeks T.
    week_sd, team_sd : float

    Returns
    -------
    array, shape (T, T)
    """
    mean = np.full((weeks, weeks), 1.0 / weeks)
    return np.asarray((np.eye(weeks) - mean) / week_sd**2 + mean / (weeks * team_sd**2))


def reduce_information(
    weights: np.ndarray,
    design: np.ndarray,
    player_precision: np.ndarray,
    weeks: np.ndarray,
    theta_precision: np.ndarray,
    scores: tuple[np.ndarray, np.ndarray, np.ndarray] | None = None,
) -> Reduced:
    """Integrate players and weeks out of the information matrix.

    Parameters
    ----------
    weights : array, shape (..., G, P, T)
        Binomial information of each cell, ``n p (1 - p)``; 0 for padding.
    design : array, shape (..., G, P, T, Q)
        Columns of the global coefficients (leading axes broadcast against `weights`).
    player_precision : array, broadcastable to (..., G, P)
        Prior precision of a player's level.
    weeks : array, shape (T, T)
        See `week_precision`.
    theta_precision : array, shape (Q,)
        Prior precision of the global coefficients; 0 is flat.
    scores : tuple of arrays, optional
        Gradients for players (..., G, P), weeks (..., G, T) and theta (..., Q); zero if left out.
    """
    q = design.shape[-1]
    weighted = weights[..., None] * design
    diagonal = weights.sum(axis=-1) + player_precision
    player_theta = weighted.sum(axis=-2)
    week_theta = weighted.sum(axis=-3)
    if scores is None:
        scores = (
            np.zeros(diagonal.shape),
            np.zeros(week_theta.shape[:-1]),
            np.zeros((*weights.shape[:-3], q)),
        )
    player_score, week_score, theta_score = scores
    scaled = weights / diagonal[..., None]
    across = np.swapaxes(scaled, -1, -2)
    week_block = -(across @ weights)
    index = np.arange(weights.shape[-1])
    week_block[..., index, index] += weights.sum(axis=-2)
    week_block += weeks
    right = np.concatenate(
        [
            week_theta - across @ player_theta,
            (week_score - (across @ player_score[..., None])[..., 0])[..., None],
        ],
        axis=-1,
    )
    factor = np.linalg.cholesky(week_block)
    solution = np.linalg.solve(week_block, right)
    flat = weighted.reshape(*weighted.shape[:-4], -1, q)
    full = np.broadcast_to(design, weighted.shape).reshape(flat.shape)
    information = np.swapaxes(flat, -1, -2) @ full + np.diag(theta_precision)
    lifted = player_theta / diagonal[..., None]
    information -= (np.swapaxes(lifted, -1, -2) @ player_theta).sum(axis=-3)
    cross = np.swapaxes(right[..., :q], -1, -2) @ solution
    information -= cross[..., :q].sum(axis=-3)
    score = theta_score - np.einsum("...gpq,...gp->...q", lifted, player_score)
    score = score - cross[..., q].sum(axis=-2)
    log_det = (
        np.log(diagonal).sum(axis=(-1, -2))
        + 2.0 * np.log(np.diagonal(factor, axis1=-2, axis2=-1)).sum(axis=(-1, -2))
        + _log_det(information)
    )
    return Reduced(
        information, score, log_det, diagonal, weights, player_theta, solution, player_score
    )


def _log_det(information: np.ndarray) -> np.ndarray:
    sign, size = np.linalg.slogdet(information)
    return np.where(sign > 0, size, -np.inf)


def back_substitute(reduced: Reduced, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Players and weeks that go with a solution for theta.

    Parameters
    ----------
    reduced : Reduced
    theta : array, shape (..., Q)

    Returns
    -------
    players : array, shape (..., G, P)
    weeks : array, shape (..., G, T)
    """
    q = theta.shape[-1]
    week_part = reduced.week_solution[..., q]
    weeks = week_part - np.einsum("...gtq,...q->...gt", reduced.week_solution[..., :q], theta)
    players = (
        reduced.player_score
        - np.einsum("...gpt,...gt->...gp", reduced.weights, weeks)
        - np.einsum("...gpq,...q->...gp", reduced.player_theta, theta)
    ) / reduced.player_diagonal
    return players, weeks
