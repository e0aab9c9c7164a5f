"""Every player's raw rate beside the model's estimate, setting by setting."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.models.alignment import game_mix, require_passed
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
        player's expected rate, with the program's share included: practice at the model's
        reference distance and without a defender's share, games averaged over the conditions in
        which game attempts were charted.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    ArgumentError
        When the fit and the counts are not about the same players and settings.
    """
    require_passed(posterior.diagnostics)
    if posterior.units != cells.units or posterior.settings != cells.settings:
        raise ArgumentError(
            f"the fit holds {len(posterior.units)} players in {posterior.settings}, the records "
            f"{len(cells.units)} players in {cells.settings}",
            rule="estimates are shown beside the counts they were made from",
            next_step="fit these records again",
        )
    counts = _counts(cells)
    people = cells.table[list(_KEYS)].drop_duplicates("unit").set_index("unit")
    people = people.loc[list(posterior.units)].reset_index()
    mix = game_mix(posterior, cells)
    tail = (1.0 - prob) / 2.0
    pieces: list[pd.DataFrame] = []
    for setting in (*posterior.settings, GAME):
        logits = posterior.theta[:, :, posterior.index(setting)]
        rates = mix.rates(logits) if setting == GAME else expit(logits)
        low, high = np.quantile(rates, [tail, 1.0 - tail], axis=0)
        keys = pd.MultiIndex.from_product([posterior.units, [setting]])
        seen = counts.reindex(keys, fill_value=0)
        n, y = seen["n"].to_numpy(), seen["y"].to_numpy()
        pieces.append(
            people.assign(
                setting=setting,
                mode=setting.split("/")[0],
                n=n,
                y=y,
                raw=np.divide(y, n, out=np.full(n.size, np.nan), where=n > 0),
                mean=rates.mean(axis=0),
                low=low,
                high=high,
            )
        )
    return pd.concat(pieces, ignore_index=True)
