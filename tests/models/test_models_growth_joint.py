"""The robust mixture: limits, labels, and what a wrong carry-over does to it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from transfer.errors import ArgumentError
from transfer.models.growth_data import growth_data_from_season
from transfer.models.growth_joint import (
    LinkPrior,
    NormalGains,
    fit_growth_joint,
    linked_gains,
    synthesise,
    without_robust_part,
)
from transfer.models.growth_laplace import gain_mixture
from transfer.models.growth_settings import GrowthSettings
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover

SETTINGS = GrowthSettings()


@pytest.fixture(scope="module")
def data():
    truth = GrowthTruth(gain_practice=((0.30, 0.10), (0.20, 0.40)))
    return growth_data_from_season(simulate_growth(truth, Crossover(13), 21))


@pytest.fixture(scope="module")
def joint(data):
    return fit_growth_joint(data)


def test_both_variants_are_labelled_with_their_assumption(joint):
    assert set(joint) == {"live gains", "gains on the setting not drilled"}
    for variant, fit in joint.items():
        assert fit.text.startswith("If practice gains carry over")
        assert variant in fit.text
        assert "no carry-over" in fit.text
        assert "not the headline" in fit.text
        assert fit.to_dict()["label"] == "if practice gains carry over"
        assert 0.0 < fit.weight_no_carry_over < 1.0
        assert fit.table.loc[0, "no_carry_over_prior"] == 0.5


def test_full_weight_on_no_carry_over_is_the_game_only_answer(data):
    alone = fit_growth_joint(data, link=LinkPrior(no_carry_over=1.0))["live gains"]
    mean, sd = gain_mixture([data]).contrast()
    # the two-stage normal form rounds the game likelihood to its mode and curvature
    assert alone.delta_mean == pytest.approx(mean[0], abs=0.01)
    assert alone.delta_sd == pytest.approx(sd[0], rel=0.03)


def test_plain_link_is_narrower_and_mixture_lies_between(data, joint):
    link = fit_growth_joint(data, link=without_robust_part(LinkPrior()))["live gains"]
    game_only = gain_mixture([data]).contrast()[1][0]
    assert link.delta_sd < joint["live gains"].delta_sd < 1.05 * game_only
    assert link.weight_no_carry_over == 0.0


def test_mixture_weights_are_marginal_likelihoods():
    game = NormalGains(np.array([0.05, 0.30]), np.array([[0.030, 0.012], [0.012, 0.028]]))
    practice = NormalGains(np.array([0.10, 0.35]), np.array([[0.004, 0.001], [0.001, 0.003]]))
    link = LinkPrior()
    weights, means, covariances, carry = synthesise(game, practice, SETTINGS, link)
    prior = np.exp(-0.5 * ((carry - 0.6) / 0.25) ** 2)
    linked = sum(
        p
        * multivariate_normal.pdf(
            game.mean,
            value * practice.mean,
            value**2 * practice.covariance + 0.07**2 * np.eye(2) + game.covariance,
        )
        for p, value in zip(prior / prior.sum(), carry, strict=True)
    )
    apart = multivariate_normal.pdf(
        game.mean, np.full(2, 0.10), 0.15**2 * np.eye(2) + game.covariance
    )
    assert weights[-1] == pytest.approx(apart / (apart + linked), rel=1e-9)
    # last component: conjugate normal update, written with precisions
    precision = np.linalg.inv(game.covariance) + np.eye(2) / 0.15**2
    np.testing.assert_allclose(covariances[-1], np.linalg.inv(precision), rtol=1e-9)
    expected = np.linalg.solve(
        precision, np.linalg.solve(game.covariance, game.mean) + 0.10 / 0.15**2
    )
    np.testing.assert_allclose(means[-1], expected, rtol=1e-9)


def test_finer_grid_of_carry_over_changes_nothing(data, joint):
    fine = fit_growth_joint(data, link=LinkPrior(grid=401))["live gains"]
    assert fine.delta_mean == pytest.approx(joint["live gains"].delta_mean, abs=1e-3)
    assert fine.delta_sd == pytest.approx(joint["live gains"].delta_sd, rel=1e-3)


def test_off_diagonal_variant_ignores_own_drill_gains():
    rep = NormalGains(np.array([0.9, 0.1]), np.eye(2) * 1e-4)
    live = NormalGains(np.array([0.1, 0.9]), np.eye(2) * 1e-4)
    found = linked_gains(rep, live, LinkPrior())
    np.testing.assert_allclose(found["gains on the setting not drilled"].mean, 0.1, atol=0.01)
    assert found["live gains"].mean[1] > 0.85


def test_drill_specific_gains_fool_the_plain_link_more_than_the_mixture():
    truth = GrowthTruth(gain_rep=0.15, gain_live=0.15, gain_practice=((0.45, 0.05), (0.05, 0.45)))
    means = {"link": [], "mixture": []}
    for seed in range(6):
        data = growth_data_from_season(simulate_growth(truth, Crossover(13), 100 + seed))
        plain = fit_growth_joint(data, link=without_robust_part(LinkPrior()))
        means["link"].append(plain["live gains"].delta_mean)
        means["mixture"].append(fit_growth_joint(data)["live gains"].delta_mean)
    assert np.mean(means["link"]) > 0.05
    assert np.mean(means["mixture"]) < np.mean(means["link"])


def test_draws_have_the_moments(joint):
    fit = joint["live gains"]
    draws = fit.draws(40_000, seed=2)
    delta = draws[:, 1] - draws[:, 0]
    assert delta.mean() == pytest.approx(fit.delta_mean, abs=0.004)
    assert delta.std() == pytest.approx(fit.delta_sd, rel=0.02)
    assert fit.interval.prob == 0.9


def test_without_practice_makes_it_is_refused(data):
    bare = replace(data, practice_n=None, practice_y=None)
    with pytest.raises(ArgumentError, match="no practice attempts"):
        fit_growth_joint(bare)
    with pytest.raises(ArgumentError, match=r"no_carry_over=1\.5"):
        LinkPrior(no_carry_over=1.5)
