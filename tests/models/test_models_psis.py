"""Pareto smoothing against the reference implementation and against exact answers."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import logsumexp

from transfer.models.psis import fit_generalised_pareto, smooth_log_weights


@pytest.mark.parametrize("shape", [0.2, 0.5, 0.65])
def test_same_as_the_reference_implementation(shape):
    from arviz_stats.base import array_stats  # a test may look at the sampler's own library

    rng = np.random.default_rng(int(100 * shape))
    log_ratios = np.log(stats.genpareto.rvs(shape, size=(2500, 5), random_state=rng) + 0.1)
    got, khat = smooth_log_weights(log_ratios)
    for case in range(5):
        want, want_k = array_stats.psislw(-log_ratios[:, case])
        want = np.asarray(want) - logsumexp(want)
        np.testing.assert_allclose(got[:, case], want, atol=1e-6)
        assert khat[case] == pytest.approx(float(want_k), abs=1e-6)


def test_repeated_draws_at_the_cutoff_are_no_broken_tail():
    from arviz_stats.base import array_stats

    rng = np.random.default_rng(9)
    once = np.log(stats.genpareto.rvs(0.3, size=1250, random_state=rng) + 0.1)
    ratios = np.repeat(once, 2)  # every second step rejected
    below = np.sort(ratios)[-int(3.0 * np.sqrt(ratios.size)) - 2 :]
    assert below[0] == below[1]  # the cutoff has a twin
    got, khat = smooth_log_weights(ratios[:, None])
    want, want_k = array_stats.psislw(-ratios)
    assert khat[0] == pytest.approx(float(want_k), abs=1e-6)
    # Twins may swap their places in the tail.
    np.testing.assert_allclose(
        np.sort(got[:, 0]), np.sort(np.asarray(want) - logsumexp(want)), atol=1e-6
    )


def test_weights_sum_to_one_and_keep_their_order():
    rng = np.random.default_rng(1)
    ratios = rng.normal(0, 1.0, (1000, 3))
    weights, _ = smooth_log_weights(ratios)
    np.testing.assert_allclose(np.exp(weights).sum(axis=0), 1.0)
    for case in range(3):
        ordered = weights[np.argsort(ratios[:, case]), case]
        assert np.all(np.diff(ordered) >= -1e-12)


def test_equal_ratios_are_trusted_and_left_alone():
    weights, khat = smooth_log_weights(np.zeros((500, 1)))
    np.testing.assert_allclose(np.exp(weights), 1 / 500)
    assert khat[0] == 0.0


def test_hopeless_proposal_is_flagged():
    # Draws from N(0, 1) cannot stand for N(0, 5): ratios exp(.5 x^2 (1 - 1/25)) have no mean.
    x = np.random.default_rng(2).normal(size=(4000, 1))
    _, khat = smooth_log_weights(0.5 * x**2 * (1 - 1 / 25))
    assert khat[0] > 0.7


def test_shape_of_a_long_pareto_tail_is_found():
    excess = np.sort(stats.genpareto.rvs(0.4, size=5000, random_state=3))
    shape, scale = fit_generalised_pareto(excess)
    assert shape == pytest.approx(0.4, abs=0.05)
    assert scale == pytest.approx(1.0, abs=0.06)


def test_too_few_draws_are_flagged_instead_of_trusted():
    _, khat = smooth_log_weights(np.random.default_rng(4).normal(size=(10, 2)))
    assert np.all(np.isinf(khat))


def test_a_tail_of_shape_zero_is_exponential(monkeypatch):
    from transfer.models import psis

    monkeypatch.setattr(psis, "fit_generalised_pareto", lambda excess: (0.0, 0.1))
    ratios = np.log(np.linspace(0.1, 1.0, 20))
    found, shape = psis._smooth_one(ratios, 5)
    cutoff = np.exp(ratios[14])
    # Quantiles of an exponential of mean .1 at .1, .3, .5, .7 and .9, above the cutoff.
    exponential = -0.1 * np.log(1 - np.array([0.1, 0.3, 0.5, 0.7, 0.9]))
    assert shape == 0.0
    np.testing.assert_allclose(found[15:], np.minimum(np.log(cutoff + exponential), 0.0))
    np.testing.assert_array_equal(found[:15], ratios[:15])
