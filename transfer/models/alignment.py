"""The counts of a fit along the axes of its draws: totals, offsets and player deviations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import ArgumentError, DiagnosticsError
from transfer.models.posterior import Diagnostics, TransferPosterior
from transfer.models.roles import role_shifts
from transfer.models.transfer_design import REFERENCE_DISTANCE_FT
from transfer.records.cells import GAME

__all__ = [
    "Counts",
    "GameMix",
    "count_cells",
    "deviations",
    "game_mix",
    "game_offsets",
    "new_squad_spread",
    "program_effects",
    "require_passed",
    "season_effects",
    "squad_means",
]

#: How a blank contest of a game cell is written.
_NO_CONTEST = ("", "nan", "None", "<NA>", "not_charted")


@dataclass(frozen=True)
class Counts:
    """Attempts and makes in the order of the posterior's axes.

    Parameters
    ----------
    players, programs, seasons : tuple of str
        Labels of the P player-seasons.
    practice_n, practice_y : array, shape (P, K)
        Practice attempts and makes.
    game_n, game_y : array, shape (P,)
        Game attempts and makes, all game cells of a player summed.
    """

    players: tuple[str, ...]
    programs: tuple[str, ...]
    seasons: tuple[str, ...]
    practice_n: np.ndarray
    practice_y: np.ndarray
    game_n: np.ndarray
    game_y: np.ndarray


@dataclass(frozen=True)
class GameMix:
    """Conditions of the charted game attempts, over which game rates are averaged.

    Parameters
    ----------
    share : array, shape (L,)
        Share of the game attempts in each condition.
    offset : array, shape (D or 1, L)
        Logit that the condition adds.
    """

    share: np.ndarray
    offset: np.ndarray

    def rates(self, logit: np.ndarray, draws: np.ndarray | None = None) -> np.ndarray:
        """Make rates of game logits (first axis draws), averaged over the conditions.

        Parameters
        ----------
        logit : array, shape (D, ...)
            Game logits at the reference distance and contest.
        draws : array of int, shape (D,), optional
            Posterior draw behind each row of `logit`; the rows in order when omitted.

        Returns
        -------
        array, same shape
        """
        offset = self.offset if draws is None or len(self.offset) == 1 else self.offset[draws]
        spread = offset.reshape(offset.shape[0], *(1,) * (logit.ndim - 1), offset.shape[1])
        total = np.zeros(logit.shape)
        for level, share in enumerate(self.share):
            total += share * expit(logit + spread[..., level])
        return total


def require_passed(diagnostics: Diagnostics) -> None:
    """Refuse to conclude from a fit that failed its diagnostics.

    Parameters
    ----------
    diagnostics : Diagnostics

    Raises
    ------
    DiagnosticsError
        When the gate was not passed; names every failed rule.
    """
    if diagnostics.passed:
        return
    why = "; ".join(diagnostics.failures) or (
        f"R-hat up to {diagnostics.rhat_max:.3f}, bulk ESS down to "
        f"{diagnostics.ess_bulk_min:.0f}, tail ESS down to {diagnostics.ess_tail_min:.0f}, "
        f"{diagnostics.divergences} divergences"
    )
    raise DiagnosticsError(
        f"the fit did not pass its diagnostics: {why}",
        rule="no estimate and no verdict without R-hat < 1.01, ESS > 400 and no divergences",
        next_step="fit again with more draws, or with fewer settings",
    )


def count_cells(posterior: TransferPosterior) -> Counts:
    """Attempts and makes that were fitted, by unit and setting in the order of the posterior.

    A setting in which a player has no attempt counts zero; splits by contest or defender are
    summed.

    Parameters
    ----------
    posterior : TransferPosterior
    """
    table = posterior.cells.table
    columns = [*posterior.settings, GAME]
    grids = {
        key: table.pivot_table(
            index="unit", columns="setting", values=key, aggfunc="sum", fill_value=0
        ).reindex(index=list(posterior.units), columns=columns, fill_value=0)
        for key in ("n", "y")
    }
    names = table.drop_duplicates("unit").set_index("unit").loc[list(posterior.units)]
    n, y = (grids[key].to_numpy(dtype=np.int64) for key in ("n", "y"))
    return Counts(
        players=tuple(names["player"].astype(str)),
        programs=tuple(names["program"].astype(str)),
        seasons=tuple(names["season"].astype(str)),
        practice_n=n[:, :-1],
        practice_y=y[:, :-1],
        game_n=n[:, -1],
        game_y=y[:, -1],
    )


def program_effects(posterior: TransferPosterior, programs: tuple[str, ...]) -> np.ndarray:
    """Program effect of each player, shape (D or 1, P, K + 1); zeros without the term.

    Raises
    ------
    ArgumentError
        When a program has no effect in the posterior.
    """
    width = len(posterior.settings) + 1
    effect = posterior.terms.get("program_effect")
    if effect is None:
        return np.zeros((1, len(programs), width))
    labels = posterior.labels.get("programs", ())
    return np.asarray(effect[:, _positions(programs, labels, "program"), :])


def _positions(names: tuple[str, ...], labels: tuple[str, ...], what: str) -> np.ndarray:
    """Position of each name among the labels; an unknown name is an error."""
    place = {str(label): i for i, label in enumerate(labels)}
    unknown = sorted({name for name in names if name not in place})
    if unknown:
        raise ArgumentError(
            f"{what} {unknown[:5]} is not in the posterior, which knows {list(place)[:8]}",
            rule=f"every {what} of the cells must have been in the fit",
            next_step="pass the cells that went into the fit",
        )
    return np.array([place[name] for name in names], dtype=int)


def season_effects(
    posterior: TransferPosterior, programs: tuple[str, ...], seasons: tuple[str, ...]
) -> np.ndarray:
    """Effect of each player's program-season, shape (D or 1, P, K + 1); zeros without the term.

    Raises
    ------
    ArgumentError
        When a program-season has no effect in the posterior.
    """
    effect = posterior.terms.get("season_effect")
    if effect is None:
        return np.zeros((1, len(programs), len(posterior.settings) + 1))
    names = tuple(f"{g}/{s}" for g, s in zip(programs, seasons, strict=True))
    labels = posterior.labels.get("seasons", ())
    return np.asarray(effect[:, _positions(names, labels, "season"), :])


def squad_means(posterior: TransferPosterior) -> np.ndarray:
    """Mean logit of players of the same program, season and role, shape (D, P, K + 1)."""
    counts = count_cells(posterior)
    effects = program_effects(posterior, counts.programs)
    effects = effects + season_effects(posterior, counts.programs, counts.seasons)
    mean: np.ndarray = posterior.population.mu[:, None, :] + effects + role_shifts(posterior)
    return mean


def new_squad_spread(posterior: TransferPosterior, program: str | None) -> np.ndarray:
    """Variance of the mean logits of a squad that was not fitted, shape (D or 1, K + 1).

    Parameters
    ----------
    posterior : TransferPosterior
    program : str or None
        Its program; then only the season is new. None for a program that was not fitted.
    """
    names = ["season_sd"] if program is not None else ["season_sd", "program_sd"]
    total = np.zeros((1, len(posterior.settings) + 1))
    for name in names:
        if name in posterior.terms:
            sd = np.asarray(posterior.terms[name], dtype=float)
            total = total + (sd[:, None] if sd.ndim == 1 else sd) ** 2
    return total


def deviations(posterior: TransferPosterior) -> np.ndarray:
    """Each player's deviation from the mean of his squad, shape (D, P, K + 1), logit."""
    return np.asarray(posterior.theta - squad_means(posterior))


