"""Records against priors: which quantity came out where its prior hardly put it, told in words.

A posterior median in the tail of its prior says that records and prior disagree, and that the
estimate is a compromise: the records alone would lie further out still (prior-data conflict; Evans
and Moshonov 2006, from memory). Only quantities whose priors come from other leagues or from
judgement are looked at; nothing is refitted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import stats

from transfer.models.alignment import require_passed
from transfer.models.posterior import TransferPosterior
from transfer.results import Estimates, Result, plain

__all__ = ["CONFLICT_TAIL", "PriorConflict", "prior_conflict"]

#: Two-sided tail probability of the posterior median under the prior, below which the two are said
#: to disagree (judgement, no source).
CONFLICT_TAIL = 0.05


@dataclass(frozen=True)
class PriorConflict(Result):
    """Where the records pulled a quantity into the tail of its prior.

    Parameters
    ----------
    table : DataFrame
        One row per ``quantity``: posterior ``median``, ``prior_median``, two-sided ``tail`` of the
        median under the prior, ``direction`` (``higher`` or ``lower`` than the prior said),
        ``conflict``.
    text : str
    """

    _estimates = Estimates("median", beside="prior_median")

    table: pd.DataFrame
    text: str

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {"tail": CONFLICT_TAIL, "table": plain(self.table), "text": self.text}


def _row(name: str, draws: np.ndarray, below: float, prior_median: float) -> dict[str, Any]:
    tail = 2 * min(below, 1 - below)
    return {
        "quantity": name,
        "median": float(np.median(draws)),
        "prior_median": prior_median,
        "tail": tail,
        "direction": "higher" if below > 0.5 else "lower",
        "conflict": tail < CONFLICT_TAIL,
    }


def _from_draws(name: str, draws: np.ndarray, prior: np.ndarray) -> dict[str, Any]:
    return _row(name, draws, float((prior < np.median(draws)).mean()), float(np.median(prior)))


def _from_law(name: str, draws: np.ndarray, law: Any) -> dict[str, Any]:
    return _row(name, draws, float(law.cdf(np.median(draws))), float(law.median()))


def prior_conflict(posterior: TransferPosterior) -> PriorConflict:
    """Compare what priors said with what came out.

    Parameters
    ----------
    posterior : TransferPosterior

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    after, before = posterior.population, posterior.prior
    rows = [
        _from_draws("mean game rate", after.mu[:, -1], before.mu[:, -1]),
        _from_draws("spread between players in games", after.tau[:, -1], before.tau[:, -1]),
    ]
    for k, setting in enumerate(posterior.settings):
        rows.append(
            _from_draws(f"spread between players in {setting}", after.tau[:, k], before.tau[:, k])
        )
        rho, prior = after.omega[:, k, -1], before.omega[:, k, -1]
        rows.append(_from_draws(f"correlation of {setting} with games", rho, prior))
    priors = posterior.provenance.settings["priors"]
    if "persistence" in posterior.terms:
        law = stats.beta(*priors["persistence"])
        rows.append(_from_law("persistence of players", posterior.terms["persistence"], law))
    for level in ("program", "season"):
        if f"{level}_sd" in posterior.terms:
            law = stats.halfnorm(scale=priors[f"{level}_game_sd"])
            draws = posterior.terms[f"{level}_sd"][:, -1]
            rows.append(_from_law(f"spread between {level}s in games", draws, law))
    table = pd.DataFrame(rows)
    return PriorConflict(table, _write(table))


def _write(table: pd.DataFrame) -> str:
    odd = table[table["conflict"]]
    if odd.empty:
        return "No quantity came out where its starting assumption hardly put it."
    told = "; ".join(f"{row.quantity} ({row.direction})" for row in odd.itertuples())
    return (
        f"The records disagree with the starting assumptions about: {told}. These estimates are a "
        "compromise and the records alone would lie further out: look for a different kind of shot "
        "or of charting, or give other starting assumptions (--priors)."
    )
