"""How much an attempt tells: predictive R2 of n attempts, and live attempts in rep attempts.

For one setting the R2 of a make rate from n attempts with the true game logit rate is
rho^2 rel(n), with reliability rel(n) = tau^2 / (tau^2 + 1 / (n p (1 - p))), p at the population
mean (delta method on the logit). For a mode of several settings the attempts are split as they were
charted, and R2 is that of the best composite: c' (S + W / n)^-1 c with S the covariance of the true
rates, c their covariance with games (game variance one) and W the noise of one attempt. One
eigendecomposition per draw gives R2 for every n.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.models.alignment import count_cells, require_passed
from transfer.models.composition import mode_indices
from transfer.models.posterior import PopulationDraws, TransferPosterior
from transfer.provenance import Provenance
from transfer.records.cells import Cells
from transfer.results import Result

__all__ = [
    "Information",
    "ModeInformation",
    "attempts_per_minute",
    "equivalent_attempts",
    "mode_information",
    "read_information",
    "reliability",
]

_BISECTIONS = 60
_MOST_ATTEMPTS = 1e7


@dataclass(frozen=True)
class ModeInformation:
    """Spectrum that gives a composite's R2 for any number of attempts.

    Parameters
    ----------
    load : array, shape (D, k)
        Squared projections of the game covariance.
    root : array, shape (D, k)
        Eigenvalues of the true covariance in units of one attempt's noise.
    """

    load: np.ndarray
    root: np.ndarray

    def r2(self, attempts: np.ndarray | float) -> np.ndarray:
        """R2 of `attempts` in all (scalar or shape (D,)), shape (D,)."""
        n = np.broadcast_to(np.asarray(attempts, dtype=float), self.load.shape[:1])
        total: np.ndarray = np.sum(self.load * n[:, None] / (self.root * n[:, None] + 1.0), axis=1)
        return total


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


def reliability(population: PopulationDraws, k: int, attempts: float) -> np.ndarray:
    """Reliability of a make rate from n attempts in setting k, shape (D,).

    Parameters
    ----------
    population : PopulationDraws
    k : int
        Position of the setting, -1 for games.
    attempts : float
        Attempts a player, n.

    Returns
    -------
    array, shape (D,)
    """
    rate = expit(population.mu[:, k])
    signal = population.tau[:, k] ** 2 * attempts * rate * (1 - rate)
    return np.asarray(signal / (signal + 1.0))


def mode_information(
    population: PopulationDraws, subset: np.ndarray, shares: np.ndarray
) -> ModeInformation:
    """Spectrum of a composite of settings.

    Parameters
    ----------
    population : PopulationDraws
    subset : array of int, shape (k,)
        Settings of the composite.
    shares : array, shape (k,)
        Share of the attempts in each setting; settings without attempts are left out.

    Returns
    -------
    ModeInformation

    Raises
    ------
    ArgumentError
        When no setting of the subset has attempts.
    """
    used = subset[shares > 0]
    if used.size == 0:
        raise ArgumentError(
            "no setting of the composite has attempts",
            rule="a composite needs attempts in at least one of its settings",
            next_step="chart attempts in one of the settings",
        )
    part = shares[shares > 0] / shares.sum()
    rate = expit(population.mu[:, used])
    scale = population.tau[:, used] * np.sqrt(part * rate * (1 - rate))
    inner = population.omega[:, used[:, None], used[None, :]]
    whitened = scale[:, :, None] * inner * scale[:, None, :]
    root, vectors = np.linalg.eigh(whitened)
    projected = np.einsum("dij,di->dj", vectors, scale * population.omega[:, used, -1])
    return ModeInformation(projected**2, np.maximum(root, 0.0))


def equivalent_attempts(
    source: ModeInformation, target: ModeInformation, attempts: float
) -> np.ndarray:
    """Attempts of the target that tell as much as `attempts` of the source.

    Parameters
    ----------
    source, target : ModeInformation
    attempts : float
        Attempts of the source.

    Returns
    -------
    array, shape (D,)
        ``inf`` where not even ten million attempts of the target tell as much.
    """
    wanted = source.r2(attempts)
    low = np.full(wanted.shape, np.log(1e-6))
    high = np.full(wanted.shape, np.log(_MOST_ATTEMPTS))
    reachable = target.r2(_MOST_ATTEMPTS) >= wanted
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        enough = target.r2(np.exp(middle)) >= wanted
        high = np.where(enough, middle, high)
        low = np.where(enough, low, middle)
    return np.where(reachable, np.exp(high), np.inf)


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
    sources: dict[str, ModeInformation], attempts: tuple[int, ...], prob: float
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
    posterior: TransferPosterior,
    attempts: tuple[int, ...] = (25, 50, 100, 200, 400),
    reference_attempts: int = 100,
    reference_minutes: float = 60.0,
    prob: float = 0.90,
) -> Information:
    """How much practice attempts tell about games, and live work in terms of rep work.

    Parameters
    ----------
    posterior : TransferPosterior
    attempts : tuple of int
        Numbers of attempts of the table.
    reference_attempts : int
        Live attempts of the equivalence.
    reference_minutes : float
        Live minutes a player of the equivalence per minute.
    prob : float
        Probability of every interval.

    Returns
    -------
    Information

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    totals = count_cells(posterior).practice_n.sum(axis=0).astype(float)
    sources: dict[str, ModeInformation] = {}
    for k, setting in enumerate(posterior.settings):
        sources[setting] = mode_information(posterior.population, np.array([k]), np.ones(1))
    modes: dict[str, ModeInformation] = {}
    for mode in ("rep", "live"):
        subset = mode_indices(posterior.modes, mode)
        if subset.size and totals[subset].sum() > 0:
            modes[mode] = mode_information(posterior.population, subset, totals[subset])
            sources[f"all {mode}"] = modes[mode]
    rates = {mode: attempts_per_minute(posterior.cells, mode) for mode in ("rep", "live")}
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
        text=_write_information(equivalence, rates, posterior.modes),
        provenance=posterior.provenance,
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
