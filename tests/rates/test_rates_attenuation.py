"""Correction for attenuation: identities and recovery of a known correlation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit

from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.attenuation import (
    correct_for_attenuation,
    corrected_from_summary,
    true_rate_correlation,
)


def simulated(players, n_x, n_y, correlation, seed):
    """Counts of players whose logits have standard deviation .4 and a given correlation."""
    rng = np.random.default_rng(seed)
    z = rng.multivariate_normal([0, 0], [[1, correlation], [correlation, 1]], players)
    x, y = expit(0.4 * z[:, 0]), expit(-0.4 + 0.4 * z[:, 1])
    return (
        rng.binomial(n_x, x),
        np.full(players, n_x),
        rng.binomial(n_y, y),
        np.full(players, n_y),
    )


@given(st.floats(-1, 1), st.floats(0.05, 1), st.floats(0.05, 1))
def test_identity(r, x, y):
    # Spearman 1904: r_xy / sqrt(r_xx r_yy).
    corrected = correct_for_attenuation(r, x, y)
    assert corrected * math.sqrt(x) * math.sqrt(y) == pytest.approx(r, abs=1e-12)
    assert abs(corrected) >= abs(r)
    assert correct_for_attenuation(r, y, x) == pytest.approx(corrected)
    assert correct_for_attenuation(r, 1.0) == r


def test_parallel_measurements_correct_to_one():
    # Two measurements of the same thing correlate by their reliability.
    assert correct_for_attenuation(0.64, 0.64, 0.64) == pytest.approx(1.0)


@pytest.mark.parametrize("value", [0.0, -0.2, 1.1, float("nan")])
def test_reliability_must_be_positive(value):
    with pytest.raises(IdentificationError, match="reliability_x"):
        correct_for_attenuation(0.3, value)
    with pytest.raises(IdentificationError, match="reliability_y"):
        correct_for_attenuation(0.3, 0.5, value)


def test_summary_interval_is_fishers_divided_by_the_root():
    found = corrected_from_summary(0.3, 28, 0.5, 0.8, prob=0.95)
    root = math.sqrt(0.4)
    assert found.corrected == pytest.approx(0.3 / root)
    reach = 1.959963984540054 / 5
    assert found.interval.low * root == pytest.approx(math.tanh(math.atanh(0.3) - reach))
    assert found.interval.high * root == pytest.approx(math.tanh(math.atanh(0.3) + reach))
    assert found.seed is None


def test_recovers_the_true_correlation():
    # Own simulation: 3000 players, true correlation .6; raw correlation is far lower.
    found = true_rate_correlation(*simulated(3000, 60, 40, 0.6, 2), resamples=200)
    assert found.observed < 0.45
    assert found.corrected == pytest.approx(0.6, abs=0.06)
    assert found.corrected == pytest.approx(
        correct_for_attenuation(found.observed, found.reliability_x, found.reliability_y)
    )


def test_bootstrap_interval_covers():
    # Own simulation: 60 players, 120 data sets, 90 % interval of a true correlation of .6.
    covered = []
    for seed in range(120):
        band = true_rate_correlation(*simulated(60, 200, 120, 0.6, seed), resamples=400).interval
        covered.append(band is not None and band.low <= 0.6 <= band.high)
    assert 0.80 <= np.mean(covered) <= 0.97


def test_same_seed_same_interval():
    counts = simulated(40, 100, 80, 0.6, 3)
    assert true_rate_correlation(*counts).interval == true_rate_correlation(*counts).interval
    assert (
        true_rate_correlation(*counts, seed=2).interval != true_rate_correlation(*counts).interval
    )


def test_few_players_get_no_interval_and_a_value_beyond_one_is_said():
    noisy = true_rate_correlation(
        [25, 36, 22, 31, 28, 38], [60] * 6, [20, 33, 17, 24, 22, 34], [60] * 6, resamples=500
    )
    assert noisy.interval is None
    assert noisy.undefined_share > 0.05
    assert "no interval" in noisy.text
    assert noisy.corrected > 1
    assert "beyond 1" in noisy.text
    assert noisy.to_dict()["interval"] is None
    assert np.isnan(noisy.table["low"].iloc[0])


def test_no_true_spread_is_refused():
    with pytest.raises(IdentificationError, match="no true differences"):
        true_rate_correlation([15, 15, 16, 15], [30] * 4, [9, 20, 12, 17], [30] * 4)


@pytest.mark.parametrize(
    "call",
    [
        lambda: correct_for_attenuation(1.2, 0.5),
        lambda: corrected_from_summary(0.5, 3, 0.5),
        lambda: corrected_from_summary(1.0, 30, 0.5),
        lambda: true_rate_correlation([1, 2, 3], [5] * 3, [1, 2, 3], [5] * 3),
        lambda: true_rate_correlation([1, 0, 1, 1], [1] * 4, [1, 2, 3, 1], [5] * 4),
        lambda: true_rate_correlation([1, 2, 3, 1], [5] * 4, [1, 2, 3, 1, 2], [5] * 5),
    ],
)
def test_refusals(call):
    with pytest.raises(ArgumentError):
        call()
