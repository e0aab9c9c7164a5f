"""Both published James-Stein versions on the 18 batters."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from james_stein import (
    arcsine_scale,
    james_stein_arcsine,
    james_stein_raw,
    rate_scale,
)

from transfer.errors import ArgumentError, IdentificationError


@pytest.fixture(scope="module")
def batters(reference):
    return reference("efron_morris")


@pytest.fixture(scope="module")
def arcsine(batters):
    return james_stein_arcsine(batters["hits"], batters["at_bats"])


@pytest.fixture(scope="module")
def raw(batters):
    return james_stein_raw(batters["hits"], batters["at_bats"])


def test_1975_factor(arcsine):
    # Efron and Morris 1975, JASA 70:311-319: V = 18.96, shrinkage .791, kept .209.
    assert arcsine.spread == pytest.approx(18.96, abs=5e-3)
    assert 15 / arcsine.spread == pytest.approx(0.791, abs=5e-4)
    assert arcsine.factor == pytest.approx(0.209, abs=5e-4)


def test_1975_transformed_averages(arcsine):
    # Efron and Morris 1975, Table 1, X to two decimals.
    published = [-1.35, -1.66, -1.97, -2.28, -2.60, -2.60, -2.92, -3.26, -3.60, -3.60,
                 *[-3.95] * 5, -4.32, -4.70, -5.10]  # fmt: skip
    np.testing.assert_allclose(arcsine.observed, published, atol=5.1e-3)


def test_1975_estimates(arcsine, batters):
    # Efron and Morris 1975, back-transformed estimates to three decimals.
    published = [0.290, 0.286, 0.281, 0.277, 0.273, 0.273, 0.268, 0.264, 0.259, 0.259,
                 *[0.254] * 5, 0.249, 0.244, 0.239]  # fmt: skip
    np.testing.assert_allclose(arcsine.rates, published, atol=6e-4)
    np.testing.assert_allclose(arcsine.rates, batters["js_1975"], atol=6e-4)


def test_1975_total_squared_error(arcsine, batters):
    # Efron and Morris 1975 (totals from memory): 17.56 and 5.01 on the transformed scale, 3.50.
    truth = arcsine_scale(batters["remainder_avg"], batters["at_bats"])
    before = ((arcsine.observed - truth) ** 2).sum()
    after = ((arcsine.shrunken - truth) ** 2).sum()
    assert before == pytest.approx(17.56, abs=0.02)
    assert after == pytest.approx(5.01, abs=0.02)
    assert before / after == pytest.approx(3.50, abs=0.02)


def test_1977_factor_and_estimates(raw):
    # Efron and Morris 1977, Scientific American 236(5):119-127: c = .212, ybar = .265.
    published = [0.294, 0.289, 0.285, 0.280, 0.275, 0.275, 0.270, 0.266, 0.261, 0.261,
                 *[0.256] * 5, 0.252, 0.247, 0.242]  # fmt: skip
    assert raw.factor == pytest.approx(0.212, abs=5e-4)
    assert raw.centre == pytest.approx(0.265, abs=5e-4)
    np.testing.assert_allclose(raw.rates, published, atol=6e-4)


def test_1977_sixteen_of_eighteen_improve(raw, batters):
    # Efron and Morris 1977: 16 of the 18 estimates come nearer to the rest of the season.
    truth = batters["remainder_avg"].to_numpy()
    nearer = np.abs(raw.rates - truth) < np.abs(raw.observed - truth)
    assert nearer.sum() == 16


@given(st.lists(st.integers(0, 40), min_size=4, max_size=30))
def test_shrunken_between_raw_and_mean(makes):
    found = james_stein_arcsine(makes, 40)
    assert 0 <= found.factor < 1
    low = np.minimum(found.observed, found.centre) - 1e-9
    high = np.maximum(found.observed, found.centre) + 1e-9
    assert ((found.shrunken >= low) & (found.shrunken <= high)).all()
    assert ((found.rates >= 0) & (found.rates <= 1)).all()


@given(st.floats(0, 1), st.integers(1, 1000))
def test_scale_and_back(rate, n):
    assert rate_scale(arcsine_scale(rate, n), n) == pytest.approx(rate, abs=1e-9)


def test_beats_raw_rates_in_simulation():
    rng = np.random.default_rng(20)
    truth = rng.beta(40, 60, (300, 14))
    makes = rng.binomial(60, truth)
    shrunken = np.array([james_stein_raw(row, 60).rates for row in makes])
    gain = ((makes / 60 - truth) ** 2).mean() / ((shrunken - truth) ** 2).mean()
    assert gain > 1.3


def test_no_excess_spread_sets_all_to_the_mean():
    found = james_stein_raw([10, 10, 11, 9], 40)
    assert found.factor == 0
    assert np.ptp(found.rates) == 0
    assert "no more than chance" in found.text


def test_sentence_table_and_refusals(raw):
    assert "21% is kept" in raw.text
    assert list(raw.table["n"].unique()) == [45]
    assert raw.to_dict()["version"] == "raw"
    with pytest.raises(ArgumentError, match="equal attempts"):
        james_stein_raw([1, 2, 3, 4], [10, 10, 10, 11])
    with pytest.raises(ArgumentError, match="at least four"):
        james_stein_arcsine([1, 2, 3], 10)
    with pytest.raises(IdentificationError, match="chance variance"):
        james_stein_raw([0, 0, 0, 0], 10)
