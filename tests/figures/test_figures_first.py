from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented import invented_cells, invented_posterior
from scipy.special import expit, logit

from transfer.errors import ArgumentError
from transfer.models.estimates import player_estimates
from transfer.page import style
from transfer.reading import figure_correlations as correlations
from transfer.reading import figure_intervals as intervals
from transfer.reading import figure_practice_game as practice_game
from transfer.reading import figure_shrinkage as shrinkage


@pytest.fixture(scope="module")
def cells():
    return invented_cells(5, ("A", "B"))


@pytest.fixture(scope="module")
def posterior(cells):
    return invented_posterior(cells)


def test_estimates_hold_counts_and_ordered_intervals(posterior, cells):
    table = player_estimates(posterior, 0.8)
    assert len(table) == 10 * 3
    assert table["n"].sum() == cells.table["n"].sum()
    assert ((table["low"] < table["mean"]) & (table["mean"] < table["high"])).all()
    assert table.loc[table["n"] == 0, "raw"].isna().all()
    assert (table["n"] == 0).sum() == 2
    wider = player_estimates(posterior, 0.95)
    assert ((wider["high"] - wider["low"]) > (table["high"] - table["low"])).all()


def test_a_fit_refuses_the_counts_of_other_players(posterior):
    with pytest.raises(ArgumentError, match="players"):
        replace(posterior, cells=invented_cells(4, ("A", "B")))


def test_shrinkage_pulls_game_rates_together_and_skips_players_without_attempts(posterior, cells):
    table = shrinkage.frame(posterior)
    game = table[table["setting"] == "game"]
    assert len(game) == 8
    assert game["mean"].std() < game["raw"].std()
    assert "raw" in shrinkage.describe(table)


def test_intervals_stand_in_the_order_of_codes_with_everyone_in(posterior, cells):
    table = intervals.frame(posterior)
    assert len(table) == 10
    assert list(table["player"]) == sorted(table["player"][:5]) * 2
    assert list(table["group"].unique()) == ["A, 2025-26", "B, 2025-26"]


def test_practice_game_pairs_each_practice_setting_with_the_same_game_estimate(posterior, cells):
    table = practice_game.frame(posterior)
    players = table[table["what"] == "player"]
    counts = cells.table[cells.table["n"] > 0].set_index(["unit", "setting"])
    shot = set(counts.index)
    pairs = {(u, s) for u, s in shot if s != "game" and (u, "game") in shot}
    assert set(zip(players["unit"], players["setting"], strict=True)) == pairs
    for row in players.itertuples():  # charted counts: nothing borrowed
        for where, rate in ((row.setting, row.rate_practice), ("game", row.rate_game)):
            cell = counts.loc[(row.unit, where)]
            assert rate == pytest.approx(cell["y"] / cell["n"])
    assert (players["low_game"] < players["rate_game"]).all()


def test_the_fitted_line_is_that_of_the_draws_and_flat_without_correlation(posterior):
    table = practice_game.frame(posterior)
    line = table[(table["what"] == "line") & (table["setting"] == "rep/none")]
    assert line["rate_practice"].is_monotonic_increasing
    assert ((line["low_game"] < line["rate_game"]) & (line["rate_game"] < line["high_game"])).all()
    draws, at = posterior.population, posterior.index("rep/none")
    rho, x = draws.omega[:, at, -1], line["rate_practice"].iloc[-1]
    eta = draws.mu[:, -1] + rho * draws.tau[:, -1] / draws.tau[:, at] * (logit(x) - draws.mu[:, at])
    assert line["rate_game"].iloc[-1] == pytest.approx(expit(eta).mean(), abs=1e-6)
    omega = draws.omega.copy()
    omega[:, :, -1] = omega[:, -1, :] = 0.0
    omega[:, -1, -1] = 1.0
    flat = practice_game.frame(replace(posterior, population=replace(draws, omega=omega)))
    level = flat.loc[flat["what"] == "line"].groupby("setting")["rate_game"]
    assert (level.max() - level.min()).max() < 1e-9


def test_correlation_densities_integrate_to_one_and_match_the_draws(posterior):
    table = correlations.frame(posterior, 0.5)
    step = correlations.GRID[1] - correlations.GRID[0]
    for (setting, which), rows in table.groupby(["setting", "which"]):
        draws = posterior.population if which == "posterior" else posterior.prior
        rho = draws.omega[:, posterior.index(setting), -1]
        assert rows["density"].sum() * step == pytest.approx(1.0, abs=0.06)
        assert rows["mean"].iloc[0] == pytest.approx(rho.mean())
        assert np.mean((rho > rows["low"].iloc[0]) & (rho < rows["high"].iloc[0])) == (
            pytest.approx(0.5, abs=0.02)
        )


@pytest.mark.parametrize("module", [shrinkage, intervals, practice_game])
def test_each_figure_draws_every_panel_and_describes_itself(module, posterior):
    table = module.frame(posterior)
    figure = module.draw(table)
    panels = [axes for axes in figure.axes if axes.axison]
    column = "group" if module is intervals else "setting"
    assert len(panels) == table[column].nunique()
    assert module.describe(table).endswith(".")


def test_many_players_are_a_cloud_and_not_a_bundle_of_lines():
    few = shrinkage.draw(shrinkage.frame(invented_posterior(invented_cells(5))))
    assert all(axes.collections for axes in few.axes if axes.axison)
    labels = [t.get_text() for t in few.axes[0].get_xticklabels()]
    assert labels == ["raw", "estimated"]
    many = shrinkage.draw(shrinkage.frame(invented_posterior(invented_cells(shrinkage.LINES + 5))))
    assert many.get_supxlabel() == "raw make rate"
    assert not many.axes[0].lines[0].get_marker().strip("None")


def test_correlation_rows_are_named_after_the_settings(posterior):
    figure = correlations.draw(correlations.frame(posterior))
    labels = [label.get_text() for label in figure.axes[0].get_yticklabels()]
    assert labels == ["rep, none", "live, trailing"]


def test_style_leaves_the_users_own_settings_alone():
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    with style.styled():
        assert mpl.rcParams["svg.hashsalt"] == "practice-transfer"
    assert dict(mpl.rcParams) == before
