"""Leaving a player's games out without fitting again.

The importance ratio of a draw is one over the likelihood of the player's games given the practice
rates (`transfer.models.game_likelihood`). Ratios are Pareto-smoothed; players with k-hat above 0.7
are listed and need a fit without them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.forecast.game_only import fit_game_only
from transfer.forecast.scoring import HeldOut, RateForecast, ScoreTable, score_forecasts
from transfer.models.alignment import (
    GameMix,
    count_cells,
    game_mix,
    require_passed,
)
from transfer.models.game_likelihood import game_likelihood
from transfer.models.posterior import TransferPosterior
from transfer.models.psis import KHAT_LIMIT, smooth_log_weights

__all__ = [
    "LeaveOut",
    "leave_player_out_weights",
    "practice_only_forecast",
    "score_leave_player_out",
    "with_refits",
]


@dataclass(frozen=True)
class LeaveOut:
    """Weights that take one player's games out of the posterior.

    Parameters
    ----------
    units : tuple of str
        The P player-seasons.
    log_weights : array, shape (D, P)
        Smoothed and normalised; column p leaves all games of the player of unit p out, also those
        of his other seasons.
    khat : array, shape (P,)
        Tail shape of the ratios.
    conditional_mean : array, shape (D, P)
        Mean game logit of the player given the practice rates.
    conditional_sd : array, shape (D,)
        Its standard deviation.
    mix : GameMix
        Conditions of the game attempts over which a rate is averaged.
    """

    units: tuple[str, ...]
    log_weights: np.ndarray
    khat: np.ndarray
    conditional_mean: np.ndarray
    conditional_sd: np.ndarray
    mix: GameMix

    @property
    def refit(self) -> tuple[str, ...]:
        """Players whose weights cannot be trusted (k-hat above 0.7): fit without their games."""
        return tuple(np.asarray(self.units)[~(self.khat <= KHAT_LIMIT)])


def leave_player_out_weights(posterior: TransferPosterior) -> LeaveOut:
    """Weights that leave each player's games out in turn.

    Parameters
    ----------
    posterior : TransferPosterior
        Fitted with games.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    games = game_likelihood(posterior)
    smoothed, khat = smooth_log_weights(-games.log_likelihood)
    mix = game_mix(posterior)
    return LeaveOut(posterior.units, smoothed, khat, games.mean, games.sd, mix)


def practice_only_forecast(
    left_out: LeaveOut, seed: int, name: str = "practice_only"
) -> RateForecast:
    """Forecast of each player's game rate from practice, the player's own games left out.

    Parameters
    ----------
    left_out : LeaveOut
        Of a fit without practice it is the forecast of a new player of the same squad.
    seed : int
    name : str

    Returns
    -------
    RateForecast
        Weighted draws of the game make rate.
    """
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal(left_out.conditional_mean.shape)
    logit = left_out.conditional_mean + left_out.conditional_sd[:, None] * noise
    return RateForecast(
        name,
        left_out.units,
        left_out.mix.rates(logit),
        left_out.log_weights,
        left_out.refit,
    )


def with_refits(
    forecast: RateForecast,
    left_out: LeaveOut,
    refits: Mapping[str, TransferPosterior],
) -> RateForecast:
    """Put exact forecasts in place of weighted ones.

    Parameters
    ----------
    forecast : RateForecast
        From `practice_only_forecast`.
    left_out : LeaveOut
    refits : mapping of unit to TransferPosterior
        Fits without that unit's game attempts (its practice kept).

    Returns
    -------
    RateForecast
        The refitted units carry equal weights and are trusted.

    Raises
    ------
    DiagnosticsError
        When a refit did not pass its diagnostics.
    ArgumentError
        When a unit is unknown.
    """
    if forecast.log_weights is None:
        raise ArgumentError(
            f"forecast {forecast.name!r} is not weighted",
            rule="refits replace importance weights",
            next_step="pass the forecast of practice_only_forecast",
        )
    rates, weights = forecast.rates.copy(), forecast.log_weights.copy()
    draws = rates.shape[0]
    for unit, refit in refits.items():
        require_passed(refit.diagnostics)
        if unit not in forecast.units or unit not in refit.units:
            raise ArgumentError(
                f"unit {unit!r} is not in the forecast or not in its refit",
                rule="a refit keeps the practice of the unit that it leaves out of the games",
                next_step="fit the design without this unit's games, not without the unit",
            )
        spread = np.linspace(0, refit.draws - 1, draws).round().astype(int)
        column = forecast.units.index(unit)
        logit = refit.theta[spread, refit.units.index(unit), -1]
        rates[:, column] = left_out.mix.rates(logit)
        weights[:, column] = -np.log(draws)
    untrusted = tuple(unit for unit in forecast.untrusted if unit not in refits)
    return RateForecast(forecast.name, forecast.units, rates, weights, untrusted)


@kinds_checked
def score_leave_player_out(
    posterior: TransferPosterior,
    seed: int | None = None,
    refits: Mapping[str, TransferPosterior] | None = None,
    games: TransferPosterior | None = None,
) -> ScoreTable:
    """Score forecasts of each player's games by forecasters that have not seen them.

    ``raw`` is the player's make rate over all practice attempts taken as the game rate; ``pooled``
    the one game rate of all others; ``game_only`` a new player of his program and season by the
    others' games; ``practice_only`` the transfer model with the player's practice and the others'
    records.
    ``both`` is not there: without the player's games it is ``practice_only``.

    Parameters
    ----------
    posterior : TransferPosterior
    seed : int, optional
        Seed; that of the fit when omitted.
    refits : mapping of unit to TransferPosterior, optional
        Fits without that unit's games, for units that `LeaveOut.refit` lists.
    games : TransferPosterior, optional
        The same games fitted without practice; `fit_game_only` when omitted, some seconds.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When fewer than three players have games.
    """
    counts = count_cells(posterior)
    played = counts.game_n > 0
    if int(played.sum()) < 3:
        raise ArgumentError(
            f"{int(played.sum())} players have game attempts",
            rule="leaving a player out needs at least three players with games",
            next_step="add game records",
        )
    chosen = posterior.provenance.seed if seed is None else seed
    left_out = leave_player_out_weights(posterior)
    units = posterior.units
    n, y = counts.game_n, counts.game_y
    alone = leave_player_out_weights(fit_game_only(posterior) if games is None else games)
    shot, made = counts.practice_n.sum(axis=1), counts.practice_y.sum(axis=1)
    others = (y.sum() - y + 0.5) / (n.sum() - n + 1.0)
    forecasts = [
        RateForecast("raw", units, ((made + 0.5) / (shot + 1.0))[None, :]),
        RateForecast("pooled", units, others[None, :]),
        practice_only_forecast(alone, chosen, "game_only"),
        with_refits(practice_only_forecast(left_out, chosen), left_out, refits or {}),
    ]
    people = zip(counts.programs, counts.players, strict=True)
    players = tuple(f"{program}/{player}" for program, player in people)
    held_out = HeldOut(units, n, y, players).where(played)
    return score_forecasts(held_out, forecasts, scheme="leave one player out")
