"""The numpy twin against dense algebra, brute-force integration and finer grids."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import optimize
from scipy.special import log_expit

from transfer.errors import ArgumentError
from transfer.models.growth_data import dose_of, growth_data_from_season, until_week
from transfer.models.growth_laplace import (
    PLAYER_SD_GRID,
    fit_growth_laplace,
    gain_mixture,
    planned_information,
)
from transfer.models.growth_settings import GrowthPriors, GrowthSettings
from transfer.models.laplace_blocks import week_precision
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Parallel


def season_data(teams: int = 1, seed: int = 1, schedule=None, parallel: bool = False, **truth):
    season = simulate_growth(GrowthTruth(teams=teams, **truth), schedule or Crossover(13), seed)
    return growth_data_from_season(season, parallel=parallel)


def dense_fit(data, settings, player_sd):
    """Mode and covariance by a general optimiser and one dense matrix, written apart."""
    priors = settings.priors
    dose = dose_of(data)
    players, weeks = data.n.shape
    teams = data.team_count
    columns = [np.ones((players, weeks)), *dose.within]
    columns += [np.broadcast_to(b[:, None], (players, weeks)) for b in dose.between]
    x = np.stack([c.ravel() for c in columns], axis=1)
    unit = np.repeat(np.eye(players), weeks, axis=0)
    cell = data.team[:, None] * weeks + np.arange(weeks)
    week = np.eye(teams * weeks)[cell.ravel()]
    # team levels and zero-sum weeks apart, as in the model's definition
    basis = np.linalg.svd(np.eye(weeks) - 1.0 / weeks)[0][:, : weeks - 1]
    level = np.eye(teams)[np.repeat(data.team, weeks)]
    design = np.hstack([x, level, unit, week @ np.kron(np.eye(teams), basis)])
    sd = np.concatenate(
        [
            [priors.intercept_sd, priors.gain_sd, priors.gain_sd],
            [priors.between_sd] * 2,
            [priors.team_sd] * teams,
            [player_sd] * players,
            [priors.week_sd] * (teams * (weeks - 1)),
        ]
    )
    mean = np.zeros(len(sd))
    mean[1:5] = priors.gain_mean, priors.gain_mean, priors.between_mean, priors.between_mean
    n, y = data.n.ravel(), data.y.ravel()

    def loss(beta):
        eta = design @ beta
        value = -(y * log_expit(eta) + (n - y) * log_expit(-eta)).sum()
        rate = np.exp(log_expit(eta))
        penalty = (beta - mean) / sd
        return value + 0.5 * penalty @ penalty, design.T @ (n * rate - y) + penalty / sd

    found = optimize.minimize(
        loss,
        mean,
        jac=True,
        method="L-BFGS-B",
        options={"maxiter": 5000, "ftol": 1e-14, "gtol": 1e-9},
    )
    rate = np.exp(log_expit(design @ found.x))
    information = design.T @ ((n * rate * (1 - rate))[:, None] * design) + np.diag(sd**-2)
    return found.x[1:3], np.linalg.inv(information)[1:3, 1:3]


@pytest.mark.parametrize("teams", [1, 2])
def test_mode_and_curvature_equal_a_dense_fit(teams):
    data = season_data(teams, seed=4)
    settings = GrowthSettings()
    mixture = gain_mixture([data], settings, player_sd=(0.22,))
    mean, covariance = dense_fit(data, settings, 0.22)
    np.testing.assert_allclose(mixture.means[0, 0], mean, atol=2e-5)
    np.testing.assert_allclose(mixture.covariances[0, 0], covariance, rtol=2e-4)


def test_week_precision_inverts_the_zero_sum_covariance():
    weeks, week_sd, team_sd = 9, 0.4, 0.3
    mean = np.full((weeks, weeks), 1.0 / weeks)
    covariance = week_sd**2 * (np.eye(weeks) - mean) + team_sd**2 * np.ones((weeks, weeks))
    product = week_precision(weeks, week_sd, team_sd) @ covariance
    np.testing.assert_allclose(product, np.eye(weeks), atol=1e-10)


@pytest.mark.parametrize(("teams", "seed"), [(1, 1), (1, 2), (3, 3)])
def test_grid_of_six_is_fine_enough(teams, seed):
    data = season_data(teams, seed)
    six = gain_mixture([data])
    fine = gain_mixture([data], player_sd=np.linspace(0.02, 0.9, 30))
    assert len(PLAYER_SD_GRID) == 6
    assert abs(six.contrast()[0] - fine.contrast()[0])[0] < 0.003
    assert six.contrast()[1][0] == pytest.approx(fine.contrast()[1][0], rel=0.01)


def test_batching_changes_nothing_and_uneven_teams_fit_in_one_batch():
    small = season_data(2, seed=6)
    keep = np.arange(small.players) != small.players - 1
    uneven = replace(
        small,
        n=small.n[keep],
        y=small.y[keep],
        minutes=small.minutes[:, keep],
        team=small.team[keep],
        start=small.start[:, keep],
        practice_n=None,
        practice_y=None,
    )
    sets = [small, uneven, season_data(2, seed=7)]
    together = gain_mixture(sets)
    for index, data in enumerate(sets):
        alone = gain_mixture([data])
        np.testing.assert_allclose(together.mean[index], alone.mean[0], atol=1e-7)
        np.testing.assert_allclose(together.covariance[index], alone.covariance[0], rtol=1e-6)


def test_batch_refuses_different_lengths():
    data = season_data()
    with pytest.raises(ArgumentError, match="one length"):
        gain_mixture([data, until_week(data, 20)])


def test_draws_match_the_moments_and_the_chances():
    mixture = gain_mixture([season_data(seed=8)])
    draws = mixture.draws(40_000, seed=3)
    delta = draws[:, 1] - draws[:, 0]
    mean, sd = mixture.contrast()
    assert delta.mean() == pytest.approx(mean[0], abs=4 * sd[0] / 200)
    assert delta.std() == pytest.approx(sd[0], rel=0.02)
    assert (delta < 0.1).mean() == pytest.approx(mixture.probability_below(0.1)[0], abs=0.01)
    np.testing.assert_array_equal(draws, mixture.draws(40_000, seed=3))


def test_no_games_gives_the_prior_back():
    data = season_data()
    empty = replace(data, n=np.zeros_like(data.n), y=np.zeros_like(data.y))
    mixture = gain_mixture([empty])
    priors = GrowthPriors()
    np.testing.assert_allclose(mixture.mean[0], priors.gain_mean, atol=1e-6)
    np.testing.assert_allclose(mixture.covariance[0], np.eye(2) * priors.gain_sd**2, atol=1e-8)


def test_flat_prior_curvature_is_the_planned_information():
    data = season_data(3, seed=9)
    settings = GrowthSettings().flat()
    expected = replace(data, n=data.n.astype(float))
    information = planned_information(expected, settings, 0.22, rate=0.45)
    planned = np.sqrt(np.array([-1, 1]) @ np.linalg.solve(information, np.array([-1, 1])))
    fitted = gain_mixture([data], settings, player_sd=(0.22,)).contrast()[1][0]
    assert fitted == pytest.approx(planned, rel=0.05)


def test_between_player_differences_do_not_enter_the_gains():
    # the better players have more live work; without movement inside players nothing is learned
    data = season_data(2, seed=10, schedule=Parallel(0.8))
    still = replace(data, start=data.minutes[:, :, 0].copy())
    mixture = gain_mixture([still])
    assert mixture.contrast()[1][0] == pytest.approx(np.sqrt(2) * 0.15, rel=1e-6)
    pooled = gain_mixture([replace(still, parallel=True)])
    assert pooled.contrast()[1][0] < 0.8 * mixture.contrast()[1][0]


def test_fit_carries_table_sentence_and_provenance():
    fit = fit_growth_laplace(season_data(3, seed=11), seed=5)
    assert list(fit.table["effect"]) == ["rep", "live", "live minus rep"]
    assert set(fit.table["kind"]) == {"eti"}
    assert set(fit.table["prob"]) == {0.9}
    assert "assigned by lot" in fit.text
    assert fit.provenance.settings["half_life"] == 4.0
    again = fit_growth_laplace(season_data(3, seed=11), seed=5)
    np.testing.assert_array_equal(fit.gains, again.gains)
    assert fit.to_dict() == again.to_dict()
    assert fit.contraction == pytest.approx(fit.delta.std(ddof=1) / (np.sqrt(2) * 0.15))
    assert not any("between" in str(value).lower() for value in fit.table["effect"])


def test_chosen_mix_carries_the_hot_form_caution():
    data = replace(season_data(seed=12), randomised=False)
    assert "no adjustment can remove it" in fit_growth_laplace(data).text


@pytest.mark.parametrize("half_life", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("shape", ["log1p", "linear", "hill"])
def test_sensitivity_settings_fit(half_life, shape):
    settings = GrowthSettings(half_life=half_life, shape=shape)
    mean, sd = gain_mixture([season_data(3, seed=13)], settings).contrast()
    assert np.isfinite(mean[0])
    assert 0.03 < sd[0] < np.sqrt(2) * 0.15


def test_one_team_takes_milliseconds():
    data = season_data()
    gain_mixture([data])
    begin = time.process_time()
    for _ in range(10):
        gain_mixture([data])
    # own simulation: about 4 ms; the bound leaves room for a slow or shared machine
    assert (time.process_time() - begin) / 10 < 0.1
