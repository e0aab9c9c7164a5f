"""Forecasts tell seasons apart: who has left is not shown, and the season to come has its own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_posterior
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.forecast.forecast import forecast_games, forecast_next_season
from transfer.models.posterior import TransferPosterior
from transfer.models.returners import next_season
from transfer.records.which_season import in_season


@pytest.fixture(scope="module")
def fit() -> TransferPosterior:
    """Six players of a program in 2030-31; the first two have left, two came to 2031-32."""
    cells = invented_cells(players=8)
    number = cells.table["player"].str[-2:].astype(int)
    before = cells.table[number <= 6].assign(season="2030-31")
    after = cells.table[number >= 3].assign(season="2031-32")
    table = pd.concat([before, after], ignore_index=True)
    table["unit"] = table["program"] + "/" + table["season"] + "/" + table["player"]
    units = tuple(sorted(table["unit"].unique()))
    fit = invented_posterior(replace(cells, table=table, units=units))
    settings = {**fit.provenance.settings, "priors": {"persistence": [10.0, 2.0]}}
    return replace(fit, provenance=replace(fit.provenance, settings=settings))


def test_seasons_are_picked_for_each_program():
    who = pd.DataFrame(
        {"program": ["A", "A", "B", None], "season": ["2030-31", "2031-32", "2030-31", None]}
    )
    assert in_season(who).tolist() == [False, True, True, True]
    assert in_season(who, "all").tolist() == [True] * 4
    assert in_season(who, "2030-31").tolist() == [True, False, True, False]
    with pytest.raises(ArgumentError, match="'2029-30'"):
        in_season(who, "2029-30")


def test_who_has_left_is_shown_only_when_asked_for(fit):
    latest = forecast_games(fit)
    assert set(latest.table["season"]) == {"2031-32"}
    assert latest.table["player"].str[-2:].tolist() == ["03", "04", "05", "06", "07", "08"]
    assert "Player-seasons that are not shown: 6." in latest.text
    assert "6 player-seasons run" in latest.text
    everybody = forecast_games(fit, season="all")
    assert len(everybody.table) == 12
    assert "not shown" not in everybody.text
    earlier = forecast_games(fit, season="2030-31")
    assert earlier.table["player"].str[-2:].tolist() == ["01", "02", "03", "04", "05", "06"]
    place = [i for i, unit in enumerate(fit.units) if "2030-31" in unit]
    want = expit(fit.theta[:, place, -1]).mean(axis=0)
    np.testing.assert_allclose(earlier.table["mean"], want)


def test_the_next_season_is_that_of_players_who_are_still_there(fit):
    found = forecast_next_season(fit, seed=4)
    assert found.table["player"].str[-2:].tolist() == ["03", "04", "05", "06", "07", "08"]
    ahead = next_season(fit, 4)
    here = [name[-2:] not in ("01", "02") for name in ahead.players]
    want = expit(ahead.theta[:, here, -1])
    np.testing.assert_allclose(found.table["mean"], want.mean(axis=0))
    np.testing.assert_allclose(found.table["low"], np.quantile(want, 0.05, axis=0))
    # Attempts of all his seasons stand behind the forecast of a player.
    games = fit.cells.table[fit.cells.table["setting"] == "game"].groupby("player")["n"].sum()
    assert found.table["attempts_game"].tolist() == [games.get(p, 0) for p in found.table["player"]]
    assert "starting assumption alone" in found.text
