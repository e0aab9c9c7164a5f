"""A chosen mix: the bias stays unknown however many records there are."""

import numpy as np
import pytest

from transfer.models.growth_bias import CHOSEN_MIX_BIAS, DIRECTION, allow_for_choice
from transfer.models.growth_data import GrowthData
from transfer.models.growth_posterior import GrowthPosterior
from transfer.models.growth_settings import GrowthPriors, GrowthSettings
from transfer.provenance import Provenance

PRIORS = GrowthPriors()
PRIOR_SD = np.sqrt(2.0) * PRIORS.gain_sd


def fitted(told, noise, seed=3, draws=4000, randomised=False):
    """Posterior when the records tell `told` about the gains with covariance `noise`."""
    before = np.eye(2) / PRIORS.gain_sd**2
    after = np.linalg.inv(before + np.linalg.inv(noise))
    mean = after @ (before @ np.full(2, PRIORS.gain_mean) + np.linalg.inv(noise) @ told)
    drawn = np.random.default_rng(seed).multivariate_normal(mean, after, draws)
    cells = np.ones((2, 8), dtype=int)
    data = GrowthData(
        cells, cells, np.ones((2, 2, 8)), np.zeros(2, int), np.ones((2, 2)), randomised=randomised
    )
    prior = PRIORS.draw_gains(draws, 9)
    return GrowthPosterior(drawn, prior, data, GrowthSettings(), "laplace", Provenance(1, "x"))


def by_brute_force(told, noise):
    """Mean and sd of live minus rep by weighting draws of gains and bias with the likelihood."""
    rng = np.random.default_rng(0)
    gains = rng.normal(PRIORS.gain_mean, PRIORS.gain_sd, (2_000_000, 2))
    bias = rng.normal(CHOSEN_MIX_BIAS.mean, CHOSEN_MIX_BIAS.sd, len(gains))
    off = gains + bias[:, None] * DIRECTION - told
    weight = np.exp(-0.5 * np.einsum("di,ij,dj->d", off, np.linalg.inv(noise), off))
    delta = gains[:, 1] - gains[:, 0]
    mean = np.average(delta, weights=weight)
    return mean, np.sqrt(np.average((delta - mean) ** 2, weights=weight))


@pytest.mark.parametrize(
    ("told", "noise"),
    [
        ((0.0, 0.5), [[0.02, 0.005], [0.005, 0.03]]),
        ((0.3, 0.1), [[0.1, -0.05], [-0.05, 0.2]]),
        ((0.1, 0.1), [[2.0, 0.0], [0.0, 2.0]]),
    ],
)
def test_posterior_equals_weighted_draws_of_gains_and_bias(told, noise):
    found = allow_for_choice(fitted(np.array(told), np.array(noise), draws=200_000)).delta
    mean, sd = by_brute_force(np.array(told), np.array(noise))
    assert found.mean() == pytest.approx(mean, abs=0.004)
    assert found.std() == pytest.approx(sd, rel=0.02)


def test_endless_records_of_a_chosen_mix_leave_most_of_the_starting_uncertainty():
    found = allow_for_choice(fitted(np.array([0.0, 0.5]), 1e-6 * np.eye(2)))
    var, bias = PRIOR_SD**2, CHOSEN_MIX_BIAS.sd**2
    assert found.contraction == pytest.approx(np.sqrt(bias / (var + bias)), rel=0.03)
    assert found.delta.mean() == pytest.approx((0.5 - 0.2) * var / (var + bias), abs=0.01)


def test_a_lot_has_no_bias_and_no_records_leave_the_prior():
    assigned = fitted(np.array([0.0, 0.5]), 0.02 * np.eye(2), randomised=True)
    assert allow_for_choice(assigned) is assigned
    nothing = allow_for_choice(fitted(np.array([0.0, 0.0]), 1e4 * np.eye(2), draws=50_000))
    assert nothing.delta.mean() == pytest.approx(0.0, abs=0.02)
    assert nothing.delta.std() == pytest.approx(PRIOR_SD, rel=0.03)
