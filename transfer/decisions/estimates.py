"""Every player's raw rate beside the model's estimate, setting by setting."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.models.posterior import TransferPosterior
from transfer.records.cells import GAME, Cells

__all__ = ["player_estimates"]

_KEYS = ("unit", "player", "program", "season")


def _counts(cells: Cells) -> pd.DataFrame:
    """Attempts and makes by unit and setting, optional cell splits summed."""
    counts = cells.table.groupby(["unit", "setting"], sort=True)[["n", "y"]].sum()
    return counts.astype(int)


def player_estimates(
    posterior: TransferPosterior, cells: Cells, prob: float = 0.90
) -> pd.DataFrame:
    """Raw and estimated make rate of each player in each setting.

    Parameters
    ----------
    posterior : TransferPosterior
        A fit that passed its gate.
    cells : Cells
        The counts it was fitted to.
    prob : float
        Probability of the equal-tailed interval of the expected rate.

    Returns
    -------
    DataFrame
        One row per unit and setting (practice settings in order, game last) with columns
        ``unit``, ``player``, ``program``, ``season``, ``setting``, ``mode``, ``n``, ``y``,
        ``raw`` (NaN without attempts), ``mean``, ``low``, ``high``. Rates are proportions of the
        player's expected rate, with the program's share included, at the model's reference
        distance and contest.

    Raises
    ------
    ArgumentError
        When the fit and the counts are not about the same players and settings.
    """
    if posterior.units != cells.units or posterior.settings != cells.settings:
        raise ArgumentError(
            f"the fit holds {len(posterior.units)} players in {posterior.settings}, the records "
            f"{len(cells.units)} players in {cells.settings}",
            rule="estimates are shown beside the counts they were made from",
            next_step="fit these records again",
        )
    counts = _counts(cells)
    people = cells.table[list(_KEYS)].drop_duplicates("unit").set_index("unit")
    tail = (1.0 - prob) / 2.0
    rows: list[dict[str, Any]] = []
    for setting in (*posterior.settings, GAME):
        rates = expit(posterior.theta[:, :, posterior.index(setting)])
        low, high = np.quantile(rates, [tail, 1.0 - tail], axis=0)
        for i, unit in enumerate(posterior.units):
            n, y = counts.loc[(unit, setting)] if (unit, setting) in counts.index else (0, 0)
            person = people.loc[unit]
            rows.append(
                {
                    "unit": unit,
                    **{key: person[key] for key in _KEYS[1:]},
                    "setting": setting,
                    "mode": setting.split("/")[0],
                    "n": int(n),
                    "y": int(y),
                    "raw": y / n if n else np.nan,
                    "mean": float(rates[:, i].mean()),
                    "low": float(low[i]),
                    "high": float(high[i]),
                }
            )
    return pd.DataFrame(rows)
