"""Intervals for one rate against published limits and their properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from transfer.errors import ArgumentError
from transfer.rates.intervals import METHODS, proportion_interval, proportion_limits

counts = st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
probs = st.floats(0.5, 0.99)


@pytest.mark.parametrize(
    ("name", "method"),
    [
        ("agresti-coull", "agresti_coull"),
        ("exact", "clopper_pearson"),
        ("wilson", "wilson"),
        ("bayes", "jeffreys"),  # not equal-tailed near 0 and n, where R's rows are left out
    ],
)
def test_r_binom_confint(reference, name, method):
    # R package binom, binom.confint, as stored in the statsmodels test results.
    rows = reference("binomial_ci_r").query("method == @name and check == 'ok'")
    assert len(rows) == (3 if name == "bayes" else 8)
    low, high = proportion_limits(rows["x"], rows["n"], method, 0.95)
    # R leaves Agresti-Coull limits beyond 0 and 1; ours are cut.
    np.testing.assert_allclose(low, rows["lower"].clip(0, 1), atol=2e-6)
    np.testing.assert_allclose(high, rows["upper"].clip(0, 1), atol=2e-6)


@pytest.mark.parametrize(
    ("method", "low", "high"),
    [
        ("agresti_coull", 0.4313609, 0.5686391),
        ("wilson", 0.4313609, 0.5686391),
        ("clopper_pearson", 0.4286584, 0.5713416),
        ("jeffreys", 0.4311217, 0.5688783),
    ],
)
def test_r_desctools_100_of_200(method, low, high):
    # R DescTools BinomCI / binom.test, quoted in statsmodels test_proportion.py.
    band = proportion_interval(100, 200, method, 0.95)
    assert (band.low, band.high) == pytest.approx((low, high), abs=1e-6)
    assert (band.kind, band.prob, band.holds) == (method, 0.95, "expected rate")


@pytest.mark.parametrize(
    ("y", "n", "low", "high"),
    [
        # statsmodels test_proportion.py, numbers from R prop.test.
        (73, 86, 0.758364348004061, 0.9094787701686766),
        (19, 38, 0.348499283643951, 0.651500716356049),
    ],
)
def test_r_wilson(y, n, low, high):
    band = proportion_interval(y, n, "wilson", 0.95)
    assert (band.low, band.high) == pytest.approx((low, high), abs=1e-12)


@pytest.mark.parametrize(
    ("y", "n", "low", "high", "tolerance"),
    [
        # R binom.test, quoted in statsmodels test_proportion.py.
        (51, 235, 0.1660633298083073, 0.2752683640289254, 1e-12),
        # Conover's table, quoted on a public teaching page.
        (5, 25, 0.068, 0.407, 5e-4),
    ],
)
def test_clopper_pearson_tables(y, n, low, high, tolerance):
    band = proportion_interval(y, n, "clopper_pearson", 0.95)
    assert (band.low, band.high) == pytest.approx((low, high), abs=tolerance)


@pytest.mark.parametrize("method", ["wilson", "clopper_pearson"])
def test_newcombe_1998_table_one(reference, method):
    # Newcombe 1998, Statistics in Medicine 17:857-872, Table I.
    rows = reference("newcombe_single").query("method == @method")
    assert len(rows) == 4
    low, high = proportion_limits(rows["x"], rows["n"], method, 0.95)
    np.testing.assert_allclose(low, rows["lower"], atol=5.1e-5)
    np.testing.assert_allclose(high, rows["upper"], atol=5.1e-5)


def test_rsurveillance_agresti():
    # R RSurveillance, documentation of binom.agresti, n = 200.
    y = [25, 10, 20, 30, 40, 50, 60, 70]
    low = [0.08558957, 0.02626810, 0.06500984, 0.10670629, 0.15016868, 0.19489935, 0.24063696,
           0.28722845]  # fmt: skip
    high = [0.1785444, 0.09069269, 0.15006642, 0.20648544, 0.26113852, 0.31452332, 0.36690117,
            0.41842514]  # fmt: skip
    found = proportion_limits(y, 200, "agresti_coull", 0.95)
    np.testing.assert_allclose(found, (low, high), atol=1e-7)


@pytest.mark.parametrize(
    ("n", "low", "high"),
    [
        (7, [0, 0, 0.065, 0.139], [0.410, 0.501, 0.648, 0.766]),
        (8, [0, 0, 0.056, 0.119, 0.199], [0.369, 0.454, 0.592, 0.705, 0.801]),
    ],
)
def test_modified_jeffreys(n, low, high):
    # Brown, Cai and DasGupta 2001, Statistical Science 16:101-133; entries from memory.
    y = np.arange(len(low))
    found = proportion_limits(y, n, "jeffreys", 0.95, endpoint_rule=True)
    np.testing.assert_allclose(found, (low, high), atol=1e-3)
    mirrored = proportion_limits(n - y, n, "jeffreys", 0.95, endpoint_rule=True)
    np.testing.assert_allclose(mirrored, (1 - found[1], 1 - found[0]), atol=1e-12)


def test_endpoint_rule_changes_only_the_ends():
    # The rule at 0/30: (0, 1 - .025^(1/30)); plain Jeffreys gives .000016 to .079678.
    plain = proportion_limits(np.arange(31), 30, "jeffreys", 0.95)
    ruled = proportion_limits(np.arange(31), 30, "jeffreys", 0.95, endpoint_rule=True)
    assert (ruled[0][0], ruled[1][0]) == pytest.approx((0, 0.1157033), abs=1e-6)
    assert (plain[0][0], plain[1][0]) == pytest.approx((0.000016, 0.079678), abs=1e-6)
    np.testing.assert_array_equal(plain[0][2:-2], ruled[0][2:-2])
    np.testing.assert_array_equal(plain[1][2:-2], ruled[1][2:-2])
    assert proportion_interval(0, 30, "jeffreys", endpoint_rule=True).kind == "modified_jeffreys"


@given(counts, probs, st.sampled_from(METHODS))
def test_limits_hold_the_rate_inside_zero_and_one(pair, prob, method):
    y, n = pair
    low, high = proportion_limits(y, n, method, prob)
    assert 0 <= low <= high <= 1
    if method != "jeffreys":  # plain Jeffreys leaves out 0 at y = 0
        assert low - 1e-12 <= y / n <= high + 1e-12


@given(st.integers(2, 200), probs, st.sampled_from(METHODS))
def test_limits_rise_with_makes_and_mirror(n, prob, method):
    y = np.arange(n + 1)
    low, high = proportion_limits(y, n, method, prob)
    assert (np.diff(low) >= -1e-12).all()
    assert (np.diff(high) >= -1e-12).all()
    np.testing.assert_allclose(low, 1 - high[::-1], atol=1e-9)


def test_exact_coverage_at_twenty_attempts():
    # Exact coverage by enumeration, no simulation error.
    rate, y = np.linspace(0.1, 0.9, 161)[:, None], np.arange(21)
    chance = binom.pmf(y, 20, rate)
    coverage = {}
    for method in METHODS:
        low, high = proportion_limits(y, 20, method, 0.90)
        coverage[method] = (chance * ((low <= rate) & (rate <= high))).sum(axis=1)
    assert coverage["clopper_pearson"].min() >= 0.90
    assert 0.89 < coverage["wilson"].mean() < 0.915
    assert coverage["wilson"].min() > 0.80
    assert coverage["agresti_coull"].mean() >= coverage["wilson"].mean()


def test_fractional_counts_after_a_design_effect():
    whole = proportion_interval(40, 100)
    thinned = proportion_interval(40 / 1.3, 100 / 1.3)
    assert thinned.low < whole.low < whole.high < thinned.high


@pytest.mark.parametrize(
    ("y", "n", "options", "words"),
    [
        (3, 0, {}, "n > 0"),
        (5, 4, {}, "0 <= y <= n"),
        (-1, 4, {}, "0 <= y <= n"),
        (float("nan"), 4, {}, "finite"),
        (1, 4, {"method": "wald"}, "one of wilson"),
        (1, 4, {"endpoint_rule": True}, "Jeffreys interval only"),
        (1, 4, {"prob": 90}, "0 < prob < 1"),
    ],
)
def test_refusals_name_the_rule(y, n, options, words):
    with pytest.raises(ArgumentError, match=words):
        proportion_interval(y, n, **options)


def test_position_of_the_bad_row_is_named():
    with pytest.raises(ArgumentError, match=r"y=9, n=8 at position 1 "):
        proportion_limits([1, 9], [8, 8])
    with pytest.raises(ArgumentError, match="proportion_limits for many rows"):
        proportion_interval([1, 2], 8)
