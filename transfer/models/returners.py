"""A player's next season: what his seasons so far say of it, and what nobody can know yet.

Deviations of a player from his squads, one for each of his S seasons, have correlation phi. Given
them, those of the next season are normal with mean phi S / (1 - phi + S phi) times their average
and with 1 - phi^2 S / (1 - phi + S phi) of the variance between players. A newcomer has all of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from transfer.models.alignment import (
    count_cells,
    deviations,
    new_squad_spread,
    program_effects,
    require_passed,
)
from transfer.models.posterior import TransferPosterior
from transfer.models.roles import role_shifts

__all__ = ["NextSeason", "next_season", "persistence"]


@dataclass(frozen=True)
class NextSeason:
    """Draws of the next season of every fitted player.

    Parameters
    ----------
    players, programs : tuple of str
        The N players.
    last : tuple of str
        Latest season of each.
    seasons : tuple of int
        Seasons that each was fitted in.
    theta : array, shape (D, N, K + 1)
        True logit rates of the season to come, in the settings of the fit, games last.
    persistence_seen : bool
        Whether the records told how much stays from season to season; False where nobody has two
        seasons, so that only the prior speaks.
    """

    players: tuple[str, ...]
    programs: tuple[str, ...]
    last: tuple[str, ...]
    seasons: tuple[int, ...]
    theta: np.ndarray
    persistence_seen: bool


def persistence(posterior: TransferPosterior, rng: np.random.Generator) -> np.ndarray:
    """Draws of the correlation of a player's deviations in two seasons, shape (D,).

    Of the posterior, or where nobody has two seasons of its prior.
    """
    if "persistence" in posterior.terms:
        return np.asarray(posterior.terms["persistence"])
    first, second = posterior.provenance.settings["priors"]["persistence"]
    return np.asarray(rng.beta(first, second, posterior.draws))


def next_season(posterior: TransferPosterior, seed: int) -> NextSeason:
    """Draw the next season of every fitted player, in his program.

    Parameters
    ----------
    posterior : TransferPosterior
    seed : int

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    rng = np.random.default_rng(seed)
    counts = count_cells(posterior)
    keys = [f"{g}/{p}" for g, p in zip(counts.programs, counts.players, strict=True)]
    names, first, of, number = np.unique(
        keys, return_index=True, return_inverse=True, return_counts=True
    )
    u = deviations(posterior)
    average = np.zeros((u.shape[0], len(names), u.shape[2]))
    np.add.at(average.transpose(1, 0, 2), of, u.transpose(1, 0, 2))
    average /= number[:, None]
    phi = persistence(posterior, rng)[:, None]
    kept = phi * number / (1.0 - phi + number * phi)
    programs = tuple(counts.programs[i] for i in first)
    new = np.sqrt(np.maximum(1.0 - phi * kept, 0.0))
    population = posterior.population
    factor = np.linalg.cholesky(population.omega) * population.tau[:, :, None]
    noise = np.einsum("dij,dnj->dni", factor, rng.standard_normal(average.shape))
    squad = {program: rng.standard_normal((u.shape[0], u.shape[2])) for program in set(programs)}
    sd = np.sqrt(new_squad_spread(posterior, "any"))
    mean = population.mu[:, None, :] + program_effects(posterior, programs)
    mean = mean + np.stack([sd * squad[program] for program in programs], axis=1)
    latest = [
        max(np.flatnonzero(of == i).tolist(), key=lambda p: counts.seasons[p])
        for i in range(len(names))
    ]
    # Of the role that each had last: nobody knows the next one.
    mean = mean + role_shifts(posterior)[:, latest]
    return NextSeason(
        players=tuple(counts.players[i] for i in first),
        programs=programs,
        last=tuple(counts.seasons[p] for p in latest),
        seasons=tuple(map(int, number)),
        theta=mean + kept[:, :, None] * average + new[:, :, None] * noise,
        persistence_seen="persistence" in posterior.terms,
    )
