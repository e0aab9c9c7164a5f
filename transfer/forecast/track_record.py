"""What an earlier fit forecast, and what happened since: does the tool deserve trust?

Counts to come are forecast as a mixture of binomials over the earlier draws. Their calibration is
judged by coverage of central bands, by the mid-probability transform of the counts (Czado,
Gneiting and Held 2009) and by a reliability curve from pooled adjacent violators with a band of
what that curve looks like when forecasts are right (Broecker and Smith 2007; Dimitriadis, Gneiting
and Jordan 2021); the three from memory. The log score stands beside that of one rate for everyone.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression
from scipy.special import expit, xlog1py, xlogy

from transfer.errors import ArgumentError, StorageError
from transfer.forecast.scoring import log_score
from transfer.models.alignment import require_passed
from transfer.models.integrate import log_binomial_constant
from transfer.models.posterior import TransferPosterior
from transfer.provenance import Provenance
from transfer.records.cells import GAME, Cells
from transfer.records.exports import restored_cell
from transfer.results import Result

__all__ = [
    "TrackRecord",
    "game_counts",
    "games_since",
    "pooled_adjacent_violators",
    "read_game_counts",
    "track_record",
]

_WHO = ["program", "season", "player"]
BANDS = (0.50, 0.90)
#: Resampled seasons behind the consistency band.
RESAMPLES = 1000


@dataclass(frozen=True)
class TrackRecord(Result):
    """Earlier forecasts against later games.

    Parameters
    ----------
    table : DataFrame
        One row per player: ``unit`` (of the earlier fit), ``player``, ``n``, ``y`` (games
        since), ``forecast`` (mean rate), ``pit`` (mid-probability transform), ``log_score``,
        ``pooled_score`` and, per band, ``low_50``, ``high_50``, ``in_50``, ``low_90`` and so on
        (makes; counts to come).
    coverage : DataFrame
        One row per ``band``: ``nominal`` probability, ``expected`` coverage (larger, as counts
        are whole numbers), ``observed``, ``players``.
    reliability : DataFrame
        By ascending forecast: ``forecast``, ``attempts``, ``observed``, ``reliability``,
        ``band_low``, ``band_high``, ``prob``.
    gain, gain_se : float
        Log score minus that of one rate for everyone, summed over players, and its standard error.
    text : str
    provenance : Provenance
        Of the earlier fit.
    """

    _figure = "transfer.forecast.figure_calibration"

    table: pd.DataFrame
    coverage: pd.DataFrame
    reliability: pd.DataFrame
    gain: float
    gain_se: float
    text: str
    provenance: Provenance

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "players": self.table.to_dict(orient="records"),
            "coverage": self.coverage.to_dict(orient="records"),
            "log_score_minus_one_rate": self.gain,
            "se": self.gain_se,
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def pooled_adjacent_violators(
    forecast: np.ndarray, observed: np.ndarray, weights: np.ndarray
) -> np.ndarray:
    """Rising curve closest to the observed rates, by weighted least squares.

    Parameters
    ----------
    forecast, observed, weights : array, shape (P,)
        Forecast rates, observed rates and attempts; ties of the forecast are pooled first.

    Returns
    -------
    array, shape (P,)
        The curve at each forecast, in the given order.
    """
    levels, group = np.unique(forecast, return_inverse=True)
    total = np.bincount(group, weights, len(levels))
    mean = np.bincount(group, weights * observed, len(levels)) / total
    return np.asarray(isotonic_regression(mean, weights=total).x)[group]


def game_counts(cells: Cells) -> pd.DataFrame:
    """Game attempts and makes of every player-season, those without attempts included.

    Parameters
    ----------
    cells : Cells

    Returns
    -------
    DataFrame
        ``unit``, ``player``, ``program``, ``season`` (blank where not charted), ``n``, ``y``.
        Kept beside a fit, it tells later which games came after.
    """
    table = cells.table
    people = table[["unit", *_WHO]].drop_duplicates("unit").astype("string").fillna("")
    games = table[table["setting"] == GAME].groupby("unit", as_index=False)[["n", "y"]].sum()
    found = people.merge(games.astype({"unit": "string"}), on="unit", how="left")
    return found.fillna({"n": 0, "y": 0}).astype({"n": int, "y": int}).reset_index(drop=True)


def read_game_counts(path: Path | str) -> pd.DataFrame:
    """Read `game_counts` that an earlier report kept beside its fit.

    Parameters
    ----------
    path : path
        A CSV file.

    Returns
    -------
    DataFrame
        As `game_counts` gives it, one row per player-season.

    Raises
    ------
    StorageError
        When the file cannot be read, lacks a column, names a player-season twice, or its counts
        are not whole numbers with 0 <= y <= n.
    """
    what = None
    try:
        words = dict.fromkeys(("unit", *_WHO), str)
        found = pd.read_csv(path, dtype=words, keep_default_na=False, index_col=False)
    except (OSError, ValueError) as error:
        raise _no_counts(Path(path), str(error)) from error
    missing = [name for name in ("unit", *_WHO, "n", "y") if name not in found]
    if missing:
        what = f"no column {', '.join(missing)}"
    elif not all(pd.api.types.is_integer_dtype(found[name]) for name in ("n", "y")):
        what = "n or y is not a whole number"
    elif not ((found["y"] >= 0) & (found["y"] <= found["n"])).all():
        what = "makes below 0 or above the attempts"
    elif found.duplicated("unit").any() or found.duplicated(_WHO).any():
        what = "a player-season stands in it twice"
    if what is not None:
        raise _no_counts(Path(path), what)
    # Codes that a spreadsheet would run were kept with an apostrophe before them.
    return found.assign(**{name: found[name].map(restored_cell) for name in words})


def _no_counts(path: Path, what: str) -> StorageError:
    return StorageError(
        f"{path.parent} holds no readable {path.name}: {what}",
        rule="an earlier run is one that transfer report has reported on",
        next_step="run transfer report on the earlier records, with --out naming that folder",
    )


def games_since(then: pd.DataFrame, now: Cells) -> pd.DataFrame:
    """Game attempts that the earlier fit had not seen, by its player-seasons.

    A player is known by program and code. Another season's games count in full; of the same
    season only what came after.

    Parameters
    ----------
    then : DataFrame
        `game_counts` of the earlier fit.
    now : Cells
        The counts of today.

    Returns
    -------
    DataFrame
        ``unit`` (of the earlier fit, the latest of a player), ``n``, ``y``; only players with
        later attempts.

    Raises
    ------
    ArgumentError
        When seasons are named in only one of the two, a player has fewer attempts or makes today
        than then, or nobody has later ones.
    """
    then = then.astype(dict.fromkeys(("unit", *_WHO), "string")).fillna(dict.fromkeys(_WHO, ""))
    games = game_counts(now)
    if (then["season"] == "").any() and (games["season"] != "").any():
        raise ArgumentError(
            "the earlier run does not say which season its games are of, today's records do",
            rule="seasons are named in both or in neither",
            next_step="add the season column to the earlier records and report on them again",
        )
    merged = games.merge(then[[*_WHO, "n", "y"]], on=_WHO, how="left", suffixes=("", "_then"))
    merged = merged.fillna({"n_then": 0, "y_then": 0})
    merged = merged.assign(n=merged["n"] - merged["n_then"], y=merged["y"] - merged["y_then"])
    wrong = merged[(merged["n"] < 0) | (merged["y"] < 0) | (merged["y"] > merged["n"])]
    if len(wrong):
        raise ArgumentError(
            f"{wrong['unit'].iloc[0]} has fewer game attempts or makes than in the earlier run",
            rule="games of the earlier run are still in today's records",
            next_step="compare the games file with that of the earlier run",
        )
    latest = then.sort_values("season").groupby(["program", "player"], as_index=False).last()
    later = merged[merged["n"] > 0][["program", "player", "n", "y"]]
    later = later.merge(latest[["program", "player", "unit"]], on=["program", "player"])
    if later.empty:
        raise ArgumentError(
            "no player of the earlier run has game attempts since",
            rule="a forecast is judged on games that came after it, players known by their codes",
            next_step="add the later games, with the same codes as before",
        )
    return later.groupby("unit", as_index=False)[["n", "y"]].sum()


def _predictive(rates: np.ndarray, n: np.ndarray, y: np.ndarray) -> list[dict[str, float]]:
    """Bands, their probability, and the mid-probability transform of each count."""
    rows = []
    for i in range(len(n)):
        makes = np.arange(n[i] + 1)[:, None]
        each = xlogy(makes, rates[None, :, i]) + xlog1py(n[i] - makes, -rates[None, :, i])
        constant = log_binomial_constant(np.full(n[i] + 1, n[i]), makes[:, 0])
        mass = np.exp(each + constant[:, None]).mean(axis=1)
        below = np.cumsum(mass)
        row = {"pit": float(below[y[i]] - 0.5 * mass[y[i]])}
        for band in BANDS:
            low = int(np.searchsorted(below, (1 - band) / 2))
            high = int(min(np.searchsorted(below, (1 + band) / 2), n[i]))
            name = f"{100 * band:.0f}"
            row |= {
                f"low_{name}": low,
                f"high_{name}": high,
                f"in_{name}": bool(low <= y[i] <= high),
                f"mass_{name}": float(mass[low : high + 1].sum()),
            }
        rows.append(row)
    return rows


def _reliability(
    rates: np.ndarray, n: np.ndarray, y: np.ndarray, seed: int, prob: float
) -> pd.DataFrame:
    forecast = rates.mean(axis=0)
    order = np.argsort(forecast, kind="stable")
    forecast, n, y, rates = forecast[order], n[order], y[order], rates[:, order]
    rng = np.random.default_rng([seed, 2])
    chosen = rates[rng.integers(0, len(rates), RESAMPLES)]
    counts = rng.binomial(n, chosen)
    curves = np.array([pooled_adjacent_violators(forecast, c / n, n) for c in counts])
    low, high = np.quantile(curves, [(1 - prob) / 2, (1 + prob) / 2], axis=0)
    return pd.DataFrame(
        {
            "forecast": forecast,
            "attempts": n,
            "observed": y / n,
            "reliability": pooled_adjacent_violators(forecast, y / n, n),
            "band_low": low,
            "band_high": high,
            "prob": prob,
        }
    )


def track_record(
    earlier: TransferPosterior,
    then: pd.DataFrame,
    now: Cells,
    *,
    prob: float = 0.90,
    seed: int = 1,
) -> TrackRecord:
    """Hold an earlier fit's game forecasts against the games since.

    Parameters
    ----------
    earlier : TransferPosterior
        The fit of the earlier run.
    then : DataFrame
        `game_counts` of its records.
    now : Cells
        Today's counts.
    prob : float
        Probability of the consistency band.
    seed : int
        Seed of its resampling.

    Raises
    ------
    DiagnosticsError
        When the earlier fit did not pass its diagnostics.
    ArgumentError
        See `games_since`.
    """
    require_passed(earlier.diagnostics)
    since = games_since(then, now)
    unknown = [str(u) for u in since["unit"] if u not in earlier.units]
    if unknown:
        raise ArgumentError(
            f"the counts of the earlier run hold {unknown[0]!r}, its fit does not",
            rule="counts and fit of a run belong together",
            next_step="report on the earlier records again",
        )
    at = [earlier.units.index(str(u)) for u in since["unit"]]
    rates = expit(earlier.theta[:, at, -1])
    n, y = since["n"].to_numpy(dtype=int), since["y"].to_numpy(dtype=int)
    everyone = float(expit(earlier.theta[:, :, -1]).mean())
    table = since.assign(
        player=[str(u).rsplit("/", 1)[-1] for u in since["unit"]],
        forecast=rates.mean(axis=0),
        log_score=log_score(y, n, rates),
        pooled_score=log_score(y, n, np.full((1, len(n)), everyone)),
    )
    table = pd.concat([table, pd.DataFrame(_predictive(rates, n, y))], axis=1)
    coverage = pd.DataFrame(
        [
            {
                "band": f"{band:.0%}",
                "nominal": band,
                "expected": float(table[f"mass_{100 * band:.0f}"].mean()),
                "observed": float(table[f"in_{100 * band:.0f}"].mean()),
                "players": len(table),
            }
            for band in BANDS
        ]
    )
    difference = table["log_score"] - table["pooled_score"]
    gain = float(difference.sum())
    se = float(difference.std(ddof=1) * np.sqrt(len(table))) if len(table) > 1 else float("nan")
    return TrackRecord(
        table=table,
        coverage=coverage,
        reliability=_reliability(rates, n, y, seed, prob),
        gain=gain,
        gain_se=se,
        text=_write(coverage, gain, se, table, everyone, "beta_distance" in earlier.terms),
        provenance=earlier.provenance,
    )


def _write(
    coverage: pd.DataFrame,
    gain: float,
    se: float,
    table: pd.DataFrame,
    everyone: float,
    conditions: bool,
) -> str:
    first, second = coverage.to_dict(orient="records")
    players = len(table)
    made, attempts = table["y"].sum(), table["n"].sum()
    expected = (table["forecast"] * table["n"]).sum() / attempts
    parts = [
        f"An earlier run forecast the game makes of {players} players; since then they took "
        f"{int(attempts):,} game attempts and made {made / attempts:.0%} (forecast "
        f"{expected:.0%}).",
        f"The makes of {first['observed']:.0%} of them fell in their {first['band']} ranges and of "
        f"{second['observed']:.0%} in their {second['band']} ranges (to be expected: "
        f"{first['expected']:.0%} and {second['expected']:.0%}, as makes are whole numbers).",
    ]
    side = "better" if gain > 0 else "worse"
    clear = "" if abs(gain) > 2 * se else ", within the luck of so few games"
    known = f" (standard error {se:.1f})" if np.isfinite(se) else ""
    parts.append(
        f"Their log score was {abs(gain):.1f}{known} {side} than that of one rate of "
        f"{everyone:.0%} for everyone{clear}."
    )
    if conditions:
        parts.append("Forecasts hold at the reference distance of the model.")
    return " ".join(parts)
