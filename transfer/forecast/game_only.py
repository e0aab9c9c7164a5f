"""The forecast from games alone: what practice charting has to beat.

It is the transfer model without practice settings, fitted to the same game counts under the same
priors. So it knows program, season, a player's other seasons, role, distance and contest as the
forecast with practice does, and what stays between the two is what practice tells.
"""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from transfer.errors import ArgumentError
from transfer.models.fit import fit_design
from transfer.models.posterior import TransferPosterior
from transfer.models.transfer_design import design_from_cells
from transfer.records.cells import GAME, Cells

__all__ = ["fit_game_only", "game_cells"]


def game_cells(cells: Cells) -> Cells:
    """Only the game counts of cells; who has no games keeps his place with zero attempts."""
    table = cells.table
    games = table[table["setting"] == GAME]
    others = table[~table["unit"].isin(games["unit"])].drop_duplicates("unit")
    others = others.assign(setting=GAME, mode=GAME, n=0, y=0, minutes=float("nan"))
    rows = pd.concat([games, others]) if len(others) else games
    # What practice tells is not known here: neither its contest levels nor how much there was.
    rows = rows.drop(columns=["level", "volume"], errors="ignore")
    rows = rows.sort_values("unit", kind="stable", ignore_index=True)
    return replace(cells, table=rows, settings=())


def fit_game_only(posterior: TransferPosterior) -> TransferPosterior:
    """Fit the games behind a fit again, without its practice.

    Parameters
    ----------
    posterior : TransferPosterior

    Returns
    -------
    TransferPosterior
        Of the same games, priors, divisors of attempts and seed.

    Raises
    ------
    ArgumentError
        When the fit does not tell its starting assumptions.
    DiagnosticsError
        When the sampler failed its gate twice.
    """
    if not posterior.settings:
        return posterior
    cells = game_cells(posterior.cells)
    priors = posterior.priors
    if priors is None:
        raise ArgumentError(
            "the fit does not tell its starting assumptions",
            rule="the games are fitted without practice under the same starting assumptions",
            next_step="pass what fit_transfer or load_fit returns, or the fit of the games alone",
        )
    effects = posterior.design_effects
    return fit_design(
        design_from_cells(cells, priors, effects),
        cells,
        priors,
        effects=effects,
        seed=posterior.provenance.seed,
    )
