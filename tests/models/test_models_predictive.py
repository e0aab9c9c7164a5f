"""Prior and posterior predictive views against exact draws, seasons from the model and misfits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented import invented_cells, invented_posterior
from scipy.special import expit, logit

from transfer.errors import ArgumentError
from transfer.models.posterior import PopulationDraws
from transfer.models.predictive import posterior_predictive, prior_predictive
from transfer.models.priors import TransferPriors

SETTINGS = ("rep/none", "live/trailing")


def true_fit(cells, rates, draws=400):
    """Return a posterior that knows the rates of every player exactly."""
    fit = invented_posterior(cells, draws=draws)
    theta = np.broadcast_to(logit(rates), (draws, *rates.shape)).copy()
    k = rates.shape[1]
    population = PopulationDraws(
        np.broadcast_to(logit(rates).mean(axis=0), (draws, k)).copy(),
        np.broadcast_to(logit(rates).std(axis=0) + 1e-6, (draws, k)).copy(),
        np.broadcast_to(np.eye(k), (draws, k, k)).copy(),
    )
    return replace(fit, theta=theta, population=population)


def with_makes(cells, rates, rng):
    """Draw the makes of every cell from the rates."""
    order = {name: k for k, name in enumerate((*cells.settings, "game"))}
    rows = cells.table["unit"].map({u: i for i, u in enumerate(cells.units)}).to_numpy()
    cols = cells.table["setting"].map(order).to_numpy()
    n = cells.table["n"].to_numpy()
    return replace(cells, table=cells.table.assign(y=rng.binomial(n, rates[rows, cols])))


def test_prior_limits_of_the_average_rate_are_those_of_the_normal():
    # Exact: quantiles of expit(N(mean, sd)) are expit of the normal quantiles.
    priors = TransferPriors.for_level("women_college")
    found = prior_predictive(SETTINGS, priors, 75, seed=3, draws=20_000)
    game = found.table.set_index("setting").loc["game"]
    exact = expit(logit(0.37) + 0.3 * np.array([-1.6449, 1.6449]))
    assert [game["rate_low"], game["rate_high"]] == pytest.approx(exact, abs=0.006)


def test_prior_favours_neither_live_nor_rep():
    found = prior_predictive(SETTINGS, seed=4, draws=6000)
    assert found.probability_live == pytest.approx(0.5, abs=0.03)
    assert found.contrast.low < -0.2
    assert found.contrast.high > 0.2
    assert "chance of" in found.text


def test_more_settings_of_a_mode_tilt_the_prior_contrast_toward_it():
    # Best composite of three settings explains at least as much as one of them, on average more.
    found = prior_predictive(("rep/none", "live/light", "live/trailing", "live/front"), seed=5)
    assert found.contrast_draws.mean() > 0.02


def test_raw_rates_spread_more_than_true_rates():
    few = prior_predictive(SETTINGS, attempts=10, seed=6).table
    many = prior_predictive(SETTINGS, attempts=100_000, seed=6).table
    width = (few["raw_high"] - few["raw_low"]) - (few["player_high"] - few["player_low"])
    assert (width > 0.03).all()
    assert np.allclose(many["raw_low"], many["player_low"], atol=0.01)


def test_one_mode_has_no_contrast_and_says_so():
    found = prior_predictive(("rep/none",), seed=1, draws=500)
    assert found.contrast is None
    assert found.probability_live is None
    assert "no live-against-rep comparison" in found.text


def test_prior_is_repeatable_and_bad_arguments_are_named():
    again = prior_predictive(SETTINGS, seed=9, draws=300).table
    assert again.equals(prior_predictive(SETTINGS, seed=9, draws=300).table)
    with pytest.raises(ArgumentError, match="game"):
        prior_predictive(SETTINGS, attempts=dict.fromkeys(SETTINGS, 10))
    with pytest.raises(ArgumentError, match="settings is empty"):
        prior_predictive(())


@pytest.mark.parametrize("players", ["same", "new"])
def test_seasons_from_the_model_look_ordinary(players):
    rng = np.random.default_rng(2)
    cells = invented_cells(players=40)
    rates = expit(rng.normal(-0.2, 0.3, (len(cells.units), 3)))
    fit = true_fit(with_makes(cells, rates, rng), rates)
    found = posterior_predictive(fit, 1, players=players)
    assert found.table["extreme"].mean() < 0.05
    assert found.by_setting["p"].between(0.01, 0.99).all()
    assert found.table["expected"].sum() == pytest.approx(found.table["y"].sum(), rel=0.06)


def test_chi_squared_of_the_true_rates_is_one_per_cell():
    rng = np.random.default_rng(8)
    cells = invented_cells(players=60)
    rates = expit(rng.normal(-0.2, 0.3, (len(cells.units), 3)))
    found = posterior_predictive(true_fit(with_makes(cells, rates, rng), rates))
    cells_held = len(found.table)
    error = 4 * np.sqrt(2 / cells_held)
    assert found.table["chi2"].mean() == pytest.approx(1.0, abs=error)
    assert (found.by_setting["replicated"] / found.by_setting["cells"]).mean() == pytest.approx(
        1.0, abs=0.05
    )


def test_a_swapped_player_is_found():
    rng = np.random.default_rng(3)
    cells = invented_cells(players=12)
    rates = expit(rng.normal(-0.2, 0.2, (len(cells.units), 3)))
    drawn = with_makes(cells, rates, rng)
    wrong = drawn.table.copy()
    row = wrong.index[(wrong["unit"] == cells.units[4]) & (wrong["setting"] == "rep/none")][0]
    wrong.loc[row, "y"] = wrong.loc[row, "n"]
    found = posterior_predictive(true_fit(replace(drawn, table=wrong), rates))
    worst = found.extreme.iloc[0]
    assert (worst["unit"], worst["setting"]) == (cells.units[4], "rep/none")
    assert "rep/none" in found.text
    assert "vary more" in found.text


def test_players_who_differ_more_than_the_population_says_are_found():
    rng = np.random.default_rng(5)
    cells = invented_cells(players=30)
    rates = expit(rng.normal(-0.2, 0.8, (len(cells.units), 3)))
    fit = true_fit(with_makes(cells, rates, rng), rates)
    narrow = replace(fit.population, tau=np.full_like(fit.population.tau, 0.1))
    new = posterior_predictive(replace(fit, population=narrow), players="new")
    assert (new.by_setting["p"] < 0.05).all()
    same = posterior_predictive(replace(fit, population=narrow), players="same")
    assert (same.by_setting["p"] > 0.01).all()


def test_distance_term_enters_the_drawn_makes():
    cells = invented_cells(players=5)
    rates = np.full((len(cells.units), 3), 0.4)
    fit = true_fit(cells, rates)
    far = replace(cells, table=cells.table.assign(distance_ft=13.0))
    slope = np.full((fit.draws, 3), -0.3)
    sloped = replace(fit, cells=far, terms={"beta_distance": slope})
    expected = posterior_predictive(sloped).table
    n_times_rate = expected["n"] * expit(logit(0.4) - 0.3 * 5.0)
    assert expected["expected"].sum() == pytest.approx(n_times_rate.sum(), rel=0.03)


def test_cells_of_another_fit_and_unknown_players_are_refused():
    fit = invented_posterior(invented_cells(players=4))
    with pytest.raises(ArgumentError, match="fitted"):
        replace(fit, cells=invented_cells(players=5))
    with pytest.raises(ArgumentError, match="players="):
        posterior_predictive(fit, players="old")
