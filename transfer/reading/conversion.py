"""Conversion table: a practice make rate, and the game make rate that goes with it.

Per population draw, the player's true practice rate given r n makes in n attempts is a 1-D
logit-normal posterior, drawn by inverting a tabulated density; its normalising integral (adaptive
Gauss-Hermite) weights the population draw, as the observation is evidence about the population as
well. The game logit given the practice logit is Normal (Gaussian conditioning). So the binomial
noise of the practice rate, regression to the mean, and the doubt about the correlation are all in
the interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.models.alignment import (
    GameMix,
    count_cells,
    game_mix,
    new_squad_spread,
    program_effects,
    require_passed,
)
from transfer.models.integrate import draw_logit, log_marginal
from transfer.models.posterior import TransferPosterior
from transfer.models.psis import smooth_log_weights
from transfer.models.resampling import systematic_resample
from transfer.models.roles import overall_population
from transfer.provenance import Provenance
from transfer.results import Result

__all__ = ["Conversion", "conversion_table", "convert_rate"]


@dataclass(frozen=True)
class Conversion(Result):
    """Practice make rates and the game make rates that go with them.

    Parameters
    ----------
    table : DataFrame
        One row per setting and practice rate: ``setting``, ``mode``, ``practice_rate``,
        ``attempts``, ``game_mean``, ``game_low``, ``game_high`` (expected rate), ``next_attempts``,
        ``makes_low``, ``makes_high`` (count to come), ``prob``, ``kind``, ``khat`` (tail of the
        evidence weights; above 0.7 the row cannot be trusted).
    draws : dict
        (setting, practice rate) -> draws of the game make rate, shape (D,).
    text : str
    provenance : Provenance
    """

    _figure = "transfer.reading.figure_conversion"

    table: pd.DataFrame
    draws: dict[tuple[str, float], np.ndarray]
    text: str
    provenance: Provenance

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "conversion": self.table.to_dict(orient="records"),
            "game_rate_holds": "expected rate",
            "makes_hold": "count to come",
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def convert_rate(
    posterior: TransferPosterior,
    setting: str,
    rate: float,
    attempts: float,
    rng: np.random.Generator,
    program: str | None = None,
    mix: GameMix | None = None,
) -> tuple[np.ndarray, float]:
    """Draws of the game make rate of a new player with one practice rate.

    Parameters
    ----------
    posterior : TransferPosterior
    setting : str
        Practice setting.
    rate : float
        Practice make rate, 0 to 1.
    attempts : float
        Practice attempts behind the rate; more than zero.
    rng : Generator
    program : str, optional
        Program whose effect is used; the average program when omitted.
    mix : GameMix, optional
        Conditions of the game attempts; the reference distance and contest when omitted.

    Returns
    -------
    draws : array, shape (D,)
        Game make rates, equally weighted.
    khat : float
        Tail shape of the evidence weights.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When the setting is unknown, the rate is outside 0 to 1, or there are no attempts.
    """
    require_passed(posterior.diagnostics)
    if setting not in posterior.settings:
        raise ArgumentError(
            f"setting={setting!r} is not in the posterior",
            rule=f"one of {', '.join(posterior.settings)}",
            next_step="name a practice setting of the fit",
        )
    if not 0.0 <= rate <= 1.0 or not attempts > 0:
        raise ArgumentError(
            f"rate={rate!r} from attempts={attempts!r} is no make rate",
            rule="0 <= rate <= 1 and attempts > 0",
            next_step="pass the rate as a share, e.g. 0.55, with its attempts",
        )
    k = posterior.index(setting)
    population = overall_population(posterior)
    shift = np.zeros((1, len(posterior.settings) + 1))
    if program is not None:
        shift = program_effects(posterior, (program,))[:, 0]
    mean_practice = population.mu[:, k] + shift[:, k]
    mean_game = population.mu[:, -1] + shift[:, -1]
    # A squad that was not fitted differs from the mean by chance of its own in both places.
    squad = new_squad_spread(posterior, program)
    tau = np.sqrt(population.tau[:, k] ** 2 + squad[:, k])
    tau_game = np.sqrt(population.tau[:, -1] ** 2 + squad[:, -1])
    shared = population.tau[:, k] * population.tau[:, -1] * population.omega[:, k, -1]
    rho = shared / (tau * tau_game)
    makes = np.asarray(rate * attempts)
    log_weights = log_marginal(mean_practice, tau, np.asarray(attempts), makes)
    smoothed, khat = smooth_log_weights(log_weights[:, None])
    pick = systematic_resample(smoothed[:, 0], posterior.draws, rng)
    practice = draw_logit(mean_practice[pick], tau[pick], np.asarray(attempts), makes, rng)
    standard = (practice - mean_practice[pick]) / tau[pick]
    spread = np.sqrt(np.maximum(1 - rho[pick] ** 2, 0.0)) * rng.standard_normal(pick.size)
    game = mean_game[pick] + tau_game[pick] * (rho[pick] * standard + spread)
    rates = expit(game) if mix is None else mix.rates(game, pick)
    return rates, float(khat[0])


def usual_rates(posterior: TransferPosterior, setting: str) -> tuple[float, ...]:
    """Multiples of 5 % within two player standard deviations of the setting's mean rate."""
    k = posterior.index(setting)
    mu = float(posterior.population.mu[:, k].mean())
    tau = float(posterior.population.tau[:, k].mean())
    low, high = expit(mu - 2 * tau), expit(mu + 2 * tau)
    steps = np.arange(np.floor(20 * low), np.ceil(20 * high) + 1) / 20
    return tuple(float(round(step, 2)) for step in steps if 0.0 < step < 1.0)


