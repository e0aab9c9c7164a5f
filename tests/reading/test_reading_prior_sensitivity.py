"""Power scaling of the prior: against exact posteriors, and against another implementation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from arviz_stats.base import array_stats
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from transfer.models.population_prior import draw_population, prior_correlations
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.models.psis import smooth_log_weights
from transfer.provenance import Provenance
from transfer.reading.prior_sensitivity import (
    CONTRAST,
    LEANS_FROM,
    PARTS,
    cjs_distance,
    log_prior_parts,
    power_sensitivity,
)
from transfer.records.cells import Cells

SETTINGS = ("rep/none", "live/trailing")
WIDE = TransferPriors(tilt_game=(0.0, 2.0), tilt_practice=(0.0, 2.0))
RNG = np.random.default_rng(10)


def posterior_of(population, names=SETTINGS, prior=None) -> TransferPosterior:
    draws, size = population.mu.shape
    return TransferPosterior(
        settings=names,
        modes=tuple(name.split("/")[0] for name in names),
        units=("A/2031/P01",),
        population=population,
        prior=prior or population,
        theta=np.zeros((draws, 1, size)),
        diagnostics=Diagnostics(1.0, 900.0, 900.0, 0, True),
        provenance=Provenance(1, "none"),
        cells=Cells(
            pd.DataFrame({"unit": ["A/2031/P01"] * size, "setting": [*names, "game"]}),
            names,
            ("A/2031/P01",),
            "none",
        ),
    )


@pytest.fixture(scope="module")
def without_records():
    """Draws of the prior itself: what a fit to no records gives."""
    return draw_population(2, TransferPriors(), 8000, 3)


def test_doubling_the_prior_gives_what_a_twice_as_tight_prior_gives(without_records):
    # Without records the posterior is the prior, and a normal factor squared is a normal factor
    # with its sd divided by sqrt(2); that prior is drawn afresh by other code.
    priors = replace(TransferPriors(), tilt_df=None)
    tight = replace(
        priors,
        tilt_game=(0.55, 0.40 / np.sqrt(2)),
        tilt_practice=(0.85, 0.50 / np.sqrt(2)),
    )
    wanted = draw_population(2, tight, 8000, 4).omega[:, -1, :-1]
    found = power_sensitivity(posterior_of(without_records), priors).table
    rho = found[(found["part"] == "correlations") & (found["answer"] != CONTRAST)]
    np.testing.assert_allclose(rho["mean_double"], wanted.mean(axis=0), atol=0.01)
    np.testing.assert_allclose(rho["sd_double"], wanted.std(axis=0), atol=0.01)
    assert rho["leans"].all()


def test_halving_the_prior_of_a_mean_gives_the_conjugate_posterior():
    # Normal prior times normal likelihood: with the prior to the power 1/2 the precision loses
    # half of the prior's.
    rng = np.random.default_rng(8)
    centre, width = TransferPriors().mu_practice
    precision = 1 / width**2 + 1 / 0.5**2
    mean = (centre / width**2 + 0.9 / 0.5**2) / precision
    population = PopulationDraws(
        mu=np.column_stack([rng.normal(mean, precision**-0.5, 8000), np.full(8000, -0.4)]),
        tau=np.full((8000, 2), 0.3),
        omega=np.broadcast_to(np.array([[1.0, 0.5], [0.5, 1.0]]), (8000, 2, 2)),
    )
    log_prior = log_prior_parts(population, TransferPriors())["means"]
    weights = np.exp(smooth_log_weights(-0.5 * log_prior[:, None])[0][:, 0])
    less = precision - 0.5 / width**2
    exact = (0.5 * centre / width**2 + 0.9 / 0.5**2) / less
    found = weights @ population.mu[:, 0]
    assert found == pytest.approx(exact, abs=0.02)
    assert np.sqrt(weights @ (population.mu[:, 0] - found) ** 2) == pytest.approx(
        less**-0.5, rel=0.04
    )


def test_sensitivity_agrees_with_another_implementation(without_records):
    # arviz-stats, same weights; it has the distance and the derivative on its own.
    priors = TransferPriors()
    result = power_sensitivity(posterior_of(without_records), priors)
    log_prior = log_prior_parts(without_records, priors)["correlations"]
    lower, upper = (
        np.exp(smooth_log_weights((a - 1) * log_prior[:, None])[0][:, 0]) for a in (0.99, 1.01)
    )
    for answer, draws in result.draws.items():
        other = array_stats.power_scale_sense(
            *(v.reshape(1, -1) for v in (draws, lower, upper)), 0.99, 1.01
        )
        row = result.table.set_index(["answer", "part"]).loc[(answer, "correlations")]
        assert row["sensitivity"] == pytest.approx(float(other), rel=1e-3)


@given(
    st.lists(st.floats(-5, 5), min_size=3, max_size=40, unique=True),
    st.integers(0, 2**32 - 1),
    st.floats(0.1, 50.0),
)
@settings(max_examples=50, deadline=None)
def test_distance_is_a_bounded_measure_that_ignores_unit_and_direction(values, seed, unit):
    draws = np.asarray(values)
    weights = np.random.default_rng(seed).random(len(draws)) + 0.01
    distance = cjs_distance(draws, weights)
    assert 0.0 <= distance <= 1.0
    assert cjs_distance(-unit * draws, 3.0 * weights) == pytest.approx(distance, abs=1e-6)
    assert cjs_distance(draws, np.ones(len(draws))) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("family", ["half_normal", "uniform", "inverse_gamma_variance"])
def test_log_density_of_spreads_is_that_of_scipy_up_to_a_constant(family):
    priors = replace(TransferPriors(), tau_family=family, tau_practice_sd=1.5, tau_game_sd=2.0)
    tau = np.random.default_rng(1).uniform(0.2, 1.4, (50, 2))
    population = PopulationDraws(np.zeros((50, 2)), tau, np.broadcast_to(np.eye(2), (50, 2, 2)))
    scales = np.array([1.5, 2.0])
    exact = {
        "half_normal": lambda: stats.halfnorm.logpdf(tau, scale=scales),
        "uniform": lambda: stats.uniform.logpdf(tau, 0, scales),
        "inverse_gamma_variance": lambda: (
            stats.gamma.logpdf(tau**-2, scales, scale=1 / scales) + np.log(2 * tau**-3)
        ),
    }[family]().sum(axis=1)
    found = log_prior_parts(population, priors)["spreads"]
    np.testing.assert_allclose(np.ptp(found - exact), 0.0, atol=1e-9)


def test_plain_lkj_is_its_determinant_and_lkj_one_moves_nothing(without_records):
    plain = log_prior_parts(without_records, TransferPriors().untilted(2.0))["correlations"]
    np.testing.assert_allclose(plain, np.log(np.linalg.det(without_records.omega)), atol=1e-9)
    flat = power_sensitivity(posterior_of(without_records), TransferPriors().untilted(1.0)).table
    assert (flat.loc[flat["part"] == "correlations", "sensitivity"] < 1e-6).all()


def test_answers_that_the_records_settled_do_not_lean(without_records):
    rng = np.random.default_rng(5)
    sharp = np.broadcast_to(np.eye(3), (4000, 3, 3)).copy()
    for (i, j), rho in {(0, 1): 0.7, (0, 2): 0.5, (1, 2): 0.6}.items():
        sharp[:, i, j] = sharp[:, j, i] = rho + 0.01 * rng.standard_normal(4000)
    population = PopulationDraws(without_records.mu[:4000], without_records.tau[:4000], sharp)
    result = power_sensitivity(posterior_of(population, prior=without_records), TransferPriors())
    assert not result.table["leans"].any()
    assert result.text.startswith("No answer of this reading leans")


def test_sentence_names_the_part_and_the_chances_it_moves_between():
    # Records that pull the two correlations apart, against a prior that favours neither. Draws
    # are accepted or not, never repeated: ties in the weights would leave no tail to fit.
    prior = draw_population(2, TransferPriors(), 40_000, 9)
    rho = prior.omega[:, -1, :-1]
    likelihood = np.exp(-0.5 * (((rho - [0.10, 0.85]) / 0.25) ** 2).sum(axis=1))
    kept = np.random.default_rng(9).random(40_000) < likelihood
    pulled = PopulationDraws(prior.mu[kept], prior.tau[kept], prior.omega[kept])
    result = power_sensitivity(posterior_of(pulled, prior=prior), TransferPriors())
    row = result.table.set_index(["answer", "part"]).loc[(CONTRAST, "correlations")]
    assert row["sensitivity"] >= LEANS_FROM
    assert row["chance_half"] > row["chance"] > row["chance_double"] > 0.5
    assert PARTS["correlations"] in result.text
    assert f"{row['chance_double']:.0%}" in result.text
    assert set(result.table["part"]) == set(PARTS)
    assert result.to_dict()["text"] == result.text


def test_weights_that_cannot_be_trusted_are_said_so(without_records):
    # A fit far from its prior: a few draws carry the weights of the doubled prior.
    far = TransferPriors(tilt_game=(-2.0, 0.05), tilt_practice=(0.85, 0.05))
    wide = PopulationDraws(
        without_records.mu, without_records.tau, prior_correlations(2, WIDE, 8000, RNG)
    )
    result = power_sensitivity(posterior_of(without_records, prior=wide), far)
    row = result.table.set_index(["answer", "part"]).loc[(CONTRAST, "correlations")]
    assert not row["trusted"]
    assert "fit again with a priors file" in result.text


def test_a_contrast_that_the_records_left_alone_is_not_called_robust(without_records):
    # The prior favours neither side, so scaling it hardly moves the contrast; with no records the
    # sentence must not sell that as an answer.
    result = power_sensitivity(posterior_of(without_records), TransferPriors())
    contrast = result.table[result.table["answer"] == CONTRAST]
    assert (contrast["contraction"] == 1.0).all()
    assert (contrast["sensitivity"] < LEANS_FROM).all()
    assert "still almost entirely the starting assumption, so how" in result.text
    assert "does not lean" not in result.text


def test_one_mode_has_no_contrast_and_games_alone_have_no_answer():
    one = draw_population(1, TransferPriors(), 2000, 6)
    result = power_sensitivity(posterior_of(one, ("rep/none",)), TransferPriors())
    assert set(result.table["answer"]) == {"rho rep/none"}
    assert "rep/none" in result.text
    none = draw_population(0, TransferPriors(), 100, 6)
    assert power_sensitivity(posterior_of(none, ()), TransferPriors()) is None
