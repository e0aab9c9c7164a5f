"""Since last time: what is new in a season folder, and how far answer and forecasts moved."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import StorageError
from transfer.models.alignment import require_passed
from transfer.page import words
from transfer.records.exports import restored_cell

if TYPE_CHECKING:
    from transfer.models.posterior import TransferPosterior
    from transfer.reading.reading import Reading
    from transfer.records.reading import Records

__all__ = ["ANSWER_THEN", "Since", "answer_table", "read_answer", "since"]

#: What a report found, in its run folder, so that a later one can tell what moved.
ANSWER_THEN = "answer_then.csv"
_COLUMNS = ("quantity", "who", "value")
_COUNTS = ("rep_attempts", "live_attempts", "game_attempts", "games", "players")


@dataclass(frozen=True)
class Since:
    """What is new since an earlier report of the same question.

    Parameters
    ----------
    run : str
        Folder of the earlier run.
    new : dict of str to int
        Attempts by mode, games and players of today minus those of then.
    answer_moved : float or None
        Live minus rep, today minus then (R2, as a share); None where either lacks a mode.
    forecast_moved, forecast_farthest : float or None
        Mean and largest absolute change of a player's expected game rate, over the player-seasons
        in both; None where there is none.
    text : str
        One line.
    """

    run: str
    new: dict[str, int]
    answer_moved: float | None
    forecast_moved: float | None
    forecast_farthest: float | None
    text: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "run": self.run,
            "new": dict(self.new),
            "answer_moved": self.answer_moved,
            "forecast_moved": self.forecast_moved,
            "forecast_farthest": self.forecast_farthest,
            "text": self.text,
        }


def answer_table(records: Records, reading: Reading, posterior: TransferPosterior) -> pd.DataFrame:
    """Counts, answer and forecasts of a report, as a later one compares them.

    Parameters
    ----------
    records : Records
    reading : Reading
    posterior : TransferPosterior
        The fit that forecasts.

    Returns
    -------
    DataFrame
        ``quantity``, ``who`` (a player-season, blank for everything else), ``value`` (text).

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    games = records.games
    named = [] if games is None else [n for n in ("program", "date", "game") if n in games]
    played = 0 if games is None else len(games[named].drop_duplicates())
    counts = (*(reading.attempts[mode] for mode in ("rep", "live", "game")), played,
              reading.players)  # fmt: skip
    rows = [(name, "", str(count)) for name, count in zip(_COUNTS, counts, strict=True)]
    verdict = reading.verdict
    if verdict is not None:
        rows += [("verdict", "", verdict.verdict), ("favours", "", verdict.favours or ""),
                 ("live minus rep", "", repr(verdict.mean))]  # fmt: skip
    rates = expit(posterior.theta[:, :, -1]).mean(axis=0)
    rows += [("expected game rate", unit, repr(float(r)))
             for unit, r in zip(posterior.units, rates, strict=True)]  # fmt: skip
    return pd.DataFrame(rows, columns=_COLUMNS)


def read_answer(path: Path) -> pd.DataFrame:
    """Read what an earlier report kept.

    Raises
    ------
    StorageError
        When the file cannot be read, lacks a column or a count, or holds no numbers.
    """
    try:
        found = pd.read_csv(path, dtype=str, keep_default_na=False)
        found = found[list(_COLUMNS)].map(restored_cell)
        for name in _COUNTS:
            int(_value(found, name) or "missing")
        for _, value in _numbers(found):
            float(value)
    except (OSError, ValueError, KeyError) as error:
        raise StorageError(
            f"{path.parent.name} holds no readable {path.name}: {error}",
            rule="a report keeps its counts, answer and forecasts for the next one",
            next_step="delete the file; the next report starts a new comparison",
        ) from error
    return found


def _value(table: pd.DataFrame, quantity: str) -> str | None:
    found = table.loc[table["quantity"] == quantity, "value"]
    return None if found.empty else str(found.iloc[0])


def _numbers(table: pd.DataFrame) -> list[tuple[str, str]]:
    kept = table[table["quantity"].isin(["live minus rep", "expected game rate"])]
    return [(str(who), str(value)) for who, value in zip(kept["who"], kept["value"], strict=True)]


def since(run: str, then: pd.DataFrame, now: pd.DataFrame) -> Since:
    """Compare two tables of `answer_table`.

    Parameters
    ----------
    run : str
        Folder of the earlier run.
    then, now : DataFrame

    Returns
    -------
    Since
    """
    new = {n: int(_value(now, n) or 0) - int(_value(then, n) or 0) for n in _COUNTS}
    means = [_value(table, "live minus rep") for table in (then, now)]
    moved = None if None in means else float(str(means[1])) - float(str(means[0]))
    rates = [{who: float(value) for who, value in _numbers(table) if who} for table in (then, now)]
    both = sorted(set(rates[0]) & set(rates[1]))
    change = np.abs([rates[1][who] - rates[0][who] for who in both])
    mean, farthest = (float(change.mean()), float(change.max())) if both else (None, None)
    parts = [f"Since the run {run}: {_news(new)}."]
    if moved is not None:
        was, now_is = (_verdict(table) for table in (then, now))
        kept = f"The answer is as it was ({now_is})" if was == now_is else (
            f"The answer went from {was} to {now_is}"
        )  # fmt: skip
        parts.append(
            f"{kept}; what live rates say about games, less what rep rates say, moved by "
            f"{words.number(100 * moved, 0)} points of 100."
        )
    if mean is not None:
        parts.append(
            f"Expected game rates of {len(both)} player-seasons moved by "
            f"{words.number(100 * mean, 1)} points on average, "
            f"{words.number(100 * float(farthest or 0), 1)} at most."
        )
    return Since(run, new, moved, mean, farthest, " ".join(parts))


def _news(new: dict[str, int]) -> str:
    def told(name: str, what: str) -> str:
        count = new[name]
        return f"{abs(count):,} {'more' if count >= 0 else 'fewer'} {what}"

    parts = [told(f"{mode}_attempts", f"{mode} attempts") for mode in ("rep", "live", "game")]
    parts += [told(name, name) for name in ("games", "players") if new[name]]
    return ", ".join(parts)


def _verdict(table: pd.DataFrame) -> str:
    side = _value(table, "favours")
    word = " ".join(str(_value(table, "verdict")).split("_"))
    return f"{word} for {side}" if side and word in ("leaning", "ahead") else word
