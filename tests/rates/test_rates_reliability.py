"""Reliability identities and published lengthening factors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betabinom

from transfer.errors import ArgumentError
from transfer.rates.reliability import (
    attempts_for_reliability,
    kuder_richardson_21,
    lengthening_needed,
    reliability,
    spearman_brown,
)


def test_lengthening_needed():
    # R psychometric, documentation of SBlength: .7 with 10 items, .9 wanted: 39 items.
    assert np.ceil(10 * lengthening_needed(0.7, 0.9)) == 39
    assert 10 * lengthening_needed(0.7, 0.9) == pytest.approx(38.571, abs=5e-4)


def test_doubling():
    # Spearman-Brown prophecy for twice the length (identity 2r / (1 + r)).
    found = spearman_brown([0.5, 0.6, 0.7, 0.8], 2)
    np.testing.assert_allclose(found, [0.6667, 0.75, 0.8235, 0.8889], atol=5.1e-5)


def test_kuder_richardson_21_of_a_beta_binomial():
    # Keats and Lord 1962 (from memory): KR-21 = n / (n + a + b); both .5496832500 at these values.
    a, b, n = 2.304783, 14.079808, 20
    mean, variance = betabinom.stats(n, a, b)
    assert kuder_richardson_21(mean, variance, n) == pytest.approx(0.54968325, abs=1e-8)
    assert reliability(n, a + b) == pytest.approx(kuder_richardson_21(mean, variance, n), abs=1e-12)


def test_reliability_is_the_correlation_of_two_halves():
    # Own simulation: two sets of 50 attempts of the same players, Beta(20, 30).
    rng = np.random.default_rng(8)
    rate = rng.beta(20, 30, 40_000)
    first, second = rng.binomial(50, rate), rng.binomial(50, rate)
    assert np.corrcoef(first, second)[0, 1] == pytest.approx(0.5, abs=0.015)
    assert reliability(50, 50) == 0.5


@given(st.floats(0.5, 5000), st.floats(0.5, 5000), st.floats(0.1, 20))
def test_identities(n, kappa, times):
    r = float(reliability(n, kappa))
    assert 0 < r < 1
    assert spearman_brown(r, times) == pytest.approx(float(reliability(n * times, kappa)))
    assert attempts_for_reliability(r, kappa) == pytest.approx(n, rel=1e-6)
    assert spearman_brown(r, lengthening_needed(r, 0.6)) == pytest.approx(0.6)


def test_edges_and_refusals():
    assert reliability(100, np.inf) == 0
    assert reliability(0, 10) == 0
    assert attempts_for_reliability(0.5, 190) == 190
    for bad in (
        lambda: reliability(10, 0.0),
        lambda: reliability(-1, 10.0),
        lambda: attempts_for_reliability(1.0, 10),
        lambda: spearman_brown(1.2, 2),
        lambda: spearman_brown(0.5, 0),
        lambda: lengthening_needed(0.0, 0.5),
        lambda: kuder_richardson_21(5, 2, 1),
        lambda: kuder_richardson_21(5, 0, 10),
    ):
        with pytest.raises(ArgumentError):
            bad()
