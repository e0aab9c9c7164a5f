"""How much an attempt tells: predictive R2 of n attempts, and live attempts in rep attempts.

The R2 of a make rate from n attempts with the true game logit rate is rho^2 rel(n), where
rel(n) = tau^2 / (tau^2 + 1 / (n p (1 - p))) is its reliability, p at the population mean (delta
method on the logit).
Modes are set equal in the fit that live against rep is judged with, one rate a mode.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.arguments import kinds_checked
from transfer.models.posterior import PopulationDraws, TransferPosterior
from transfer.provenance import Provenance
from transfer.reading.two_fits import require_fits
from transfer.records.cells import Cells
from transfer.results import Result

__all__ = [
    "Information",
    "RateInformation",
    "attempts_per_minute",
    "equivalent_attempts",
    "rate_information",
    "read_information",
]


@dataclass(frozen=True)
class RateInformation:
    """What gives the R2 of a make rate from any number of attempts.

    Parameters
    ----------
    limit : array, shape (D,)
        R2 of the true rate.
    signal : array, shape (D,)
        Variance of the true rates in units of one attempt's noise.
    """

    limit: np.ndarray
    signal: np.ndarray

    def r2(self, attempts: np.ndarray | float) -> np.ndarray:
        """R2 of `attempts` (scalar or shape (D,)), shape (D,)."""
        ratio = self.signal * attempts
        return np.asarray(self.limit * ratio / (ratio + 1.0))


@dataclass(frozen=True)
class Information(Result):
    """What attempts tell.

    Parameters
    ----------
    table : DataFrame
        One row per ``source`` (setting, or ``all rep`` / ``all live``) and ``attempts``: R2
        ``mean``, ``low``, ``high``, ``prob``, ``kind``.
    equivalence : DataFrame
        Rows ``per attempt`` and, where both modes' minutes were charted, ``per minute``:
        ``amount`` of live work, ``median``, ``low``, ``high`` of the rep work that tells as much
        (``inf``: no amount does), ``share_unreachable`` of the draws. Empty with one mode.
    rates : mapping
        Attempts per charted minute by mode; ``None`` where no minutes were charted.
    equivalent_draws : array of shape (D,), or None
        Rep attempts as informative as the reference number of live attempts; ``inf`` possible.
    text : str
    provenance : Provenance
    """

    _figure = "transfer.reading.figure_information"

    table: pd.DataFrame
    equivalence: pd.DataFrame
    rates: dict[str, float | None]
    equivalent_draws: np.ndarray | None
    text: str
    provenance: Provenance

    def to_dict(self) -> dict[str, Any]:
        """Return plain values; an infinite amount becomes null beside its share."""
        return {
            "information": self.table.to_dict(orient="records"),
            "equivalence": self.equivalence.to_dict(orient="records"),
            "attempts_per_minute": dict(self.rates),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def rate_information(population: PopulationDraws, k: int) -> RateInformation:
    """Return what a make rate of practice setting `k` tells about games.

    Parameters
    ----------
    population : PopulationDraws
    k : int
        Position of the setting.
    """
    rate = expit(population.mu[:, k])
    signal = population.tau[:, k] ** 2 * rate * (1 - rate)
    return RateInformation(population.omega[:, k, -1] ** 2, signal)


def equivalent_attempts(
    source: RateInformation, target: RateInformation, attempts: float
) -> np.ndarray:
    """Attempts of the target that tell as much as `attempts` of the source.

    Parameters
    ----------
    source, target : RateInformation
    attempts : float
        Attempts of the source.

    Returns
    -------
    array, shape (D,)
        ``inf`` where no number of attempts of the target tells as much.
    """
    wanted = source.r2(attempts)
    reachable = target.limit > wanted
    room = np.where(reachable, target.limit - wanted, 1.0)
    return np.where(reachable, wanted / (target.signal * room), np.inf)


def attempts_per_minute(cells: Cells, mode: str) -> float | None:
    """Attempts per charted minute of a player in one mode; ``None`` without charted minutes."""
    table = cells.table
    charted = table[(table["mode"] == mode) & table["minutes"].notna() & (table["minutes"] > 0)]
    if charted.empty:
        return None
    return float(charted["n"].sum() / charted["minutes"].sum())


def _quantiles(draws: np.ndarray, prob: float) -> tuple[float, float, float]:
    """Median and equal-tailed limits that may be infinite (no interpolation)."""
    found = np.quantile(draws, [0.5, (1 - prob) / 2, (1 + prob) / 2], method="inverted_cdf")
    return float(found[0]), float(found[1]), float(found[2])


def _information_table(
    sources: dict[str, RateInformation], attempts: tuple[int, ...], prob: float
) -> pd.DataFrame:
    """R2 of every source and number of attempts, see `Information.table`."""
    rows = []
    for name, source in sources.items():
        for n in attempts:
            draws = source.r2(float(n))
            low, high = np.quantile(draws, [(1 - prob) / 2, (1 + prob) / 2])
            rows.append(
                {
                    "source": name,
                    "attempts": int(n),
                    "mean": float(draws.mean()),
                    "low": float(low),
                    "high": float(high),
                    "prob": prob,
                    "kind": "eti",
                }
            )
    return pd.DataFrame(rows)


@kinds_checked
def read_information(
    verdict_fit: TransferPosterior,
    forecast_fit: TransferPosterior | None = None,
    attempts: tuple[int, ...] = (25, 50, 100, 200, 400),
    reference_attempts: int = 100,
    reference_minutes: float = 60.0,
    prob: float = 0.90,
) -> Information:
    """How much practice attempts tell about games, and live work in terms of rep work.

    Parameters
    ----------
    verdict_fit : TransferPosterior
        Fit with one rate a mode: live attempts are set equal to rep attempts under the starting
        assumption that favours neither.
    forecast_fit : TransferPosterior, optional
        Fit of the same cells by setting, for the rows of single settings.
    attempts : tuple of int
        Numbers of attempts of the table.
    reference_attempts : int
        Live attempts of the equivalence.
    reference_minutes : float
        Live minutes a player of the equivalence per minute.
    prob : float
        Probability of every interval.

    Raises
    ------
    DiagnosticsError
        When a fit did not pass its diagnostics.
    """
    require_fits(verdict_fit, forecast_fit)
    sources: dict[str, RateInformation] = {}
    if forecast_fit is not None:
        sources = {
            setting: rate_information(forecast_fit.population, k)
            for k, setting in enumerate(forecast_fit.settings)
        }
    modes = {
        mode: rate_information(verdict_fit.population, k)
        for k, mode in enumerate(verdict_fit.settings)
    }
    sources |= {f"all {mode}": source for mode, source in modes.items()}
    rates = {mode: attempts_per_minute(verdict_fit.cells, mode) for mode in ("rep", "live")}
    rows: list[dict[str, Any]] = []
    draws: np.ndarray | None = None
    if len(modes) == 2:
        draws = equivalent_attempts(modes["live"], modes["rep"], float(reference_attempts))
        rows.append(_equivalence_row("per attempt", float(reference_attempts), draws, prob))
        if rates["live"] is not None and rates["rep"] is not None:
            live_n = reference_minutes * rates["live"]
            minutes = equivalent_attempts(modes["live"], modes["rep"], live_n) / rates["rep"]
            rows.append(_equivalence_row("per minute", float(reference_minutes), minutes, prob))
    equivalence = pd.DataFrame(
        rows,
        columns=["basis", "amount", "median", "low", "high", "share_unreachable", "prob", "kind"],
    )
    return Information(
        table=_information_table(sources, attempts, prob),
        equivalence=equivalence,
        rates=rates,
        equivalent_draws=draws,
        text=_write_information(equivalence, rates, verdict_fit.modes),
        provenance=verdict_fit.provenance,
    )


def _equivalence_row(basis: str, amount: float, draws: np.ndarray, prob: float) -> dict[str, Any]:
    """One row of `Information.equivalence`."""
    median, low, high = _quantiles(draws, prob)
    return {
        "basis": basis,
        "amount": amount,
        "median": median,
        "low": low,
        "high": high,
        "share_unreachable": float(np.isinf(draws).mean()),
        "prob": prob,
        "kind": "eti",
    }


def _amount(value: float, unit: str) -> str:
    return "no limit" if np.isinf(value) else f"{value:,.0f} {unit}"


def _write_information(
    equivalence: pd.DataFrame, rates: dict[str, float | None], modes: tuple[str, ...]
) -> str:
    """Sentences on the equivalence."""
    if equivalence.empty:
        charted = "rep" if "rep" in modes else "live"
        return f"Only {charted} shooting was charted, so live and rep attempts cannot be set equal."
    parts = []
    for row in equivalence.to_dict(orient="records"):
        unit = "attempts" if row["basis"] == "per attempt" else "minutes"
        if np.isinf(row["median"]):
            parts.append(
                f"{row['amount']:,.0f} live {unit} a player most likely tell more about the "
                f"player's games than any number of rep {unit} would: the chance of that is "
                f"{100 * row['share_unreachable']:.0f}%."
            )
            continue
        parts.append(
            f"{row['amount']:,.0f} live {unit} a player tell as much about the player's games as "
            f"{_amount(row['median'], 'rep ' + unit)} (median; {100 * row['prob']:.0f}% "
            f"equal-tailed interval {_amount(row['low'], unit)} to {_amount(row['high'], unit)}); "
            f"the chance that no number of rep {unit} tells as much is "
            f"{100 * row['share_unreachable']:.0f}%."
        )
    missing = [mode for mode, rate in rates.items() if rate is None]
    if missing:
        parts.append(
            f"Minutes were not charted for {' and '.join(missing)} work, so there is no figure per "
            "minute; chart the minutes of each drill to get it."
        )
    else:
        parts.append(
            f"Charted pace: {rates['rep']:.1f} rep and {rates['live']:.1f} live attempts a minute."
        )
    return " ".join(parts)
