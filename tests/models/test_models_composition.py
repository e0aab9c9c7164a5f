"""R2 mathematics against closed forms and against a regression."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_fits import one_factor, tilted_prior

from transfer.errors import ArgumentError
from transfer.models.composition import (
    carry_over_weights,
    compose,
    game_given_practice,
    r_squared,
)
from transfer.models.posterior import PopulationDraws

SETTINGS = ("rep/none", "rep/light", "live/trailing")
MODES = ("rep", "rep", "live")


def population(omega, tau=None):
    omega = np.asarray(omega)[None]
    width = omega.shape[-1]
    tau = np.ones((1, width)) if tau is None else np.asarray(tau)[None]
    return PopulationDraws(np.zeros((1, width)), tau, omega)


@settings(max_examples=50, deadline=None)
@given(a=st.floats(-0.6, 0.9), b=st.floats(-0.6, 0.9), c=st.floats(-0.3, 0.5))
def test_two_predictors_closed_form(a, b, c):
    # Textbook: R2 = (a^2 + b^2 - 2abc) / (1 - c^2) for two predictors with correlation c.
    r2 = (a**2 + b**2 - 2 * a * b * c) / (1 - c**2)
    if r2 > 0.98:
        return
    omega = np.array([[[1, c, a], [c, 1, b], [a, b, 1]]])
    assert r_squared(omega, np.array([0, 1]))[0] == pytest.approx(r2, abs=1e-9)
    assert r_squared(omega, np.array([0]))[0] == pytest.approx(a**2)


def test_weights_and_r2_are_those_of_a_regression_on_true_rates():
    rng = np.random.default_rng(11)
    omega, tau = one_factor([0.9, 0.85, 0.7, 0.8]), np.array([0.5, 0.4, 0.6, 0.2])
    u = rng.multivariate_normal(np.zeros(4), np.outer(tau, tau) * omega, size=200_000)
    fitted, residual, *_ = np.linalg.lstsq(u[:, :3], u[:, 3], rcond=None)
    parts = compose(population(omega, tau), SETTINGS, MODES)
    np.testing.assert_allclose(parts.weights[0], fitted, atol=0.004)
    r2 = 1 - residual[0] / np.sum(u[:, 3] ** 2)
    assert parts.r2_all[0] == pytest.approx(r2, abs=0.005)
    weights, sd = game_given_practice(population(omega, tau))
    assert sd[0] == pytest.approx(np.std(u[:, 3] - u[:, :3] @ weights[0]), rel=0.01)


def test_one_draw_equals_the_same_draw_among_many():
    rng = np.random.default_rng(12)
    many = tilted_prior(rng, 50, 3)
    parts = compose(many, SETTINGS, MODES)
    one = compose(PopulationDraws(many.mu[7:8], many.tau[7:8], many.omega[7:8]), SETTINGS, MODES)
    assert parts.r2_all[7] == pytest.approx(one.r2_all[0])
    assert parts.r2_live[7] == pytest.approx(one.r2_live[0])
    np.testing.assert_allclose(carry_over_weights(many)[7], one.weights[0])


def test_additions_and_contrast_fit_together():
    parts = compose(tilted_prior(np.random.default_rng(13), 500, 3), SETTINGS, MODES)
    np.testing.assert_allclose(parts.r2_rep + parts.live_adds, parts.r2_all)
    np.testing.assert_allclose(parts.r2_live + parts.rep_adds, parts.r2_all)
    np.testing.assert_allclose(parts.contrast("r2"), parts.r2_live - parts.r2_rep)
    np.testing.assert_allclose(
        parts.contrast("rho"), parts.composite_rho("live") - parts.composite_rho("rep")
    )
    np.testing.assert_allclose(parts.composite_rho("live"), np.abs(parts.rho[:, 2]))
    with pytest.raises(ArgumentError, match="contrast='share'"):
        parts.contrast("share")


def test_one_mode_has_no_contrast():
    parts = compose(tilted_prior(np.random.default_rng(14), 20, 2), SETTINGS[:2], MODES[:2])
    assert parts.r2_live is None
    assert parts.live_adds is None
    assert parts.composite_rho("live") is None
    assert parts.contrast() is None


def test_what_is_no_correlation_matrix_is_refused():
    omega = np.array([[[1, 0.0, 0.9], [0.0, 1, 0.9], [0.9, 0.9, 1]]])
    with pytest.raises(ArgumentError, match="R2 runs from"):
        r_squared(omega, np.array([0, 1]))
    with pytest.raises(ArgumentError, match="no setting"):
        r_squared(omega, np.array([], dtype=int))
    with pytest.raises(ArgumentError, match="2 settings"):
        compose(population(np.eye(4)), SETTINGS[:2], MODES[:2])
