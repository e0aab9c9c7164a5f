"""Forecasts of the game make rate: this season, the next one, and players without games yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.forecast.scoring import ScoreTable
from transfer.models.alignment import (
    count_cells,
    game_mix,
    new_squad_spread,
    program_effects,
    require_passed,
)
from transfer.models.integrate import condition_on_practice
from transfer.models.posterior import TransferPosterior
from transfer.models.psis import KHAT_LIMIT, smooth_log_weights
from transfer.models.resampling import systematic_resample
from transfer.models.returners import next_season
from transfer.models.roles import overall_population
from transfer.provenance import Provenance
from transfer.records.which_season import LATEST, in_season
from transfer.results import Result

__all__ = ["Forecast", "forecast_games", "forecast_next_season", "forecast_unseen"]


@dataclass(frozen=True)
class Forecast(Result):
    """Game make rates to expect.

    Parameters
    ----------
    table : DataFrame
        One row per player: ``unit``, ``player``, ``program``, ``season``, ``mean``, ``low``,
        ``high`` (expected rate), ``prob``, ``kind``, ``attempts_game``, ``attempts_practice``,
        ``next_attempts``, ``makes_low``, ``makes_high`` (count to come, same ``prob``).
    draws : array, shape (D, P)
        Draws of the rates.
    text : str
    provenance : Provenance
    scores : ScoreTable or None
        Scores of this kind of forecast on games it had not seen.
    """

    table: pd.DataFrame
    draws: np.ndarray
    text: str
    provenance: Provenance
    scores: ScoreTable | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the object that ``transfer forecast --json`` prints."""
        return {
            "players": self.table.to_dict(orient="records"),
            "rate_holds": "expected rate",
            "makes_hold": "count to come",
            "scores": None if self.scores is None else self.scores.to_dict(),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def _summarise(
    labels: pd.DataFrame, rates: np.ndarray, next_attempts: int, prob: float, seed: int
) -> pd.DataFrame:
    """Add rate, interval and count to come to the labels of the players."""
    if next_attempts < 1:
        raise ArgumentError(
            f"next_attempts={next_attempts!r}",
            rule="a count to come needs at least one attempt",
            next_step="pass e.g. next_attempts=50",
        )
    tails = [(1 - prob) / 2, (1 + prob) / 2]
    low, high = np.quantile(rates, tails, axis=0)
    makes = np.random.default_rng([seed, 1]).binomial(next_attempts, rates)
    makes_low, makes_high = np.quantile(makes, tails, axis=0, method="inverted_cdf")
    return labels.assign(
        mean=rates.mean(axis=0),
        low=low,
        high=high,
        prob=prob,
        kind="eti",
        next_attempts=next_attempts,
        makes_low=makes_low.astype(int),
        makes_high=makes_high.astype(int),
    )


def _conditions(posterior: TransferPosterior) -> str:
    """Say under which conditions the rates hold, where the model has the terms."""
    named = [
        word
        for term, word in (("beta_distance", "distances"), ("beta_contest", "contest levels"))
        if term in posterior.terms
    ]
    if not named:
        return ""
    return f" Rates hold at the mix of charted game {' and '.join(named)}."


@kinds_checked
def forecast_games(
    posterior: TransferPosterior,
    prob: float = 0.90,
    next_attempts: int = 50,
    seed: int | None = None,
    scores: ScoreTable | None = None,
    season: str = LATEST,
) -> Forecast:
    """Forecast the game make rate of the players of a season.

    Parameters
    ----------
    posterior : TransferPosterior
    prob : float
        Probability of every interval.
    next_attempts : int
        Game attempts of the count to come.
    seed : int, optional
        Seed; that of the fit when omitted.
    scores : ScoreTable, optional
        Scores to carry along.
    season : str
        ``latest`` of each program, so that players who have left are not shown; ``all``; or the
        name of a season.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When `next_attempts` is below one, or nobody played in `season`.
    """
    require_passed(posterior.diagnostics)
    counts = count_cells(posterior)
    labels = pd.DataFrame(
        {
            "unit": posterior.units,
            "player": counts.players,
            "program": counts.programs,
            "season": counts.seasons,
            "attempts_game": counts.game_n,
            "attempts_practice": counts.practice_n.sum(axis=1),
        }
    )
    shown = in_season(labels, season)
    rates = game_mix(posterior).rates(posterior.theta[:, shown, -1])
    chosen = posterior.provenance.seed if seed is None else seed
    table = _summarise(labels[shown].reset_index(drop=True), rates, next_attempts, prob, chosen)
    text = _write_forecast(table) + _conditions(posterior)
    if not shown.all():
        text += f" Player-seasons that are not shown: {int((~shown).sum())}."
    if scores is not None:
        text += f" {scores.text}"
    return Forecast(table, rates, text, posterior.provenance, scores)


def _write_forecast(table: pd.DataFrame) -> str:
    """Sentences on the range of the forecasts and on what cannot be ranked."""
    middle = float(table["mean"].mean())
    inside = int(((table["low"] <= middle) & (middle <= table["high"])).sum())
    width = float((table["high"] - table["low"]).median())
    prob = f"{100 * float(table['prob'].iloc[0]):.0f}%"
    return (
        f"Expected game make rates of {len(table)} player-seasons run from "
        f"{100 * table['mean'].min():.0f}% to {100 * table['mean'].max():.0f}%; the typical {prob} "
        f"equal-tailed interval of an expected rate is {100 * width:.0f} points wide. "
        f"{inside} of {len(table)} intervals hold the average of {100 * middle:.0f}%: those "
        "players cannot be told apart from the average, so do not rank them. Based on "
        f"{int(table['attempts_game'].sum()):,} game and "
        f"{int(table['attempts_practice'].sum()):,} practice attempts of theirs."
    )


@kinds_checked
def forecast_next_season(
    posterior: TransferPosterior,
    prob: float = 0.90,
    next_attempts: int = 50,
    seed: int | None = None,
) -> Forecast:
    """Forecast the season to come of every player of his program's latest season.

    What stays of a player is estimated where players have several seasons, and taken from its
    prior elsewhere; what is new in the season, to him and to his program, is in the interval.

    Parameters
    ----------
    posterior : TransferPosterior
    prob : float
        Probability of every interval.
    next_attempts : int
        Game attempts of the count to come.
    seed : int, optional
        Seed; that of the fit when omitted.

    Returns
    -------
    Forecast
        ``season`` is the latest of the player, ``attempts_game`` and ``attempts_practice`` those
        of all his seasons.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When `next_attempts` is below one.
    """
    chosen = posterior.provenance.seed if seed is None else seed
    ahead = next_season(posterior, chosen)
    counts = count_cells(posterior)
    seen = pd.DataFrame(
        {
            "program": counts.programs,
            "player": counts.players,
            "attempts_game": counts.game_n,
            "attempts_practice": counts.practice_n.sum(axis=1),
        }
    )
    labels = pd.DataFrame(
        {"player": ahead.players, "program": ahead.programs, "season": ahead.last}
    ).merge(seen.groupby(["program", "player"], as_index=False).sum(), how="left")
    labels.insert(0, "unit", labels["program"] + "/" + labels["player"] + "/next")
    shown = in_season(labels)
    rates = game_mix(posterior).rates(ahead.theta[:, shown, -1])
    table = _summarise(labels[shown].reset_index(drop=True), rates, next_attempts, prob, chosen)
    known = (
        "How much of a player stays from season to season is estimated from these records."
        if ahead.persistence_seen
        else "Nobody has two seasons in these records: how much of a player stays is the starting "
        "assumption alone."
    )
    text = f"The season after the latest one. {_write_forecast(table)}{_conditions(posterior)}"
    return Forecast(table, rates, f"{text} {known}", posterior.provenance)


def _check_practice(
    posterior: TransferPosterior, practice: Mapping[str, tuple[int, int]]
) -> tuple[np.ndarray, np.ndarray]:
    """Attempts and makes of a new player in the order of the settings."""
    n, y = np.zeros(len(posterior.settings)), np.zeros(len(posterior.settings))
    for setting, (attempts, makes) in practice.items():
        if setting not in posterior.settings:
            raise ArgumentError(
                f"practice setting {setting!r} is not in the posterior",
                rule=f"one of {', '.join(posterior.settings)}",
                next_step="name practice settings of the fit",
            )
        if not 0 <= makes <= attempts:
            raise ArgumentError(
                f"practice {setting!r} has {makes} makes of {attempts} attempts",
                rule="0 <= makes <= attempts",
                next_step="pass (attempts, makes)",
            )
        k = posterior.settings.index(setting)
        n[k], y[k] = attempts, makes
    return n, y


@kinds_checked
def forecast_unseen(
    posterior: TransferPosterior,
    practice: Mapping[str, tuple[int, int]] | None = None,
    program: str | None = None,
    player: str = "new player",
    prob: float = 0.90,
    next_attempts: int = 50,
    seed: int | None = None,
) -> Forecast:
    """Forecast a player without games, with or without practice counts.

    With counts, the practice rates are drawn from their posterior by importance sampling from the
    Normal at its mode in each population draw, and the game rate from the conditional Normal. An
    unknown program adds the spread between programs where the model has it, and a new season that
    of seasons. The rate is averaged
    over the charted game conditions.

    Parameters
    ----------
    posterior : TransferPosterior
    practice : mapping of setting to (attempts, makes), optional
        His practice counts.
    program : str, optional
        His program, if it was in the fit.
    player : str
        Code of the player for the table.
    prob : float
        Probability of every interval.
    next_attempts : int
        Game attempts of the count to come.
    seed : int, optional
        Seed; that of the fit when omitted.

    Returns
    -------
    Forecast
        With one row.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When a setting or program is unknown or makes exceed attempts.
    """
    require_passed(posterior.diagnostics)
    chosen = posterior.provenance.seed if seed is None else seed
    rng = np.random.default_rng(chosen)
    population = overall_population(posterior)
    n, y = _check_practice(posterior, practice or {})
    mu = population.mu
    if program is not None:
        mu = mu + program_effects(posterior, (program,))[:, 0]
    sigma = population.tau[:, :, None] * population.omega * population.tau[:, None, :]
    sigma = sigma + new_squad_spread(posterior, program)[:, :, None] * np.eye(mu.shape[1])
    inner, to_game = sigma[:, :-1, :-1], sigma[:, :-1, -1]
    theta, log_ratios = condition_on_practice(mu[:, :-1], inner, n, y, rng)
    khat = 0.0
    if n.sum() > 0:
        smoothed, tail = smooth_log_weights(log_ratios[:, None])
        log_ratios, khat = smoothed[:, 0], float(tail[0])
    weights = np.linalg.solve(inner, to_game[..., None])[..., 0]
    mean = mu[:, -1] + np.einsum("dk,dk->d", weights, theta - mu[:, :-1])
    variance = sigma[:, -1, -1] - np.einsum("dk,dk->d", weights, to_game)
    pick = systematic_resample(log_ratios, posterior.draws, rng)
    noise = np.sqrt(np.maximum(variance[pick], 0.0)) * rng.standard_normal(pick.size)
    rates = game_mix(posterior).rates((mean[pick] + noise)[:, None], pick)
    labels = pd.DataFrame(
        {
            "unit": [player],
            "player": [player],
            "program": [program],
            "season": [None],
            "attempts_game": [0],
            "attempts_practice": [int(n.sum())],
        }
    )
    table = _summarise(labels, rates, next_attempts, prob, chosen)
    text = _write_unseen(table.iloc[0], khat) + _conditions(posterior)
    return Forecast(table, rates, text, posterior.provenance)


def _write_unseen(row: pd.Series, khat: float) -> str:
    """Sentence on a player without games."""
    known = (
        f"{row['attempts_practice']:,} practice attempts and no games"
        if row["attempts_practice"]
        else "no practice and no games"
    )
    text = (
        f"{row['player']}, known by {known}: expected game make rate {100 * row['mean']:.0f}% "
        f"({100 * row['prob']:.0f}% equal-tailed interval of the expected rate "
        f"{100 * row['low']:.0f}% to {100 * row['high']:.0f}%); of the next {row['next_attempts']} "
        f"game attempts, {row['makes_low']} to {row['makes_high']} makes are to be expected (count "
        "to come, same probability)."
    )
    if not khat <= KHAT_LIMIT:
        text += (
            " Not to be quoted: these practice counts lie too far from the fitted players (k-hat "
            f"{khat:.2f}, above {KHAT_LIMIT}); fit again with them."
        )
    return text
