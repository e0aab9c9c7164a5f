"""How likely each player's games are, given what the player did in practice.

The game rate is integrated out given the practice rates (conditional Normal times binomial,
adaptive Gauss-Hermite). The likelihood at the drawn game rate would not do for leaving a player's
games out: that rate has seen the very games, and its ratios have a far heavier tail.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from transfer.models.alignment import count_cells, deviations, game_offsets, squad_means
from transfer.models.composition import game_given_practice
from transfer.models.integrate import log_marginal
from transfer.models.posterior import TransferPosterior

__all__ = ["GameLikelihood", "game_likelihood"]

#: Nodes for the part of a player's games that is common to his seasons.
_NODES, _WEIGHTS = np.polynomial.hermite_e.hermegauss(11)


@dataclass(frozen=True)
class GameLikelihood:
    """Games of every player given his practice, draw by draw.

    Parameters
    ----------
    players : tuple of str
        Program and player of each of the P player-seasons.
    mean : array, shape (D, P)
        Mean game logit given the practice rates.
    sd : array, shape (D,)
        Its standard deviation.
    log_likelihood : array, shape (D, P)
        Of all games of the player, also those of his other seasons.
    """

    players: tuple[str, ...]
    mean: np.ndarray
    sd: np.ndarray
    log_likelihood: np.ndarray


def game_likelihood(posterior: TransferPosterior) -> GameLikelihood:
    """Log likelihood of all games of each unit's player given his practice.

    Where players have several seasons, what practice does not tell of a player's games has
    correlation phi between them: it is a part common to his seasons, summed out by quadrature, and
    parts of each season.

    Parameters
    ----------
    posterior : TransferPosterior
    """
    weights, sd = game_given_practice(posterior.population)
    practice = deviations(posterior)[:, :, :-1]
    mean = squad_means(posterior)[:, :, -1] + np.einsum("dpk,dk->dp", practice, weights)
    counts = count_cells(posterior)
    players = tuple(f"{g}/{p}" for g, p in zip(counts.programs, counts.players, strict=True))
    spread = np.maximum(sd, 1e-6)
    return GameLikelihood(players, mean, sd, _of_players(posterior, players, mean, spread))


def _of_players(
    posterior: TransferPosterior, players: tuple[str, ...], mean: np.ndarray, sd: np.ndarray
) -> np.ndarray:
    n, y, offset = game_offsets(posterior)
    phi = posterior.terms.get("persistence")
    if phi is None:
        return log_marginal(mean, sd[:, None], n, y, offset)
    player = np.unique(players, return_inverse=True)[1]
    common, alone = sd * np.sqrt(phi), np.maximum(sd * np.sqrt(1.0 - phi), 1e-6)
    parts = []
    for node, weight in zip(_NODES, _WEIGHTS / _WEIGHTS.sum(), strict=True):
        each = log_marginal(mean + (common * node)[:, None], alone[:, None], n, y, offset)
        summed = np.zeros((player.max() + 1, len(mean)))
        np.add.at(summed, player, each.T)
        parts.append(np.log(weight) + summed.T)
    return np.asarray(logsumexp(parts, axis=0)[:, player])
