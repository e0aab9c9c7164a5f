"""A fit as ArviZ has it: named axes, nothing lost on the way, and its functions run on it."""

from __future__ import annotations

from dataclasses import fields, replace

import arviz as az
import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_posterior
from scipy.special import expit
from scipy.stats import binom

from transfer.errors import ArgumentError
from transfer.forecast.leave_out import leave_player_out_weights
from transfer.models.alignment import count_cells
from transfer.models.datatree import from_tree, saved_tree
from transfer.models.fit import fit_transfer
from transfer.models.storage import save_fit

GROUPS = {
    "posterior", "prior", "sample_stats", "observed_data", "constant_data", "log_likelihood",
}  # fmt: skip


@pytest.fixture(scope="module")
def fit():
    """A real fit of two programs."""
    return fit_transfer(invented_cells(6, ("A", "B")), seed=3)


@pytest.fixture(scope="module")
def tree(fit):
    return fit.to_datatree()


@pytest.mark.fit
def test_groups_and_axes_have_names(fit, tree):
    assert set(tree.children) == GROUPS
    sampler = fit.provenance.settings["sampler"]
    for name in ("posterior", "sample_stats", "log_likelihood"):
        assert tree[name].sizes["chain"] == sampler["chains"] == fit.chains
        assert tree[name].sizes["draw"] == sampler["draws"]
    drawn = tree["posterior"]
    assert drawn["program_effect"].dims == ("chain", "draw", "program", "setting")
    assert list(drawn["program"].values) == ["A", "B"]
    one = drawn["theta"].sel(unit="B/2025-26/P02", setting="live/trailing")
    at = fit.units.index("B/2025-26/P02")
    np.testing.assert_array_equal(one.values.ravel(), fit.theta[:, at, fit.index("live/trailing")])
    assert not tree["sample_stats"]["diverging"].any()
    assert int(tree["observed_data"]["y"].sum()) == fit.cells.table["y"].sum()
    played = tree["constant_data"]["n"].where(tree["constant_data"]["setting"] == "game")
    assert played.sum() == count_cells(fit).game_n.sum()


@pytest.mark.fit
def test_summary_agrees_with_the_gate_and_with_the_draws(fit, tree):
    told = az.summary(tree, var_names=["mu", "tau", "program_sd"], round_to="none")
    np.testing.assert_allclose(told["mean"].to_numpy()[:3], fit.population.mu.mean(axis=0))
    assert told["r_hat"].max() <= fit.diagnostics.rhat_max + 1e-9
    assert told["ess_bulk"].min() >= fit.diagnostics.ess_bulk_min - 1e-6


@pytest.mark.fit
def test_loo_leaves_out_a_players_games_as_the_forecasts_do(fit, tree):
    loo = az.loo(tree, pointwise=True)
    ours = leave_player_out_weights(fit)
    played = count_cells(fit).game_n > 0
    assert not played.all()
    # ArviZ takes the tail by the effective draws; a player without a game has no ratios.
    np.testing.assert_allclose(loo.pareto_k.values[played], ours.khat[played], atol=0.1)
    log_likelihood = tree["log_likelihood"]["games"].values.reshape(fit.draws, -1)
    density = np.sum(np.exp(ours.log_weights + log_likelihood), axis=0)
    np.testing.assert_allclose(loo.elpd_i.values, np.log(density), atol=0.02)


@pytest.mark.fit
def test_plots_of_arviz_run_and_show_both_prior_and_posterior(tree):
    with mpl.rc_context({"figure.max_open_warning": 0}):
        forest = az.plot_forest(tree, var_names=["theta"], backend="matplotlib")
        assert forest.viz["unit_label"]["theta"].sizes["unit"] == 12
        both = az.plot_prior_posterior(tree, var_names=["mu"], backend="matplotlib")
        assert both.viz["dist"]["mu"].sel(group="prior", setting="game").item() is not None
        assert list(both.viz["dist"]["group"].values) == ["prior", "posterior"]
        mpl.pyplot.close("all")


@pytest.mark.fit
def test_a_saved_fit_opens_as_a_tree(fit, tree, tmp_path):
    opened = az.from_netcdf(save_fit(fit, tmp_path / "fit.nc"))
    assert set(opened.children) == GROUPS - {"log_likelihood"}
    for name in opened.children:
        assert opened[name].to_dataset().equals(tree[name].to_dataset())
    opened.close()


def test_nothing_is_lost_on_the_way_there_and_back():
    cells = invented_cells(3, ("A",))
    fit = invented_posterior(cells, draws=40)
    rng = np.random.default_rng(1)
    fit = replace(
        fit,
        terms={
            "position": rng.normal(size=(40, 2, 3)),
            "beta_contest": rng.normal(size=(40, 2)),
            "beta_covariate": rng.normal(size=(40, 4)),
            "persistence": rng.uniform(size=40),
        },
        labels={"position": ("big", "guard"), "contests": ("light", "front"), "programs": ("A",)},
        chains=4,
        sample_stats={"diverging": np.zeros(40, dtype=bool)},
    )
    tree = saved_tree(fit)
    assert tree["posterior"]["position"].dims[2:] == ("position_level", "setting")
    assert tree["posterior"]["beta_contest"].sel(contest="front").shape == (4, 10)
    assert tree["posterior"]["persistence"].dims == ("chain", "draw")
    found = from_tree(tree)
    for part in fields(fit):
        one, other = getattr(fit, part.name), getattr(found, part.name)
        if part.name in ("population", "prior"):
            one, other = vars(one), vars(other)
        if part.name == "cells":
            pd.testing.assert_frame_equal(one.table, other.table, check_dtype=False)
        elif isinstance(one, np.ndarray):
            np.testing.assert_array_equal(one, other)
        elif isinstance(one, dict) and part.name != "labels":
            assert list(one) == list(other)
            for name, values in one.items():
                np.testing.assert_array_equal(values, other[name])
        else:
            assert one == other


def test_seasons_of_one_player_are_one_column_with_all_games():
    cells = invented_cells(2, ("A",))
    later = cells.table.assign(season="2026-27")
    later["unit"] = later["unit"].str.replace("2025-26", "2026-27")
    table = pd.concat([cells.table, later]).sort_values(["unit", "setting"], ignore_index=True)
    cells = replace(cells, table=table, units=tuple(sorted(table["unit"].unique())))
    fit = invented_posterior(cells, draws=50)
    fit = replace(fit, terms={"persistence": np.full(50, 0.9)})
    games = fit.to_datatree()["log_likelihood"]["games"]
    assert list(games["player"].values) == ["A/P01", "A/P02"]
    seasons = table[(table["setting"] == "game") & (table["player"] == "P02")]
    most = binom.logpmf(seasons["y"], seasons["n"], seasons["y"] / seasons["n"]).sum()
    values = games.sel(player="A/P02").values
    assert (values < most).all()
    assert expit(values.max()) > 0


def test_draws_that_do_not_fill_their_chains_are_refused():
    with pytest.raises(ArgumentError, match="chains=3"):
        replace(invented_posterior(invented_cells(2), draws=40), chains=3)
