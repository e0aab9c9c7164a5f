"""Scores of game forecasts on games they have not seen.

The log score is the log probability that a forecast gave to the number of makes (a mixture of
binomials over its draws); higher is better. The squared error compares the mean rate with the
observed rate. Both are pure functions of predictive draws.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import logsumexp, xlog1py, xlogy

from transfer.errors import ArgumentError
from transfer.models.integrate import log_binomial_constant
from transfer.results import Estimates, Result

__all__ = [
    "HeldOut",
    "RateForecast",
    "ScoreTable",
    "log_score",
    "pooled_forecast",
    "raw_forecast",
    "score_forecasts",
]

_REFERENCES = ("both", "game_only")


@dataclass(frozen=True)
class HeldOut:
    """Game counts that the forecasts have not seen.

    Parameters
    ----------
    units : tuple of str
        The P player-seasons.
    n, y : array of int, shape (P,)
        Held-out attempts and makes.
    players : tuple of str
        Whose player-seasons they are; each a player of his own when empty. Standard errors are
        over players.
    """

    units: tuple[str, ...]
    n: np.ndarray
    y: np.ndarray
    players: tuple[str, ...] = ()

    def where(self, keep: np.ndarray) -> HeldOut:
        """Return only the units that `keep` (shape (P,)) marks."""
        units, players = (
            tuple(name for name, kept in zip(names, keep, strict=False) if kept)
            for names in (self.units, self.players)
        )
        return HeldOut(units, np.asarray(self.n)[keep], np.asarray(self.y)[keep], players)


@dataclass(frozen=True)
class RateForecast:
    """Predictive draws of game make rates.

    Parameters
    ----------
    name : str
        E.g. ``raw``, ``pooled``, ``game_only``, ``practice_only``, ``both``.
    units : tuple of str
        The P player-seasons.
    rates : array, shape (D, P)
        Draws; a single row is a point forecast.
    log_weights : array of shape (D, P), or None
        Log weights of the draws; equal when omitted.
    untrusted : tuple of str
        Units whose weights cannot be trusted.
    """

    name: str
    units: tuple[str, ...]
    rates: np.ndarray
    log_weights: np.ndarray | None = None
    untrusted: tuple[str, ...] = ()

    def for_units(self, units: tuple[str, ...]) -> RateForecast:
        """Return the forecast in the order of `units`.

        Raises
        ------
        ArgumentError
            When a unit has no forecast.
        """
        place = {unit: i for i, unit in enumerate(self.units)}
        lacking = [unit for unit in units if unit not in place]
        if lacking:
            raise ArgumentError(
                f"forecast {self.name!r} lacks {lacking[:5]}",
                rule="every held-out player-season needs a forecast from every forecaster",
                next_step="forecast these players too, or take them out of the held-out games",
            )
        at = np.array([place[unit] for unit in units], dtype=int)
        weights = None if self.log_weights is None else self.log_weights[:, at]
        return RateForecast(self.name, units, self.rates[:, at], weights, self.untrusted)

    @property
    def mean(self) -> np.ndarray:
        """Mean rate, shape (P,)."""
        if self.log_weights is None:
            return np.asarray(self.rates.mean(axis=0))
        weights = np.exp(self.log_weights - logsumexp(self.log_weights, axis=0))
        return np.asarray(np.sum(weights * self.rates, axis=0))


@dataclass(frozen=True)
class ScoreTable(Result):
    """Scores of forecasts on held-out games.

    Parameters
    ----------
    table : DataFrame
        One row per ``forecast``: ``players``, ``attempts``, ``log_score`` (sum over players),
        ``log_score_per_player``, ``squared_error`` (sum), and for each reference among ``both``
        and ``game_only`` that was scored ``minus_<reference>`` with its standard error over
        players ``se_minus_<reference>``.
    by_player : DataFrame
        ``forecast``, ``unit``, ``n``, ``y``, ``rate``, ``log_score``, ``squared_error``.
    scheme : str
        What was held out.
    worth : dict or None
        ``with_practice`` minus ``without_practice``: ``log_score``, ``se``, ``squared_error``
        (difference), ``players``; ``None`` where not both were scored.
    untrusted : tuple of str
        Units whose weights cannot be trusted; fit without them before quoting the score.
    """

    _estimates = Estimates("log_score_per_player")

    table: pd.DataFrame
    by_player: pd.DataFrame
    scheme: str
    worth: dict[str, Any] | None
    untrusted: tuple[str, ...]

    @property
    def text(self) -> str:
        """The scores in plain words."""
        more = " and others" if len(self.untrusted) > 8 else ""
        return _write_scores(self, ", ".join(self.untrusted[:8]) + more)

    @property
    def shared_text(self) -> str:
        """The text for readers outside the staff: how many players it is about, not who."""
        number = len(self.untrusted)
        return _write_scores(self, f"{number} player-season{'s' if number > 1 else ''}")

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "scheme": self.scheme,
            "forecasts": self.table.to_dict(orient="records"),
            "worth_of_practice": self.worth,
            "untrusted": list(self.untrusted),
            "text": self.text,
        }


def log_score(
    y: np.ndarray, n: np.ndarray, rate_draws: np.ndarray, log_weights: np.ndarray | None = None
) -> np.ndarray:
    """Log probability of held-out makes under predictive draws of the rate.

    Parameters
    ----------
    y, n : array, shape (P,)
        Held-out makes and attempts.
    rate_draws : array, shape (D, P)
        Draws of the make rate; one row for a point forecast.
    log_weights : array, shape (D, P), optional
        Log weights of the draws, in any scale.

    Returns
    -------
    array, shape (P,)
        ``-inf`` where a forecast ruled out what happened.

    Raises
    ------
    ArgumentError
        When the shapes differ, makes exceed attempts, or a rate is outside 0 to 1.
    """
    y, n = np.asarray(y, dtype=float), np.asarray(n, dtype=float)
    rates = np.asarray(rate_draws, dtype=float)
    if rates.ndim != 2 or rates.shape[1:] != y.shape or n.shape != y.shape:
        raise ArgumentError(
            f"rate_draws has shape {rates.shape}, y {y.shape} and n {n.shape}",
            rule="rate_draws is (draws, players); y and n are (players,)",
            next_step="put draws on the first axis",
        )
    bad_counts = np.any((y < 0) | (y > n))
    if bad_counts or not np.all((rates >= 0) & (rates <= 1)):
        raise ArgumentError(
            "makes exceed attempts" if bad_counts else "a rate draw is outside 0 to 1",
            rule="0 <= y <= n and 0 <= rate <= 1",
            next_step="check the held-out counts and pass rates, not logits",
        )
    each = xlogy(y, rates) + xlog1py(n - y, -rates)
    if log_weights is None:
        mixed = logsumexp(each, axis=0) - np.log(rates.shape[0])
    else:
        mixed = logsumexp(each + log_weights, axis=0) - logsumexp(log_weights, axis=0)
    return np.asarray(mixed + log_binomial_constant(n, y))


def raw_forecast(units: tuple[str, ...], n: np.ndarray, y: np.ndarray) -> RateForecast:
    """Each player's own average so far, as (y + 0.5) / (n + 1).

    The half make keeps the log score finite where a player made none or all; without any attempt
    it says one half. The plain average y / n would score minus infinity there.

    Parameters
    ----------
    units : tuple of str
    n, y : array, shape (P,)
        Attempts and makes so far.
    """
    rate = (np.asarray(y, dtype=float) + 0.5) / (np.asarray(n, dtype=float) + 1.0)
    return RateForecast("raw", units, rate[None, :])


def pooled_forecast(units: tuple[str, ...], n: np.ndarray, y: np.ndarray) -> RateForecast:
    """One rate for everybody: all makes over all attempts so far.

    Parameters
    ----------
    units : tuple of str
    n, y : array, shape (P,)
    """
    rate = (float(np.sum(y)) + 0.5) / (float(np.sum(n)) + 1.0)
    return RateForecast("pooled", units, np.full((1, len(units)), rate))


def _difference(first: np.ndarray, second: np.ndarray, player: np.ndarray) -> tuple[float, float]:
    """Sum of differences over players and its standard error; nan for a single player."""
    gap = np.bincount(player, first - second)
    se = float(np.std(gap, ddof=1) * np.sqrt(gap.size)) if gap.size > 1 else float("nan")
    return float(gap.sum()), se


def score_forecasts(
    held_out: HeldOut, forecasts: Sequence[RateForecast], scheme: str = "held-out games"
) -> ScoreTable:
    """Score forecasts on the same held-out games.

    Parameters
    ----------
    held_out : HeldOut
    forecasts : sequence of RateForecast
        With different names.
    scheme : str
        What was held out, for the text.

    Raises
    ------
    ArgumentError
        When there are no held-out attempts, names repeat, or a forecast lacks a player.
    """
    names = [forecast.name for forecast in forecasts]
    if len(set(names)) != len(names) or not names:
        raise ArgumentError(
            f"forecast names are {names}",
            rule="at least one forecast, and no name twice",
            next_step="name each forecast once",
        )
    kept = held_out.where(np.asarray(held_out.n) > 0)
    if not kept.units:
        raise ArgumentError(
            "there are no held-out game attempts",
            rule="a score needs at least one held-out attempt",
            next_step="hold out more games",
        )
    observed = kept.y / kept.n
    player = np.unique(kept.players or kept.units, return_inverse=True)[1]
    scores, errors, parts = {}, {}, []
    for forecast in (f.for_units(kept.units) for f in forecasts):
        points = log_score(kept.y, kept.n, forecast.rates, forecast.log_weights)
        scores[forecast.name] = points
        errors[forecast.name] = (forecast.mean - observed) ** 2
        parts.append(
            pd.DataFrame(
                {
                    "forecast": forecast.name,
                    "unit": kept.units,
                    "n": kept.n,
                    "y": kept.y,
                    "rate": forecast.mean,
                    "log_score": points,
                    "squared_error": errors[forecast.name],
                }
            )
        )
    rows = []
    for name in names:
        row: dict[str, Any] = {
            "forecast": name,
            "players": len(kept.units),
            "attempts": int(np.sum(kept.n)),
            "log_score": float(scores[name].sum()),
            "log_score_per_player": float(scores[name].mean()),
            "squared_error": float(errors[name].sum()),
        }
        for reference in (r for r in _REFERENCES if r in names):
            gap, se = _difference(scores[name], scores[reference], player)
            row[f"minus_{reference}"], row[f"se_minus_{reference}"] = gap, se
        rows.append(row)
    worth = _worth(scores, errors, player)
    untrusted = tuple(sorted({u for f in forecasts for u in f.untrusted if u in kept.units}))
    table = pd.DataFrame(rows)
    return ScoreTable(
        table=table,
        by_player=pd.concat(parts, ignore_index=True),
        scheme=scheme,
        worth=worth,
        untrusted=untrusted,
    )


def _worth(
    scores: dict[str, np.ndarray], errors: dict[str, np.ndarray], player: np.ndarray
) -> dict[str, Any] | None:
    """Score with practice minus score without; ``None`` where not both were scored."""
    with_practice = next((name for name in ("both", "practice_only") if name in scores), None)
    if with_practice is None or "game_only" not in scores:
        return None
    gap, se = _difference(scores[with_practice], scores["game_only"], player)
    return {
        "with_practice": with_practice,
        "without_practice": "game_only",
        "log_score": gap,
        "se": se,
        "squared_error": float(np.sum(errors[with_practice] - errors["game_only"])),
        "players": int(player.max()) + 1,
    }


def _write_scores(scores: ScoreTable, untrusted: str) -> str:
    """Sentences on the scores; `untrusted` says whose weights cannot be trusted."""
    table, worth = scores.table, scores.worth
    best = table["forecast"].iloc[int(table["log_score"].to_numpy().argmax())]
    attempts, players = int(table["attempts"].iloc[0]), int(table["players"].iloc[0])
    parts = [
        f"Scored on {attempts:,} game attempts of {players} player-seasons that the forecasts had "
        f"not seen ({scores.scheme}). Best log score: {str(best).replace('_', ' ')}."
    ]
    if worth is not None:
        gap, se = worth["log_score"], worth["se"]
        settled = (
            "more than two standard errors, so it is hardly luck"
            if abs(gap) > 2 * se
            else "within two standard errors, so it may be luck"
        )
        parts.append(
            f"Charting practice is worth {gap:+.1f} points of log score here (standard error "
            f"{se:.1f}, over players; {settled}). One point means that the forecast with practice "
            "gave 2.7 times the chance to what happened."
        )
    if scores.untrusted:
        parts.append(
            f"Not to be quoted yet: for {untrusted} the weights that leave the player out "
            "are unreliable (k-hat above 0.7); fit without these players."
        )
    return " ".join(parts)
