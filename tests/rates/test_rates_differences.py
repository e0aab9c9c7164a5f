"""Difference of two rates against published limits."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar
from scipy.special import xlogy

from transfer.errors import ArgumentError
from transfer.rates.differences import DIFFERENCE_METHODS, constrained_rates, rate_difference

counts = st.integers(2, 120).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@pytest.mark.parametrize(
    ("published", "method"),
    [
        ("newcombe_hybrid_score", "newcombe"),
        ("miettinen_nurminen", "miettinen_nurminen"),
        ("mee", "mee"),
    ],
)
def test_published_table(reference, published, method):
    # R DescTools tests/misc.R, from a 2016 conference paper on two-proportion intervals.
    rows = reference("two_proportion_diff_ci").query("method == @published")
    assert len(rows) == 4
    for row in rows.itertuples():
        band = rate_difference(row.x1, row.n1, row.x2, row.n2, method, 0.95).interval
        assert (band.low, band.high) == pytest.approx((row.lower, row.upper), abs=5.1e-5)
        assert band.kind == method


@pytest.mark.parametrize(
    ("method", "low", "high", "tolerance"),
    [
        # R PropCIs diffscoreci, quoted in statsmodels test_confint_2indep_propcis.
        ("miettinen_nurminen", 0.0270416, 0.3452912, 1e-7),
        # Fagerland, Lydersen and Laake 2015, as quoted in statsmodels test_confint_2indep.
        ("mee", 0.028, 0.34, 4.1e-3),
        ("newcombe", 0.019, 0.34, 5e-4),
    ],
)
def test_7_of_34_against_1_of_34(method, low, high, tolerance):
    band = rate_difference(7, 34, 1, 34, method, 0.95).interval
    assert (band.low, band.high) == pytest.approx((low, high), abs=tolerance)


@pytest.mark.parametrize(
    ("cells", "low", "high"),
    [
        ((6, 7, 2, 7), 0.0582, 0.8062),
        ((5, 56, 0, 29), -0.0381, 0.1926),
        ((0, 10, 0, 20), -0.1611, 0.2775),
        ((0, 10, 0, 10), -0.2775, 0.2775),
        ((10, 10, 0, 10), 0.6075, 1.0),
    ],
)
def test_newcombe_method_ten(cells, low, high):
    # Newcombe 1998, Statistics in Medicine 17:873-890, method 10, from memory.
    band = rate_difference(*cells, "newcombe", 0.95).interval
    assert (band.low, band.high) == pytest.approx((low, high), abs=5.1e-5)


@given(counts, counts, st.floats(-0.95, 0.95))
def test_constrained_rates_maximise_the_likelihood(first, second, difference):
    (y1, n1), (y2, n2) = first, second

    def loss(rate: float) -> float:
        other = rate - difference
        terms = (
            xlogy(y1, rate),
            xlogy(n1 - y1, 1 - rate),
            xlogy(y2, other),
            xlogy(n2 - y2, 1 - other),
        )
        return -float(sum(terms))

    bounds = (max(0.0, difference) + 1e-9, min(1.0, 1.0 + difference) - 1e-9)
    best = minimize_scalar(loss, bounds=bounds, method="bounded", options={"xatol": 1e-10})
    rate1, rate2 = constrained_rates(y1, n1, y2, n2, difference)
    assert rate1 - rate2 == pytest.approx(difference, abs=1e-9)
    assert loss(min(max(rate1, bounds[0]), bounds[1])) <= best.fun + 1e-5


@given(counts, counts, st.sampled_from(DIFFERENCE_METHODS), st.floats(0.5, 0.99))
def test_limits_hold_the_estimate_and_mirror(first, second, method, prob):
    there = rate_difference(*first, *second, method, prob)
    back = rate_difference(*second, *first, method, prob)
    band = there.interval
    assert -1 <= band.low <= there.estimate + 1e-9
    assert there.estimate - 1e-9 <= band.high <= 1
    assert (band.low, band.high) == pytest.approx(
        (-back.interval.high, -back.interval.low), abs=1e-7
    )


def test_score_interval_covers():
    # Own simulation: 40 against 40 attempts at 35 % and 50 %, exact by enumeration.
    from scipy.stats import binom

    y = np.arange(41)
    low = np.empty((41, 41))
    high = np.empty((41, 41))
    for i in y:
        for j in y:
            band = rate_difference(i, 40, j, 40, "miettinen_nurminen", 0.90).interval
            low[i, j], high[i, j] = band.low, band.high
    chance = np.outer(binom.pmf(y, 40, 0.35), binom.pmf(y, 40, 0.50))
    assert 0.885 < (chance * ((low <= -0.15) & (high >= -0.15))).sum() < 0.92


def test_sentence_and_table():
    found = rate_difference(30, 60, 15, 60, labels=("live", "rep"))
    assert "live 50% (30 of 60), rep 25% (15 of 60): difference +25.0 points" in found.text
    assert found.text.endswith("the records put live ahead.")
    assert "do not tell" in rate_difference(30, 60, 28, 60).text
    assert math.isclose(found.table["rate"].iloc[0], 0.5)
    assert found.to_dict()["interval"]["holds"] == "difference"


def test_unknown_method_is_refused():
    with pytest.raises(ArgumentError, match="one of newcombe"):
        rate_difference(1, 2, 1, 2, method="wald")