@kinds_checked
def conversion_table(
    posterior: TransferPosterior,
    rates: tuple[float, ...] | None = None,
    attempts: int | None = None,
    next_attempts: int = 50,
    prob: float = 0.90,
    program: str | None = None,
    seed: int | None = None,
) -> Conversion:
    """Game make rates that go with practice make rates, for every practice setting.

    Parameters
    ----------
    posterior : TransferPosterior
    rates : tuple of float, optional
        Practice make rates; by default the multiples of 5 % within two player standard deviations
        of each setting's mean.
    attempts : int, optional
        Practice attempts behind each rate; by default the median player's in that setting.
    next_attempts : int
        Game attempts of the count to come.
    prob : float
        Probability of every interval.
    program : str, optional
        Program whose effect is used; the average program when omitted.
    seed : int, optional
        Seed; that of the fit when omitted.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When a rate is outside 0 to 1.
    """
    require_passed(posterior.diagnostics)
    counts = count_cells(posterior)
    rng = np.random.default_rng(posterior.provenance.seed if seed is None else seed)
    mix = game_mix(posterior)
    tails = [(1 - prob) / 2, (1 + prob) / 2]
    rows, kept = [], {}
    for k, setting in enumerate(posterior.settings):
        shot = counts.practice_n[:, k]
        behind = attempts if attempts is not None else int(np.median(shot[shot > 0]))
        for rate in rates if rates is not None else usual_rates(posterior, setting):
            draws, khat = convert_rate(posterior, setting, rate, behind, rng, program, mix)
            low, high = np.quantile(draws, tails)
            makes = rng.binomial(next_attempts, draws)
            makes_low, makes_high = np.quantile(makes, tails, method="inverted_cdf")
            kept[(setting, float(rate))] = draws
            rows.append(
                {
                    "setting": setting,
                    "mode": posterior.modes[k],
                    "practice_rate": float(rate),
                    "attempts": behind,
                    "game_mean": float(draws.mean()),
                    "game_low": float(low),
                    "game_high": float(high),
                    "next_attempts": next_attempts,
                    "makes_low": int(makes_low),
                    "makes_high": int(makes_high),
                    "prob": prob,
                    "kind": "eti",
                    "khat": khat,
                }
            )
    table = pd.DataFrame(rows)
    return Conversion(table, kept, _write_conversion(table), posterior.provenance)


def _write_conversion(table: pd.DataFrame) -> str:
    """Read out the middle row of the first setting, and say what the two bands hold."""
    first = table[table["setting"] == table["setting"].iloc[0]]
    row = first.iloc[len(first) // 2]
    spread = (first["game_mean"].max() - first["game_mean"].min()) / max(
        first["practice_rate"].max() - first["practice_rate"].min(), 1e-9
    )
    slope = (
        f" Across this setting, 10 points of practice rate go with {10 * spread:.1f} points of "
        "game rate."
        if len(first) > 1
        else ""
    )
    return (
        f"A player who makes {100 * row['practice_rate']:.0f}% of {row['attempts']} "
        f"{row['setting']} attempts is expected to make {100 * row['game_mean']:.0f}% in games in "
        f"the long run ({100 * row['prob']:.0f}% equal-tailed interval of that expected rate "
        f"{100 * row['game_low']:.0f}% to {100 * row['game_high']:.0f}%); of the player's next "
        f"{row['next_attempts']} game attempts, {row['makes_low']} to "
        f"{row['makes_high']} makes are to be expected (count to come, same probability).{slope} "
        "Use the table for a player whose games are not known yet; for the others see their "
        "forecast."
    )
