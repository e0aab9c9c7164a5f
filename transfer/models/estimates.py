"""Every player's raw rate beside the model's estimate, setting by setting."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.models.alignment import count_cells, game_mix, require_passed
from transfer.models.posterior import TransferPosterior
from transfer.records.cells import GAME

__all__ = ["player_estimates"]


def player_estimates(posterior: TransferPosterior, prob: float = 0.90) -> pd.DataFrame:
    """Raw and estimated make rate of each player in each setting.

    Parameters
    ----------
    posterior : TransferPosterior
        A fit that passed its gate.
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
    """
    require_passed(posterior.diagnostics)
    counts = count_cells(posterior)
    attempts = np.column_stack([counts.practice_n, counts.game_n])
    makes = np.column_stack([counts.practice_y, counts.game_y])
    people = pd.DataFrame(
        {
            "unit": posterior.units,
            "player": counts.players,
            "program": counts.programs,
            "season": counts.seasons,
        }
    )
    mix = game_mix(posterior)
    tail = (1.0 - prob) / 2.0
    pieces: list[pd.DataFrame] = []
    settings, modes = (*posterior.settings, GAME), (*posterior.modes, GAME)
    for k, (setting, mode) in enumerate(zip(settings, modes, strict=True)):
        logits = posterior.theta[:, :, k]
        rates = mix.rates(logits) if setting == GAME else expit(logits)
        low, high = np.quantile(rates, [tail, 1.0 - tail], axis=0)
        n, y = attempts[:, k], makes[:, k]
        pieces.append(
            people.assign(
                setting=setting,
                mode=mode,
                n=n,
                y=y,
                raw=np.divide(y, n, out=np.full(n.size, np.nan), where=n > 0),
                mean=rates.mean(axis=0),
                low=low,
                high=high,
            )
        )
    return pd.concat(pieces, ignore_index=True)
