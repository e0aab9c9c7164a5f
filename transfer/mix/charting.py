"""What to chart next: attempts of which setting tell most about which player's game shooting.

Gaussian approximation on the logit scale: n attempts at make rate p carry information
``n p (1 - p)`` about a player's true logit rate. Given the population's spread and correlations,
a player's rates in all settings and in games are jointly normal, and one more block of attempts
is a rank-one update. The reduction is averaged over posterior draws of the population.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import special

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.models.alignment import count_cells, require_passed
from transfer.models.posterior import TransferPosterior
from transfer.provenance import Provenance
from transfer.records.cells import GAME
from transfer.results import Estimates, Result

__all__ = ["ChartingPlan", "chart_next"]

#: Posterior draws used; the average over more changes the third digit (own simulation).
_DRAWS = 200
#: Share of the forecast variance below which the text calls a block's worth little (judgement, no
#: source).
LITTLE = 0.05


@dataclass(frozen=True)
class ChartingPlan(Result):
    """Worth of further charted attempts.

    Parameters
    ----------
    table : DataFrame
        One row per player, setting and number of attempts: ``unit``, ``player``, ``setting``,
        ``attempts``, ``sd_now``, ``sd_after`` (true game make rate, points), ``variance_cut``
        (share of the forecast variance on the logit scale), ``cut_per_attempt``, and, where a
        rate was given, ``minutes`` and ``cut_per_minute``. Best first.
    provenance : Provenance
    """

    _estimates = Estimates("variance_cut")

    table: pd.DataFrame
    provenance: Provenance

    @property
    def best(self) -> pd.DataFrame:
        """The most telling setting of each player, for the largest block; best player first.

        By minute where rates were given, else by attempt. Settings without a rate (games) are
        left out where others have one.
        """
        rows = self.table[self.table["attempts"] == self.table["attempts"].max()]
        by = "cut_per_minute" if rows["cut_per_minute"].notna().any() else "cut_per_attempt"
        rows = rows[rows[by].notna()].sort_values(by, ascending=False, kind="stable")
        return rows.drop_duplicates("unit").reset_index(drop=True)

    @property
    def text(self) -> str:
        """The most telling block of attempts, in words, and whether it tells much at all."""
        row = self.best.iloc[0]
        time = "" if np.isnan(row["minutes"]) else f" (about {row['minutes']:.0f} minutes)"
        what = "game attempts" if row["setting"] == GAME else f"attempts of {row['setting']}"
        told = (
            f"{row['attempts']:.0f} more {what} of {row['player']}{time} tell most: the standard "
            f"deviation of the expected game rate goes from {row['sd_now']:.2f} to "
            f"{row['sd_after']:.2f} points ({100 * row['variance_cut']:.0f}% of the variance)."
        )
        if row["variance_cut"] < LITTLE:
            told += " That is little: what is charted already tells most of what practice can tell."
        return told

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {"table": self.table, "text": self.text, "provenance": self.provenance.to_dict()}


@kinds_checked
def chart_next(
    posterior: TransferPosterior,
    attempts: tuple[int, ...] = (10, 25, 50),
    per_minute: Mapping[str, float] | None = None,
) -> ChartingPlan:
    """Rank blocks of further attempts by what they tell about game shooting.

    Parameters
    ----------
    posterior : TransferPosterior
    attempts : tuple of int
        Sizes of the block of further attempts.
    per_minute : mapping of str to float, optional
        Attempts per player-minute by setting, for the worth of a minute.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When a block is not positive.
    """
    require_passed(posterior.diagnostics)
    if not attempts or min(attempts) <= 0:
        raise ArgumentError(
            f"attempts={attempts!r}",
            rule="at least one block, each of one attempt or more",
            next_step="pass e.g. attempts=(10, 25, 50)",
        )
    names = (*posterior.settings, GAME)
    counts = count_cells(posterior)
    n = np.column_stack([counts.practice_n, counts.game_n]).astype(float)
    p = special.expit(posterior.theta).mean(axis=0)
    before, cut = _reductions(posterior, n, p, np.asarray(attempts, dtype=float))
    table = _long(
        posterior.units, counts.players, names, attempts, p[:, -1], before, cut, per_minute or {}
    )
    return ChartingPlan(table, posterior.provenance)


def _reductions(
    posterior: TransferPosterior, n: np.ndarray, p: np.ndarray, blocks: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Game variance now, shape (P,), and its cut, shape (P, K + 1, B)."""
    population = posterior.population
    every = max(1, posterior.draws // _DRAWS)
    tau, omega = population.tau[::every], population.omega[::every]
    sigma = omega * tau[:, :, None] * tau[:, None, :]
    information = n * p * (1.0 - p)
    eye = np.eye(sigma.shape[1])
    precision = np.linalg.inv(sigma)[:, None] + information[None, :, :, None] * eye
    covariance = np.linalg.inv(precision)
    with_game = covariance[:, :, :, -1]
    own = np.einsum("dpkk->dpk", covariance)
    w = (p * (1.0 - p))[:, :, None] * blocks
    cut = with_game[..., None] ** 2 * w / (1.0 + w * own[..., None])
    return covariance[:, :, -1, -1].mean(axis=0), cut.mean(axis=0)


def _long(
    units: tuple[str, ...],
    players: tuple[str, ...],
    names: tuple[str, ...],
    attempts: tuple[int, ...],
    game_rate: np.ndarray,
    before: np.ndarray,
    cut: np.ndarray,
    per_minute: Mapping[str, float],
) -> pd.DataFrame:
    P, K, B = cut.shape
    block = np.tile(np.asarray(attempts), P * K)
    rate = np.repeat(np.tile([per_minute.get(name, np.nan) for name in names], P), B)
    slope = np.repeat(100.0 * game_rate * (1.0 - game_rate), K * B)
    now = np.repeat(before, K * B)
    share = cut.ravel() / now
    table = pd.DataFrame(
        {
            "unit": np.repeat(units, K * B),
            "player": np.repeat(players, K * B),
            "setting": np.tile(np.repeat(names, B), P),
            "attempts": block,
            "sd_now": slope * np.sqrt(now),
            "sd_after": slope * np.sqrt(now - cut.ravel()),
            "variance_cut": share,
            "cut_per_attempt": share / block,
            "minutes": block / rate,
            "cut_per_minute": share * rate / block,
        }
    )
    return table.sort_values(
        ["variance_cut", "unit", "setting"], ascending=[False, True, True], ignore_index=True
    )
