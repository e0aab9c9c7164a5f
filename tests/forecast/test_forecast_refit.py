"""Leaving a player out by importance weights equals fitting again without that player's games."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit

from transfer.forecast.leave_out import leave_player_out_weights, practice_only_forecast
from transfer.models.fit import fit_design, fit_transfer
from transfer.models.transfer_design import design_from_cells
from transfer.simulation.seasons import operating_truth, simulate_cells


def without_games(cells, player):
    """The counts with one player's game attempts taken out."""
    out = (cells.table["unit"] == cells.units[player]) & (cells.table["setting"] == "game")
    return replace(cells, table=cells.table[~out].reset_index(drop=True))


@pytest.mark.fit
def test_weights_and_refits_agree_at_one_team():
    """One team of 14: mean forecast within .006 and spread within 15 % for four players."""
    cells, _ = simulate_cells(operating_truth(0.3), 14, 8)
    posterior = fit_transfer(cells, seed=3)
    design = design_from_cells(cells)
    weighted = practice_only_forecast(leave_player_out_weights(posterior), seed=3)
    weights = np.exp(weighted.log_weights - weighted.log_weights.max(axis=0))
    weights /= weights.sum(axis=0)
    for player in (0, 4, 8, 13):
        again = fit_design(design.without_games(player), without_games(cells, player), seed=3)
        exact = expit(again.theta[:, player, -1])
        mean = weights[:, player] @ weighted.rates[:, player]
        spread = np.sqrt(weights[:, player] @ (weighted.rates[:, player] - mean) ** 2)
        assert mean == pytest.approx(exact.mean(), abs=0.006), player
        assert spread == pytest.approx(exact.std(), rel=0.15), player
