"""Empirical-Bayes shrinkage against published fits, and its edges."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.reliability import reliability
from transfer.rates.shrinkage import (
    beta_from_moments,
    fit_beta_binomial,
    log_likelihood,
    moment_start,
)

cells = st.lists(
    st.integers(2, 80).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
    min_size=3,
    max_size=15,
).filter(lambda rows: 0 < sum(y for y, _ in rows) < sum(n for _, n in rows))


@pytest.fixture(scope="module")
def historical(reference):
    return reference("rat_tumour").query("role == 'historical'")


@pytest.fixture(scope="module")
def fit(historical):
    return fit_beta_binomial(historical["y"], historical["n"])


def test_rat_tumour_maximum_likelihood(fit):
    # R package BayesGOF, vignette: a = 2.304768, b = 14.079707 on the 70 historical experiments.
    assert fit.a == pytest.approx(2.304768, abs=1e-4)
    assert fit.b == pytest.approx(14.079707, abs=1e-3)
    # Recomputed elsewhere to more digits, log-likelihood without constants -721.0010195.
    assert (fit.a, fit.b) == pytest.approx((2.304783, 14.079808), abs=2e-5)
    assert fit.log_likelihood == pytest.approx(-721.0010195, abs=1e-6)
    assert fit.overdispersed


def test_rat_tumour_moment_match(historical):
    # Gelman et al., Bayesian Data Analysis, section 5.1: mean .136, sd .103, Beta(1.4, 8.6).
    rate = historical["y"] / historical["n"]
    assert (rate.mean(), rate.std()) == pytest.approx((0.136, 0.103), abs=5.1e-4)
    a, b = beta_from_moments(rate.mean(), rate.std() ** 2)
    assert (a, b) == pytest.approx((1.4, 8.6), abs=0.05)
    # The book goes on from the rounded Beta(1.4, 8.6): 4 of 14 gives Beta(5.4, 18.6), mean .223,
    # sd .083.
    mean = (a + 4) / (a + b + 14)
    assert mean == pytest.approx(0.223, abs=1e-3)
    assert math.sqrt(mean * (1 - mean) / (a + b + 15)) == pytest.approx(0.083, abs=1e-3)


def test_rat_tumour_shrinkage_weights(fit):
    # n / (n + a + b), Keats and Lord 1962 (from memory): .549683 at 20, .460760 at 14 animals.
    weights = fit.shrink([0, 4], [20, 14])["reliability"]
    np.testing.assert_allclose(weights, [0.549683, 0.460760], atol=1e-6)


def test_maximum_is_stationary(fit):
    y, n, ones = fit.y, fit.n, np.ones_like(fit.y)
    top = log_likelihood(fit.a, fit.b, y, n, ones)
    for factor in (0.97, 1.03):
        assert log_likelihood(fit.a * factor, fit.b, y, n, ones) < top
        assert log_likelihood(fit.a, fit.b * factor, y, n, ones) < top


def test_moments_are_near_the_likelihood(historical, fit):
    mean, kappa = moment_start(historical["y"], historical["n"])
    assert mean == pytest.approx(fit.mean, abs=0.02)
    assert 0.5 < kappa / fit.kappa < 2
    moments = fit_beta_binomial(historical["y"], historical["n"], "moments")
    assert moments.log_likelihood < fit.log_likelihood
    assert moments.attempts_to_half() == fit.attempts_to_half()


def test_profile_limits_drop_by_the_chi_squared_quantile(fit):
    from scipy.optimize import minimize_scalar

    band = fit.attempts_to_half(0.90)
    assert band.low < fit.kappa < band.high
    assert band.kind == "profile_likelihood"
    for kappa in (band.low, band.high):
        best = minimize_scalar(
            lambda m, k=kappa: -log_likelihood(k * m, k * (1 - m), fit.y, fit.n, 1 + 0 * fit.y),
            bounds=(0.05, 0.4),
            method="bounded",
            options={"xatol": 1e-9},
        )
        # Half of 2.705543, the .90 quantile of chi-squared with 1 df.
        assert fit.log_likelihood + best.fun == pytest.approx(1.3527717, abs=1e-5)


def test_profile_interval_covers():
    # Own simulation: 40 players, 60 attempts, Beta(24, 36), 90 % interval of a + b = 60.
    rng = np.random.default_rng(5)
    makes = rng.binomial(60, rng.beta(24, 36, (60, 40)))
    bands = [fit_beta_binomial(row, np.full(40, 60)).attempts_to_half(0.90) for row in makes]
    covered = np.mean([band.low <= 60 <= band.high for band in bands])
    assert 0.80 <= covered <= 0.98


def test_recovers_a_known_population():
    rng = np.random.default_rng(6)
    n = rng.integers(40, 200, 3000)
    fit = fit_beta_binomial(rng.binomial(n, rng.beta(30, 45, 3000)), n)
    assert fit.kappa == pytest.approx(75, rel=0.1)
    assert fit.mean == pytest.approx(0.4, abs=0.005)


def test_free_throw_reliability():
    # Published for free throws: mean .75, talent sd .085, reliability .5 at 24.95 attempts.
    a, b = beta_from_moments(0.75, 0.085**2)
    assert a + b == pytest.approx(24.95, abs=0.005)


def test_boundary_is_said_not_numbered():
    # All players at 12 of 30: less spread than chance makes.
    fit = fit_beta_binomial(np.full(14, 12), np.full(14, 30))
    assert not fit.overdispersed
    assert math.isinf(fit.kappa)
    assert fit.spread == 0
    rows = fit.shrink()
    np.testing.assert_allclose(rows["shrunken"], 0.4)
    assert (rows["reliability"] == 0).all()
    assert rows["low"].isna().all()
    band = fit.attempts_to_half()
    assert math.isinf(band.high)
    assert band.low > 30
    assert "no more than chance explains" in fit.text
    assert fit.to_dict()["attempts_to_half"] is None


def test_interval_without_upper_limit(reference):
    # 18 batters, recomputed elsewhere: a = 210.56, b = 582.71, log-likelihood -468.7024912.
    rows = reference("efron_morris")
    fit = fit_beta_binomial(rows["hits"], rows["at_bats"])
    assert fit.log_likelihood == pytest.approx(-468.7024912, abs=1e-6)
    assert math.isinf(fit.attempts_to_half().high)
    assert "no upper limit" in fit.text


@settings(max_examples=40)
@given(cells)
def test_shrunken_lies_between_raw_and_mean(rows):
    y, n = np.array(rows).T
    fit = fit_beta_binomial(y, n)
    found = fit.shrink()
    low = np.minimum(found["raw"], fit.mean) - 1e-9
    high = np.maximum(found["raw"], fit.mean) + 1e-9
    assert found["shrunken"].between(low, high).all()
    assert fit.log_likelihood >= fit.binomial_log_likelihood - 1e-6
    if fit.overdispersed:
        assert ((found["reliability"] > 0) & (found["reliability"] < 1)).all()
        assert (found["low"] <= found["high"]).all()
        assert found[["low", "high"]].stack().between(0, 1).all()
        np.testing.assert_allclose(found["reliability"], reliability(n, fit.kappa))


@settings(max_examples=40)
@given(cells)
def test_makes_and_misses_mirror(rows):
    y, n = np.array(rows).T
    fit, mirror = fit_beta_binomial(y, n), fit_beta_binomial(n - y, n)
    assert fit.log_likelihood == pytest.approx(mirror.log_likelihood, abs=1e-4)
    assert fit.overdispersed == mirror.overdispersed
    np.testing.assert_allclose(fit.shrink()["shrunken"], 1 - mirror.shrink()["shrunken"], atol=2e-3)


@pytest.mark.parametrize(
    ("y", "n", "words"),
    [
        ([1, 2], [5, 5], r"2 player\(s\)"),
        ([0, 1, 1], [1, 1, 1], "more than one attempt"),
        ([0, 0, 0], [5, 5, 5], "only misses"),
        ([5, 5, 5], [5, 5, 5], "only makes"),
    ],
)
def test_what_cannot_be_estimated(y, n, words):
    with pytest.raises(IdentificationError, match=words):
        fit_beta_binomial(y, n)


def test_argument_errors():
    with pytest.raises(ArgumentError, match="one of ml, moments"):
        fit_beta_binomial([1, 2, 3], [5, 5, 5], "reml")
    with pytest.raises(ArgumentError, match="no beta distribution"):
        beta_from_moments(0.4, 0.3)
