"""Grid posterior of the beta-binomial against the textbook and its coverage."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import betainc

from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.full_bayes import beta_binomial_posterior
from transfer.rates.shrinkage import fit_beta_binomial


@pytest.fixture(scope="module")
def rats(reference):
    rows = reference("rat_tumour")
    return beta_binomial_posterior(rows["y"], rows["n"])


def test_rat_tumour_posterior_means(rats):
    # Gelman et al., Bayesian Data Analysis, section 5.3: E(a) = 2.4, E(b) = 14.3 on a grid.
    assert rats.weights @ rats.a == pytest.approx(2.4, abs=0.02)
    assert rats.weights @ rats.b == pytest.approx(14.3, abs=0.15)
    # The pymc-resources notebook of that chapter prints 2.401 and 14.300.
    assert rats.weights @ rats.a == pytest.approx(2.401, abs=0.005)
    assert rats.weights @ rats.b == pytest.approx(14.300, abs=0.03)


def test_rat_tumour_against_a_second_quadrature(rats):
    # Independent quadrature of the same posterior (own computation, not published).
    assert rats.mean == pytest.approx(0.144297, abs=2e-6)
    assert rats.weights @ np.log(rats.kappa) == pytest.approx(2.7556, abs=1e-4)
    rows = rats.shrink([0, 4, 15, 16], [20, 14, 46, 52])
    np.testing.assert_allclose(rows["shrunken"], [0.06357, 0.21086, 0.27868, 0.26874], atol=6e-6)
    np.testing.assert_allclose(rows["sd"], [0.04160, 0.07526, 0.05792, 0.05446], atol=6e-6)
    limits = rats.quantile(rats.a / rats.kappa, [0.025, 0.975])
    np.testing.assert_allclose(limits, [0.1192, 0.1717], atol=6e-4)


def test_batters_under_a_pareto_prior(reference):
    # Model of the Carpenter, Gabry and Goodrich pooling case study, quadrature (own computation).
    rows = reference("efron_morris")
    found = beta_binomial_posterior(rows["hits"], rows["at_bats"], kappa_power=-2.5, kappa_min=1.0)
    assert found.mean == pytest.approx(0.26857, abs=1e-5)
    theta = found.shrink([18, 14, 10, 7], 45)
    np.testing.assert_allclose(theta["shrunken"], [0.3217, 0.2855, 0.2492, 0.2221], atol=6e-5)
    np.testing.assert_allclose(theta["sd"], [0.0520, 0.0453, 0.0430, 0.0446], atol=6e-5)
    tenth = np.exp(found.quantile(np.log(found.kappa), [0.1, 0.5, 0.9]))
    np.testing.assert_allclose(tenth, [25.6, 64.3, 220.8], rtol=0.01)


def test_limits_are_quantiles_of_the_mixture(rats):
    rows = rats.shrink(prob=0.8)
    for column, level in (("low", 0.1), ("high", 0.9)):
        mass = rats.weights @ betainc(
            rats.a[:, None] + rats.y, rats.b[:, None] + rats.n - rats.y, rows[column].to_numpy()
        )
        np.testing.assert_allclose(mass, level, atol=1e-6)


def test_draws_agree_with_the_grid(rats):
    draws = rats.draws(20_000, seed=3)
    rows = rats.shrink(prob=0.9)
    error = rows["sd"] / np.sqrt(20_000)
    assert (np.abs(draws.mean(axis=0) - rows["shrunken"]) < 5 * error).all()
    inside = (draws >= rows["low"].to_numpy()) & (draws <= rows["high"].to_numpy())
    np.testing.assert_allclose(inside.mean(axis=0), 0.9, atol=0.012)
    np.testing.assert_array_equal(draws, rats.draws(20_000, seed=3))


def test_intervals_cover_with_one_team_where_plug_in_ones_do_not():
    # Own simulation: 14 players, 70 attempts, Beta(40, 60): the size of one team's game record.
    rng = np.random.default_rng(11)
    truth = rng.beta(40, 60, (40, 14))
    makes = rng.binomial(70, truth)
    full, plug_in = [], []
    for rates, row in zip(truth, makes, strict=True):
        # The interval covers when the posterior probability below the truth is .05 to .95.
        found = beta_binomial_posterior(row, np.full(14, 70))
        below = found.weights @ betainc(found.a[:, None] + row, found.b[:, None] + 70 - row, rates)
        full.append((below >= 0.05) & (below <= 0.95))
        fit = fit_beta_binomial(row, np.full(14, 70))
        if fit.overdispersed:
            below = betainc(fit.a + row, fit.b + 70 - row, rates)
            plug_in.append((below >= 0.05) & (below <= 0.95))
    assert 0.84 <= np.mean(full) <= 0.94
    assert np.mean(plug_in) < np.mean(full)


def test_no_spread_is_no_edge():
    found = beta_binomial_posterior(np.full(14, 12), np.full(14, 30))
    rows = found.shrink()
    assert rows["shrunken"].iloc[0] == pytest.approx(0.4, abs=0.005)
    assert (rows["high"] - rows["low"] > 0.08).all()
    assert 0 < rows["reliability"].iloc[0] < 0.3
    middle, band = found.attempts_to_half()
    assert 30 < band.low < middle < band.high


@settings(max_examples=25)
@given(
    st.lists(
        st.integers(2, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
        min_size=3,
        max_size=10,
    ).filter(lambda rows: 0 < sum(y for y, _ in rows) < sum(n for _, n in rows))
)
def test_rows_are_sane(rows):
    y, n = np.array(rows).T
    found = beta_binomial_posterior(y, n)
    out = found.shrink()
    assert found.weights.sum() == pytest.approx(1)
    assert ((out["low"] >= 0) & (out["low"] <= out["shrunken"])).all()
    assert ((out["high"] <= 1) & (out["shrunken"] <= out["high"])).all()
    assert ((out["reliability"] > 0) & (out["reliability"] < 1)).all()
    more = found.shrink(y + 0.5 * (n - y), n)
    assert (more["shrunken"] >= out["shrunken"] - 1e-12).all()


def test_refusals():
    with pytest.raises(ArgumentError, match="improper"):
        beta_binomial_posterior([1, 2, 3], [5, 5, 5], kappa_power=-1.0)
    with pytest.raises(IdentificationError, match="only misses"):
        beta_binomial_posterior([0, 0, 0], [5, 5, 5])
