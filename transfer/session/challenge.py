"""Challenge band: how hard to make a repetition so that a player makes it about half the time.

A make rate near one half leaves room to miss and to make; the default band is judgement, no
source, and the coach sets it. Rates come from one small model of all players: setting and entry
shared, each player with an own level, an own level per setting and an own distance slope, the
last three shrunk towards everybody's.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import pandas as pd
from scipy import special, stats

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError, IdentificationError
from transfer.provenance import Provenance
from transfer.rates.counts import check_columns
from transfer.records.geometry import court, spot, spot_names
from transfer.results import Estimates, Result
from transfer.session.mixed_logit import CrossedFit, Group, fit_crossed

__all__ = ["BAND", "ChallengeBand", "find_challenge"]

#: Make rates that leave room both to miss and to make (judgement, no source).
BAND = (0.45, 0.65)
#: Distance that levels refer to, feet.
REFERENCE_FT = 8.0
#: "Just inside the arc": feet short of the three-point line (judgement, no source).
INSIDE_ARC_FT = 1.0
#: Prior scales: player, player within setting (logit), slope (logit per foot). Judgement, no
#: source.
SCALES = (0.50, 0.30, 0.05)


@dataclass(frozen=True)
class ChallengeBand(Result):
    """Where each player's predicted make rate lies in the band.

    Parameters
    ----------
    table : DataFrame
        ``player``, ``setting``, ``mode``, ``entry``, ``spot``, ``distance_ft``, ``rate``, ``low``,
        ``high`` (expected rate), ``in_band``, ``charted`` (whether the distance lies in the
        charted range).
    slopes : DataFrame
        ``player``, ``attempts``, ``slope``, ``low``, ``high`` (logit per foot, shrunk).
    ladders : DataFrame
        ``player``, ``setting``, ``rung``, ``distance_ft``, ``rate``, ``in_band``, ``charted``:
        equal steps of the make rate from the block to just inside the arc.
    band : (float, float)
    prob : float
        Probability of the equal-tailed normal intervals on the logit scale.
    provenance : Provenance
    """

    _estimates = Estimates("rate", "low", "high")

    table: pd.DataFrame
    slopes: pd.DataFrame
    ladders: pd.DataFrame
    band: tuple[float, float]
    prob: float
    provenance: Provenance

    @property
    def text(self) -> str:
        """How many combinations lie in the band, and what the band is."""
        low, high = self.band
        inside = self.table["in_band"]
        stock = " (judgement, no source)" if self.band == BAND else ""
        return (
            f"{int(inside.sum())} of {len(inside)} combinations of player, setting, entry and spot "
            f"have an expected make rate between {low:.2f} and {high:.2f}{stock}. Distances "
            "outside the charted range are extrapolated and marked."
        )

    def for_player(self, player: str, setting: str) -> pd.DataFrame:
        """Rows of one player and setting inside the band, nearest to its middle first."""
        rows = self.table[
            (self.table["player"] == player)
            & (self.table["setting"] == setting)
            & self.table["in_band"]
        ]
        distance = (rows["rate"] - np.mean(self.band)).abs()
        return rows.loc[distance.sort_values(kind="stable").index]

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "band": list(self.band),
            "table": self.table,
            "slopes": self.slopes,
            "ladders": self.ladders,
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


@dataclass(frozen=True)
class _Model:
    fit: CrossedFit
    players: list[str]
    settings: list[str]
    modes: dict[str, str]
    entries: list[str]
    pairs: dict[tuple[str, str], int]
    charted: tuple[float, float]
    prob: float

    def rates(self, rows: Iterable[tuple[str, str, str, float]]) -> np.ndarray:
        """Rate, low and high of (player, setting, entry, distance), shape (C, 3)."""
        listed = list(rows)
        weights = np.zeros((len(listed), self.fit.covariance.shape[0]))
        for at, (player, setting, entry, distance) in enumerate(listed):
            self._fill(weights[at], player, setting, entry, distance)
        mean, sd = self.fit.combine(weights)
        z = stats.norm.ppf((1 + self.prob) / 2)
        return special.expit(np.column_stack([mean, mean - z * sd, mean + z * sd]))

    def _fill(
        self, row: np.ndarray, player: str, setting: str, entry: str, distance: float
    ) -> None:
        far, code = distance - REFERENCE_FT, self.players.index(player)
        row[0], row[1] = 1.0, far
        if setting != self.settings[0]:
            row[1 + self.settings.index(setting)] = 1.0
        if entry != self.entries[0]:
            row[len(self.settings) + self.entries.index(entry)] = 1.0
        row[self.fit.starts["player"] + code] = 1.0
        row[self.fit.starts["slope"] + code] = far
        if (player, setting) in self.pairs:
            row[self.fit.starts["pair"] + self.pairs[player, setting]] = 1.0


@kinds_checked
def find_challenge(
    practice: pd.DataFrame,
    provenance: Provenance,
    band: tuple[float, float] = BAND,
    body: str = "NFHS",
    rungs: int = 5,
    prob: float = 0.90,
) -> ChallengeBand:
    """Predict make rates over spots, settings and entries, and mark those inside the band.

    Parameters
    ----------
    practice : DataFrame
        Charted practice with columns ``player``, ``setting``, ``mode``, ``n``, ``y`` and
        ``distance_ft``; ``entry`` is used when present. Rows without a distance are left out.
    provenance : Provenance
    band : (float, float)
        Make rates that count as a challenge.
    body : str
        Rule body whose court gives the spots, see `transfer.records.geometry`.
    rungs : int
        Rungs of a ladder, at least 2.
    prob : float
        Probability of intervals.

    Raises
    ------
    ArgumentError
        When a column is missing, or the band or the number of rungs is outside its rule.
    IdentificationError
        When fewer than two distances are charted.
    """
    if not 0.0 < band[0] < band[1] < 1.0:
        raise ArgumentError(
            f"band={band!r}", rule="0 < low < high < 1", next_step="pass e.g. band=(0.45, 0.65)"
        )
    if rungs < 2:
        raise ArgumentError(
            f"rungs={rungs!r}", rule="a ladder has at least 2 rungs", next_step="pass rungs=5"
        )
    check_columns(practice, ("player", "setting", "distance_ft", "n", "y"), "practice")
    model = _fit(practice, prob)
    return ChallengeBand(
        _combinations(model, band, body),
        _slopes(model, practice),
        _ladders(model, band, body, rungs),
        band,
        prob,
        provenance,
    )


def _fit(practice: pd.DataFrame, prob: float) -> _Model:
    rows = practice[practice["n"].gt(0) & practice["distance_ft"].notna()]
    if rows["distance_ft"].nunique() < 2:
        raise IdentificationError(
            f"{rows['distance_ft'].nunique()} distance is charted",
            rule="a distance slope needs at least two distances",
            next_step="chart spot or distance_ft of practice attempts",
        )
    entry = rows["entry"].fillna("any") if "entry" in rows else pd.Series("any", index=rows.index)
    keys = pd.DataFrame(
        {
            "player": rows["player"].astype(str),
            "setting": rows["setting"].astype(str),
            "entry": entry.astype(str),
            "distance_ft": rows["distance_ft"].round(1),
        }
    )
    cells = (
        keys.assign(n=rows["n"], y=rows["y"])
        .groupby(["player", "setting", "entry", "distance_ft"], as_index=False, sort=True)[
            ["n", "y"]
        ]
        .sum()
    )
    player, players = pd.factorize(cells["player"], sort=True)
    setting, settings = pd.factorize(cells["setting"], sort=True)
    code, entries = pd.factorize(cells["entry"], sort=True)
    labels = list(zip(cells["player"], cells["setting"], strict=True))
    pairs = {pair: at for at, pair in enumerate(dict.fromkeys(labels))}
    far = cells["distance_ft"].to_numpy(float) - REFERENCE_FT
    X = np.column_stack(
        [
            np.ones(len(cells)),
            far,
            np.eye(len(settings))[setting][:, 1:],
            np.eye(len(entries))[code][:, 1:],
        ]
    )
    groups = [
        Group("player", player, len(players)),
        Group("pair", np.array([pairs[label] for label in labels]), len(pairs)),
        Group("slope", player, len(players), far),
    ]
    fit = fit_crossed(
        cells["n"].to_numpy(float), cells["y"].to_numpy(float), X, groups, scales=SCALES
    )
    span = (float(cells["distance_ft"].min()), float(cells["distance_ft"].max()))
    modes = dict(zip(keys["setting"], rows["mode"].astype(str), strict=True))
    return _Model(fit, list(players), list(settings), modes, list(entries), pairs, span, prob)


def _places(body: str) -> list[tuple[str, float]]:
    """Named spots inside the arc, near to far."""
    found = [(name, spot(name, body).distance_ft) for name in spot_names(body)]
    limit = court(body).three_point_arc
    return sorted([f for f in found if f[1] < limit - 0.5], key=lambda f: (f[1], f[0]))


def _combinations(model: _Model, band: tuple[float, float], body: str) -> pd.DataFrame:
    keys = [
        (player, setting, entry, name, distance)
        for (player, setting), entry, (name, distance) in product(
            sorted(model.pairs), model.entries, _places(body)
        )
    ]
    rates = model.rates((p, s, e, d) for p, s, e, _, d in keys)
    table = pd.DataFrame(keys, columns=["player", "setting", "entry", "spot", "distance_ft"])
    table.insert(2, "mode", table["setting"].map(model.modes))
    return table.assign(
        rate=rates[:, 0],
        low=rates[:, 1],
        high=rates[:, 2],
        in_band=(rates[:, 0] >= band[0]) & (rates[:, 0] <= band[1]),
        charted=table["distance_ft"].between(*model.charted),
    )


def _slopes(model: _Model, practice: pd.DataFrame) -> pd.DataFrame:
    count = len(model.players)
    weights = np.zeros((count, model.fit.covariance.shape[0]))
    weights[:, 1] = 1.0
    weights[np.arange(count), model.fit.starts["slope"] + np.arange(count)] = 1.0
    mean, sd = model.fit.combine(weights)
    z = stats.norm.ppf((1 + model.prob) / 2)
    taken = practice.loc[practice["distance_ft"].notna()].groupby("player")["n"].sum()
    return pd.DataFrame(
        {
            "player": model.players,
            "attempts": taken.reindex(model.players, fill_value=0).to_numpy(),
            "slope": mean,
            "low": mean - z * sd,
            "high": mean + z * sd,
        }
    )


def _ladders(model: _Model, band: tuple[float, float], body: str, rungs: int) -> pd.DataFrame:
    near = spot("block", body).distance_ft
    far = court(body).three_point_arc - INSIDE_ARC_FT
    grid = np.round(np.linspace(near, far, 101), 3)
    entry, blocks = model.entries[0], []
    for player, setting in sorted(model.pairs):
        curve = model.rates((player, setting, entry, d) for d in grid)[:, 0]
        steps = np.linspace(curve[0], curve[-1], rungs)
        falling = bool(np.all(np.diff(curve) < 0))
        where = np.interp(-steps, -curve, grid) if falling else np.linspace(near, far, rungs)
        rate = np.interp(where, grid, curve)
        blocks.append(
            pd.DataFrame(
                {
                    "player": player,
                    "setting": setting,
                    "rung": np.arange(1, rungs + 1),
                    "distance_ft": where,
                    "rate": rate,
                    "in_band": (rate >= band[0]) & (rate <= band[1]),
                    "charted": (where >= model.charted[0]) & (where <= model.charted[1]),
                }
            )
        )
    return pd.concat(blocks, ignore_index=True)
