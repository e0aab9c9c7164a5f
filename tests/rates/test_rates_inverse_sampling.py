"""Unbiased rates from sets that stop on a make."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom

from transfer.errors import ArgumentError
from transfer.rates.inverse_sampling import (
    expected_raw_rate,
    first_to_k_rate,
    first_to_k_variance,
    ladder_rate,
    pooled_first_to_k,
)


@pytest.mark.parametrize(
    ("k", "p", "biased", "variance"),
    [
        # Haldane 1945, Biometrika 33:222-225: E[(k-1)/(N-1)] = p; k/N and the variance by summing
        # the negative binomial.
        (5, 0.3, 0.3447419, 0.0169445),
        (10, 0.5, 0.5248774, 0.0138052),
        (3, 0.2, 0.2629424, 0.0197641),
    ],
)
def test_haldane(k, p, biased, variance):
    misses = np.arange(3000)
    chance = nbinom.pmf(misses, k, p)
    assert chance @ first_to_k_rate(k, k + misses) == pytest.approx(p, abs=1e-12)
    assert chance @ (k / (k + misses)) == pytest.approx(biased, abs=5e-8)
    assert expected_raw_rate(p, k) == pytest.approx(biased, abs=5e-8)
    assert first_to_k_variance(p, k) == pytest.approx(variance, abs=5e-8)


@pytest.mark.parametrize(("k", "mean"), [(3, 0.481), (5, 0.449), (7, 0.435), (10, 0.424)])
def test_raw_rate_of_a_forty_percent_shooter(k, mean):
    # Exact negative binomial means to three decimals (own computation).
    assert expected_raw_rate(0.4, k) == pytest.approx(mean, abs=5e-4)


@given(st.floats(0.05, 0.95), st.integers(1, 15))
def test_closed_form_equals_the_series(p, k):
    misses = np.arange(int(nbinom.isf(1e-13, k, p)) + 1)
    chance = nbinom.pmf(misses, k, p)
    assert expected_raw_rate(p, k) == pytest.approx(chance @ (k / (k + misses)), abs=1e-10)
    assert expected_raw_rate(p, k) > p


@pytest.mark.parametrize(("p", "k"), [(0.35, 2), (0.5, 5), (0.6, 9)])
def test_variance_estimate_is_unbiased(p, k):
    misses = np.arange(int(nbinom.isf(1e-12, k, p)) + 1)
    chance = nbinom.pmf(misses, k, p)
    estimates = np.array([pooled_first_to_k(k, k + m).se ** 2 for m in misses])
    assert chance @ estimates == pytest.approx(first_to_k_variance(p, k), rel=1e-6)


def test_pooled_sets_are_one_inverse_sample():
    found = pooled_first_to_k([5, 5, 3], [9, 12, 8])
    assert found.rate == pytest.approx(12 / 28)
    assert found.raw == pytest.approx(13 / 29)
    assert found.se == pytest.approx(math.sqrt(12 / 28 * 16 / 28 / 27))
    assert (found.sets, found.open_sets) == (3, 0)
    ladder = ladder_rate([1, 3, 2, 5])
    assert ladder.rate == pytest.approx(3 / 10)
    assert ladder.raw == pytest.approx(4 / 11)


def test_broken_off_sets_stay_unbiased():
    # Exact: first to 3 within 6 attempts at 40 %, stopped at the sixth attempt otherwise.
    p, k, cap = 0.4, 3, 6
    total, mean, square, variance = 0.0, 0.0, 0.0, 0.0
    for n in range(k, cap + 1):
        chance = math.comb(n - 1, k - 1) * p**k * (1 - p) ** (n - k)
        found = pooled_first_to_k([k], [n], [k])
        total += chance
        mean += chance * found.rate
        square += chance * found.rate**2
        variance += chance * found.se**2
    for y in range(k):
        chance = math.comb(cap, y) * p**y * (1 - p) ** (cap - y)
        found = pooled_first_to_k([k], [cap], [y])
        assert found.open_sets == 1
        total += chance
        mean += chance * found.rate
        square += chance * found.rate**2
        variance += chance * found.se**2
    assert total == pytest.approx(1)
    assert mean == pytest.approx(p, abs=1e-12)
    assert variance == pytest.approx(square - p**2, abs=1e-12)


def test_many_ladders_in_simulation():
    # Own simulation: 5 rungs at 40 %, standard error of the mean about .002.
    rng = np.random.default_rng(4)
    tries = rng.geometric(0.4, (8000, 5)).sum(axis=1)
    assert first_to_k_rate(5, tries).mean() == pytest.approx(0.4, abs=0.007)
    assert (5 / tries).mean() == pytest.approx(expected_raw_rate(0.4, 5), abs=0.007)


@given(st.integers(1, 50), st.integers(0, 100))
def test_unbiased_is_never_above_raw(k, misses):
    rate = float(first_to_k_rate(k, k + misses))
    assert 0 <= rate <= k / (k + misses) + 1e-12 or misses == 0


def test_first_attempt_of_a_single_make_set():
    assert first_to_k_rate(1, 1) == 1
    assert first_to_k_rate(1, 4) == 0
    assert math.isnan(pooled_first_to_k(1, 4).se)
    assert first_to_k_variance(0.3, 1) == pytest.approx(0.21)


def test_sentence_and_refusals():
    found = pooled_first_to_k([5, 5], [9, 12], [5, 3])
    assert "2 sets to a target (1 broken off before the target)" in found.text
    assert found.to_dict()["open_sets"] == 1
    assert found.table.loc[0, "attempts"] == 21
    for bad in (
        lambda: first_to_k_rate(0, 4),
        lambda: first_to_k_rate(5, 4),
        lambda: pooled_first_to_k([3], [8], [4]),
        lambda: pooled_first_to_k([], []),
        lambda: pooled_first_to_k([2], [3.5]),
        lambda: expected_raw_rate(0.0, 3),
        lambda: expected_raw_rate(0.4, 2.5),
    ):
        with pytest.raises(ArgumentError):
            bad()
