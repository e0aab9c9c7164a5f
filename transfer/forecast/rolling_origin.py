"""Rolling origin: forecast from the games before a date, score on the games from that date on."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.forecast.game_only import fit_game_only
from transfer.forecast.leave_out import leave_player_out_weights, practice_only_forecast
from transfer.forecast.scoring import (
    HeldOut,
    RateForecast,
    ScoreTable,
    pooled_forecast,
    raw_forecast,
    score_forecasts,
)
from transfer.models.alignment import count_cells, game_mix, require_passed
from transfer.models.posterior import TransferPosterior
from transfer.records.cells import GAME, Cells

__all__ = [
    "RollingSplit",
    "five_forecasts",
    "held_out_games",
    "rolling_origin_split",
    "score_rolling_origin",
]


@dataclass(frozen=True)
class RollingSplit:
    """Game records before and after a cut.

    Parameters
    ----------
    early, late : DataFrame
        Rows of the game records.
    cuts : dict of str to date
        First held-out date by season (and program, where the records carry it).
    counts : DataFrame
        Late attempts ``n`` and makes ``y`` by player, program and season as far as recorded.
    """

    early: pd.DataFrame
    late: pd.DataFrame
    cuts: dict[str, dt.date]
    counts: pd.DataFrame


def _cut_date(attempts: pd.Series, when: pd.Series, fraction: float) -> pd.Timestamp:
    """First date with at least `fraction` of the attempts before it, else the last date."""
    by_date = attempts.groupby(when).sum().sort_index()
    before = (by_date.cumsum().shift(fill_value=0) / by_date.sum()).to_numpy()
    enough = np.flatnonzero(before >= fraction)
    return pd.Timestamp(by_date.index[enough[0] if enough.size else -1])


def rolling_origin_split(
    games: pd.DataFrame, fraction: float | None = 0.7, date: dt.date | str | None = None
) -> RollingSplit:
    """Split game records by date: forecast from the early part, score on the late part.

    Parameters
    ----------
    games : DataFrame
        Game records with ``date``, ``player``, ``attempts``, ``makes`` and optionally
        ``program`` and ``season``.
    fraction : float, optional
        Share of the attempts of each season (and program) that shall lie before the cut; whole
        dates stay together. Ignored when `date` is given.
    date : date or str, optional
        First date that is held out.

    Raises
    ------
    ArgumentError
        When a column is missing, the fraction is outside 0 to 1, or a part would be empty.
    """
    lacking = [c for c in ("date", "player", "attempts", "makes") if c not in games]
    if lacking:
        raise ArgumentError(
            f"games lacks the columns {lacking}",
            rule="date, player, attempts and makes are needed",
            next_step="pass the canonical game records",
        )
    if date is None and (fraction is None or not 0.0 < fraction < 1.0):
        raise ArgumentError(
            f"fraction={fraction!r} does not split anything",
            rule="0 < fraction < 1",
            next_step="pass e.g. fraction=0.7, or a date",
        )
    when = pd.to_datetime(games["date"])
    keys = [key for key in ("program", "season") if key in games]
    group = (
        games[keys].astype(str).agg(" ".join, axis=1)
        if keys
        else pd.Series("all", index=games.index)
    )
    cuts: dict[str, dt.date] = {}
    for name, rows in games.groupby(group):
        if date is not None:
            cut = pd.Timestamp(date)
        else:
            cut = _cut_date(rows["attempts"], when.loc[rows.index], float(fraction or 0.0))
        cuts[str(name)] = cut.date()
    late = when >= pd.to_datetime(group.map(cuts))
    if late.all() or not late.any():
        raise ArgumentError(
            f"{int(late.sum())} of {len(games)} game rows lie on or after the cut",
            rule="both parts of the split hold games",
            next_step="choose another date or fraction",
        )
    counts = (
        games[late]
        .groupby([*(["unit"] if "unit" in games else []), *keys, "player"], as_index=False)[
            ["attempts", "makes"]
        ]
        .sum()
        .rename(columns={"attempts": "n", "makes": "y"})
    )
    return RollingSplit(games[~late].copy(), games[late].copy(), cuts, counts)


def held_out_games(cells: Cells) -> HeldOut:
    """Game counts by player-season of cells made from the late games.

    Parameters
    ----------
    cells : Cells
    """
    games = cells.table[cells.table["setting"] == GAME].groupby("unit", sort=True)[["n", "y"]].sum()
    who = cells.table.drop_duplicates("unit").set_index("unit").loc[games.index].astype(str)
    return HeldOut(
        tuple(games.index.astype(str)),
        games["n"].to_numpy(dtype=np.int64),
        games["y"].to_numpy(dtype=np.int64),
        tuple(who["program"] + "/" + who["player"]),
    )


def five_forecasts(
    posterior: TransferPosterior,
    seed: int | None = None,
    games: TransferPosterior | None = None,
) -> list[RateForecast]:
    """The five forecasts from one fit to the early records; three where no practice was charted.

    ``raw`` is each player's own average; ``pooled`` one rate for all; ``game_only`` the model
    without practice; ``practice_only`` the player's practice, own games left out (importance
    weights); ``both`` the transfer model with everything.

    Parameters
    ----------
    posterior : TransferPosterior
        Fitted to practice and games before the cut.
    seed : int, optional
        Seed; that of the fit when omitted.
    games : TransferPosterior, optional
        The same games fitted without practice; `fit_game_only` when omitted, some seconds.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    counts = count_cells(posterior)
    chosen = posterior.provenance.seed if seed is None else seed
    units, n, y = posterior.units, counts.game_n, counts.game_y
    simple = [raw_forecast(units, n, y), pooled_forecast(units, n, y)]
    fitted = game_mix(posterior).rates(posterior.theta[:, :, -1])
    if not posterior.settings:
        return [*simple, RateForecast("game_only", units, fitted)]
    alone = fit_game_only(posterior) if games is None else games
    return [
        *simple,
        RateForecast("game_only", units, game_mix(alone).rates(alone.theta[:, :, -1])),
        practice_only_forecast(leave_player_out_weights(posterior), chosen),
        RateForecast("both", units, fitted),
    ]


@kinds_checked
def score_rolling_origin(
    posterior: TransferPosterior,
    held_out: HeldOut,
    seed: int | None = None,
    games: TransferPosterior | None = None,
) -> ScoreTable:
    """Score the five forecasts on the late games.

    Parameters
    ----------
    posterior : TransferPosterior
        Fitted to practice and games before the cut.
    held_out : HeldOut
        Late games; players without any early record are left out and counted in the text.
    seed : int, optional
        Seed; that of the fit when omitted.
    games : TransferPosterior, optional
        The same games fitted without practice, see `five_forecasts`.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When no held-out player has early records.
    """
    known = np.isin(np.asarray(held_out.units), np.asarray(posterior.units))
    scheme = "games after the cut"
    if not known.all():
        scheme += f"; {int((~known).sum())} player-seasons without earlier records left out"
    return score_forecasts(held_out.where(known), five_forecasts(posterior, seed, games), scheme)