def game_offsets(posterior: TransferPosterior) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Game cells of every player, padded, with the logit that distance and contest add.

    Parameters
    ----------
    posterior : TransferPosterior

    Returns
    -------
    n, y : array, shape (P, R)
        As they entered the fit. R is the largest number of game cells of a player; padding has no
        attempts.
    offset : array, shape (D or 1, P, R)
        Logit added in each cell by the optional terms of the model; zeros without them.
    """
    table = posterior.cells.table
    games = table[table["setting"] == GAME].reset_index(drop=True)
    row_of = _positions(tuple(games["unit"].astype(str)), posterior.units, "unit")
    slot = games.groupby("unit").cumcount().to_numpy()
    shape = (len(posterior.units), int(slot.max(initial=0)) + 1)
    n, y = np.zeros(shape), np.zeros(shape)
    worth = posterior.design_effects.get(GAME, 1.0)
    n[row_of, slot] = games["n"].to_numpy(dtype=float) / worth
    y[row_of, slot] = games["y"].to_numpy(dtype=float) / worth
    extra = _cell_offsets(posterior, games)
    offset = np.zeros((extra.shape[0], *shape))
    offset[:, row_of, slot] = extra
    return n, y, offset


def game_mix(posterior: TransferPosterior) -> GameMix:
    """Conditions of all charted game attempts together.

    Without distance and contest terms there is one condition, the reference. With them, a rate "in
    games" is the average over the contest levels as they occurred, each at its mean distance, the
    same for all players.

    Parameters
    ----------
    posterior : TransferPosterior
    """
    table = posterior.cells.table
    games = table[(table["setting"] == GAME) & (table["n"] > 0)]
    terms = {"beta_distance", "beta_contest"} & set(posterior.terms)
    if not terms or games.empty:
        return GameMix(np.ones(1), np.zeros((1, 1)))
    rows = pd.DataFrame({"n": games["n"].to_numpy(dtype=float)})
    rows["contest"] = games["contest"].astype(str).to_numpy() if "contest" in games else ""
    if "distance_ft" in games:
        distance = games["distance_ft"].astype(float).fillna(REFERENCE_DISTANCE_FT).to_numpy()
        rows["reach"] = rows["n"] * distance
    by_level = rows.groupby("contest", as_index=False).sum()
    if "distance_ft" in games:
        by_level["distance_ft"] = by_level["reach"] / by_level["n"]
    if "contest" not in games:
        by_level = by_level.drop(columns="contest")
    share = by_level["n"].to_numpy(dtype=float)
    return GameMix(share / share.sum(), _cell_offsets(posterior, by_level))


def _cell_offsets(posterior: TransferPosterior, games: pd.DataFrame) -> np.ndarray:
    """Logit that the optional terms add to each game row, shape (D or 1, rows)."""
    offset = np.zeros((1, len(games)))
    slope = posterior.terms.get("beta_distance")
    if slope is not None and "distance_ft" in games:
        distance = games["distance_ft"].astype(float).fillna(REFERENCE_DISTANCE_FT).to_numpy()
        offset = offset + slope[:, -1:] * (distance - REFERENCE_DISTANCE_FT)
    contest = posterior.terms.get("beta_contest")
    if contest is not None and "contest" in games:
        levels = games["contest"].astype(str)
        # As in the model: a game attempt without a charted contest stands at the reference level.
        known = ~levels.isin(_NO_CONTEST).to_numpy()
        labels = posterior.labels.get("contests", ())
        added = np.zeros((contest.shape[0], len(games)))
        added[:, known] = contest[:, _positions(tuple(levels[known]), labels, "contest level")]
        offset = offset + added
    return offset
