"""One-player integrals against dense quadrature and against each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_fits import one_factor
from scipy import integrate, stats
from scipy.special import expit

from transfer.models.integrate import condition_on_practice, draw_logit, log_marginal


def dense(mean, sd, n, y, function=None):
    """Integrate function * Normal * binomial by the trapezoid rule on a very fine, wide grid."""
    x = np.linspace(mean - 60 * sd, mean + 60 * sd, 200_001)
    density = stats.norm.pdf(x, mean, sd) * stats.binom.pmf(y, n, expit(x))
    return float(np.trapezoid(density if function is None else density * function(x), x))


@settings(max_examples=40, deadline=None)
@given(
    mean=st.floats(-1.5, 1.5),
    sd=st.floats(0.03, 0.8),
    n=st.integers(1, 1500),
    share=st.floats(0.2, 0.8),
)
def test_log_marginal_is_the_integral(mean, sd, n, share):
    y = round(n * share)
    got = log_marginal(np.array([mean]), np.array([sd]), np.array([n]), np.array([y]))[0]
    assert got == pytest.approx(np.log(dense(mean, sd, n, y)), abs=1e-6)


def test_log_marginal_sums_to_one_over_makes():
    y = np.arange(13)
    got = log_marginal(np.full(13, -0.3), np.full(13, 0.4), np.full(13, 12), y)
    assert np.exp(got).sum() == pytest.approx(1.0, abs=1e-6)


def test_cells_with_offsets_share_one_rate():
    n, y = np.array([[20.0, 30.0]]), np.array([[9.0, 8.0]])
    offset = np.array([[[0.3, -0.4]]])
    got = log_marginal(np.array([[-0.4]]), np.array([[0.25]]), n, y, offset)[0, 0]
    want, _ = integrate.quad(
        lambda x: (
            stats.norm.pdf(x, -0.4, 0.25)
            * stats.binom.pmf(9, 20, expit(x + 0.3))
            * stats.binom.pmf(8, 30, expit(x - 0.4))
        ),
        -3,
        3,
    )
    assert got == pytest.approx(np.log(want), abs=1e-5)


def test_draws_of_a_rate_follow_the_posterior():
    rng = np.random.default_rng(3)
    draws = expit(draw_logit(np.full(40_000, -0.4), np.full(40_000, 0.3), 60, 31, rng))
    total = dense(-0.4, 0.3, 60, 31)
    mean = dense(-0.4, 0.3, 60, 31, expit) / total
    second = dense(-0.4, 0.3, 60, 31, lambda x: expit(x) ** 2) / total
    sd = np.sqrt(second - mean**2)
    assert draws.mean() == pytest.approx(mean, abs=4 * sd / 200)
    assert draws.std() == pytest.approx(sd, rel=0.02)


def test_conditioning_on_one_setting_agrees_with_quadrature():
    rng = np.random.default_rng(4)
    draws = 40_000
    mu, sd = np.full((draws, 1), 0.4), 0.5
    theta, logw = condition_on_practice(
        mu, np.full((draws, 1, 1), sd**2), np.array([50]), np.array([38]), rng
    )
    weights = np.exp(logw - logw.max())
    rate = np.average(expit(theta[:, 0]), weights=weights)
    want = dense(0.4, sd, 50, 38, expit) / dense(0.4, sd, 50, 38)
    assert rate == pytest.approx(want, abs=0.001)


def test_weights_of_conditioning_carry_the_evidence_for_each_population_draw():
    # Two candidate populations: their weights must be in the ratio of the marginal likelihoods.
    rng = np.random.default_rng(5)
    draws = 20_000
    mu = np.repeat([[0.0], [1.0]], draws, axis=0)
    _, logw = condition_on_practice(
        mu, np.full((2 * draws, 1, 1), 0.16), np.array([30]), np.array([21]), rng
    )
    weights = np.exp(logw)
    ratio = weights[draws:].mean() / weights[:draws].mean()
    assert ratio == pytest.approx(dense(1.0, 0.4, 30, 21) / dense(0.0, 0.4, 30, 21), rel=0.01)


def test_no_attempts_give_the_population_back():
    rng = np.random.default_rng(6)
    omega = one_factor([0.9, 0.7])
    theta, logw = condition_on_practice(
        np.zeros((20_000, 2)), np.broadcast_to(omega, (20_000, 2, 2)), np.zeros(2), np.zeros(2), rng
    )
    assert np.ptp(logw) < 1e-8
    np.testing.assert_allclose(np.cov(theta.T), omega, atol=0.04)
