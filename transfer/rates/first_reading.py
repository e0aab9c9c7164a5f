"""A first reading within a second: rates, spreads and correlations by moments, before any model.

Every setting is looked at by itself, players shrunk toward the setting's mean (empirical Bayes, a
beta distribution by moments), and each practice setting is correlated with games with chance taken
off. Programs, seasons, distance and defenders are not told apart, and the uncertainty of the
spread is not carried along: the transfer model does both and replaces this.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import IdentificationError
from transfer.provenance import Provenance
from transfer.rates.attenuation import true_rate_correlation
from transfer.rates.counts import add_up, percent
from transfer.rates.shrinkage import fit_beta_binomial
from transfer.records.cells import GAME, Cells
from transfer.results import Estimates, Result, plain

__all__ = ["FirstReading", "first_reading"]

#: Bootstrap samples of players behind each interval; enough for the second decimal.
RESAMPLES = 1000
#: Fewest player-seasons whose rates are correlated, as in `transfer.rates.attenuation`.
FEWEST = 4
_NO_CORRELATION = {"correlation": math.nan, "low": math.nan, "high": math.nan, "both": 0}


@dataclass(frozen=True)
class FirstReading(Result):
    """What the counts say before the transfer model has spoken.

    Parameters
    ----------
    table : DataFrame
        One row per setting, games last: ``setting``, ``players``, ``attempts``, ``rate`` (of the
        average player), ``spread`` (standard deviation of true rates between players, as a share;
        0 when chance explains all differences), ``correlation`` of true rates with game rates by
        moments, with ``low`` and ``high``, ``both`` (player-seasons with two attempts or more in
        both), ``note`` (why something is missing). NaN where there is nothing to tell.
    players : DataFrame
        One row per setting and player-season: ``setting``, ``unit``, ``n``, ``y``, ``raw``,
        ``shrunken``; settings whose spread cannot be estimated are left out.
    prob : float
        Content of the percentile bootstrap intervals (over players) of the correlations.
    programs : int
        Programs that are looked at together, their differences included in every spread.
    provenance : Provenance
        With the seed of the bootstrap.
    """

    _estimates = Estimates("rate")

    table: pd.DataFrame
    players: pd.DataFrame
    prob: float
    programs: int
    provenance: Provenance

    @property
    def label(self) -> str:
        """What this is and is not, as one sentence."""
        together = f", {self.programs} programs together" if self.programs > 1 else ""
        return (
            f"First reading, from the counts alone, one setting at a time{together}; "
            "the full model replaces it."
        )

    @property
    def text(self) -> str:
        """The reading in sentences, labelled as a first one."""
        parts = [self.label]
        for game in self.table[self.table["setting"] == GAME].to_dict("records"):
            if not math.isfinite(game["rate"]):
                continue
            shrunken = self.players.loc[self.players["setting"] == GAME, "shrunken"]
            parts.append(
                f"Games: {game['players']} player-seasons, mean rate {percent(game['rate'])}, true "
                f"rates spread by {100 * game['spread']:.1f} points (standard deviation), shrunken "
                f"rates from {percent(shrunken.min())} to {percent(shrunken.max())}."
            )
        told = self.table[self.table["correlation"].notna()]
        if len(told):
            each = "; ".join(self._correlation_text(row) for _, row in told.iterrows())
            parts.append(f"True rates go with game rates, by moments: {each}.")
        if (told["correlation"].abs() > 1).any():
            parts.append("A value beyond 1 means that these players are too few to pin it down.")
        noted = self.table[self.table["note"] != ""]
        parts += [f"{row['setting']}: {row['note']}." for _, row in noted.iterrows()]
        return " ".join(parts)

    def _correlation_text(self, row: pd.Series) -> str:
        band = "no interval"
        if math.isfinite(row["low"]):
            band = f"{percent(self.prob)} bootstrap interval {row['low']:.2f} to {row['high']:.2f}"
        return f"{row['setting']} {row['correlation']:.2f} ({band})"

    def to_dict(self) -> dict[str, Any]:
        """Return plain values; missing values become null."""
        return {
            "interval": {"prob": self.prob, "kind": "bootstrap", "holds": "parameter"},
            "settings": plain(self.table),
            "players": plain(self.players),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


@kinds_checked
def first_reading(cells: Cells, prob: float = 0.90, *, seed: int = 1) -> FirstReading:
    """Read rates, spreads and correlations off the counts, without an optimiser or a sampler.

    Parameters
    ----------
    cells : Cells
        Attempts and makes; several cells of one player and setting are added up.
    prob : float
        Content of the intervals of the correlations.
    seed : int
        Seed of the bootstrap over players.

    Returns
    -------
    FirstReading
        Spread by weighted moments (`transfer.rates.shrinkage.moment_start`), correlation by
        `transfer.rates.attenuation.true_rate_correlation`.

    Raises
    ------
    ArgumentError
        For missing columns, unknown settings, impossible counts, or no attempt at all.
    """
    rows, _ = add_up(cells)
    by_setting = {
        setting: rows[rows["setting"] == setting].reset_index(drop=True)
        for setting in (*cells.settings, GAME)
    }
    lines, players = [], []
    for setting, part in by_setting.items():
        if part.empty:
            continue
        line: dict[str, Any] = {
            "setting": setting,
            "players": len(part),
            "attempts": int(part["n"].sum()),
        }
        spread, shrunken, reasons = _spread(part)
        if shrunken is not None:
            players.append(shrunken)
        with_games = _NO_CORRELATION
        if setting != GAME and not by_setting[GAME].empty:
            with_games, reason = _with_games(part, by_setting[GAME], prob, seed)
            reasons += reason
        lines.append(line | spread | with_games | {"note": "; ".join(dict.fromkeys(reasons))})
    columns = ["setting", "unit", "n", "y", "raw", "shrunken"]
    return FirstReading(
        table=pd.DataFrame(lines),
        players=pd.concat(players, ignore_index=True) if players else pd.DataFrame(columns=columns),
        prob=prob,
        programs=int(cells.table["program"].nunique()),
        provenance=Provenance(
            seed, cells.data_hash, settings={"prob": prob, "resamples": RESAMPLES}
        ),
    )


def _spread(part: pd.DataFrame) -> tuple[dict[str, float], pd.DataFrame | None, list[str]]:
    """Mean, spread and shrunken rates of one setting; the reason where there are none."""
    try:
        fit = fit_beta_binomial(part["y"].to_numpy(), part["n"].to_numpy(), "moments")
    except IdentificationError as error:
        return {"rate": math.nan, "spread": math.nan}, None, [error.message]
    shrunken = part[["setting", "unit", "n", "y"]].join(fit.shrink()[["raw", "shrunken"]])
    reasons = [] if fit.overdispersed else ["the players differ by no more than chance explains"]
    return {"rate": fit.mean, "spread": fit.spread}, shrunken, reasons


def _with_games(
    part: pd.DataFrame, games: pd.DataFrame, prob: float, seed: int
) -> tuple[dict[str, float], list[str]]:
    """Correlation of true practice and game rates over the players who have both."""
    both = part.merge(games, on="unit", suffixes=("", "_game"))
    both = both[(both["n"] > 1) & (both["n_game"] > 1)]
    told = {"both": len(both)}
    if len(both) < FEWEST:
        reason = f"{len(both)} player-season(s) with two attempts or more in both"
        return {**_NO_CORRELATION, **told}, [f"no correlation with games: {reason}"]
    y, n, y_game, n_game = (both[name].to_numpy() for name in ("y", "n", "y_game", "n_game"))
    try:
        found = true_rate_correlation(y, n, y_game, n_game, prob, resamples=RESAMPLES, seed=seed)
    except IdentificationError:
        reason = "the differences between players are no larger than chance"
        return {**_NO_CORRELATION, **told}, [f"no correlation with games: {reason}"]
    band = found.interval
    return {
        "correlation": found.corrected,
        "low": band.low if band else math.nan,
        "high": band.high if band else math.nan,
        **told,
    }, []
