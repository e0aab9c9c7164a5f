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
    mode_indices,
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


#: One rep and one live setting: c between them, a and b with games.
TWO = ("rep/none", "live/trailing")
A, B, C = 0.6, 0.8, 0.5
OMEGA = [[1, C, A], [C, 1, B], [A, B, 1]]
TAU = [0.5, 0.4, 0.2]
#: (a^2 + b^2 - 2abc) / (1 - c^2) = (.36 + .64 - .48) / .75.
R2 = 0.52 / 0.75


def test_every_number_of_two_settings_by_hand():
    parts = compose(population(OMEGA, TAU), TWO, ("rep", "live"))
    assert (parts.settings, parts.modes) == (TWO, ("rep", "live"))
    np.testing.assert_allclose(parts.rho, [[A, B]])
    # Standardised weights (a - bc) / (1 - c^2) and (b - ac) / (1 - c^2), times tau_G / tau_k.
    np.testing.assert_allclose(parts.weights, [[0.2 / 0.75 * 0.2 / 0.5, 0.5 / 0.75 * 0.2 / 0.4]])
    assert parts.r2_all == pytest.approx([R2])
    assert parts.r2_rep == pytest.approx([A**2])
    assert parts.r2_live == pytest.approx([B**2])
    assert parts.live_adds == pytest.approx([R2 - A**2])
    assert parts.rep_adds == pytest.approx([R2 - B**2])
    assert parts.contrast() == pytest.approx([B**2 - A**2])
    assert parts.contrast("r2") == pytest.approx([B**2 - A**2])
    assert parts.contrast("rho") == pytest.approx([B - A])
    assert parts.composite_rho("rep") == pytest.approx([A])
    assert parts.composite_rho("live") == pytest.approx([B])
    assert parts.composite_rho("all") == pytest.approx([np.sqrt(R2)])


def test_game_given_practice_by_hand_and_without_practice():
    weights, sd = game_given_practice(population(OMEGA, TAU))
    np.testing.assert_allclose(weights, [[0.8 / 7.5, 1 / 3]])
    assert sd == pytest.approx([0.2 * np.sqrt(1 - R2)])
    weights, sd = game_given_practice(population([[1.0]], [0.3]))
    assert weights.shape == (1, 0)
    assert sd == pytest.approx([0.3])


@pytest.mark.parametrize("mode", ["rep", "live"])
def test_one_mode_adds_nothing_to_nothing(mode):
    parts = compose(population([[1, -0.6], [-0.6, 1]]), (f"{mode}/none",), (mode,))
    there, absent = (
        (parts.r2_rep, parts.r2_live) if mode == "rep" else (parts.r2_live, parts.r2_rep)
    )
    assert there == pytest.approx([0.36])
    assert absent is None
    assert (parts.live_adds, parts.rep_adds, parts.contrast()) == (None, None, None)
    assert parts.composite_rho(mode) == pytest.approx([0.6])  # against games is informative too


def test_settings_of_one_mode_are_found_wherever_they_stand():
    assert mode_indices(("rep", "live", "rep", "live"), "live").tolist() == [1, 3]
    assert mode_indices(("rep", "rep"), "live").tolist() == []


@pytest.mark.parametrize(("over", "refused"), [(0.9e-6, False), (1.1e-6, True)])
def test_rounding_of_a_millionth_is_cut_off_and_more_refused(over, refused):
    # One setting: R2 is its squared correlation. Two of correlation 2 and with x and -x to games:
    # (2 x^2 + 4 x^2) / (1 - 4) = -2 x^2.
    x = np.sqrt(over / 2)
    above = np.array([[[1, np.sqrt(1 + over)], [np.sqrt(1 + over), 1]]])
    below = np.array([[[1, 2, x], [2, 1, -x], [x, -x, 1]]])
    for omega, subset, limit in ((above, [0], 1.0), (below, [0, 1], 0.0)):
        if refused:
            with pytest.raises(ArgumentError, match="R2 runs from"):
                r_squared(omega, np.array(subset))
        else:
            assert r_squared(omega, np.array(subset)).tolist() == [limit]


def test_no_draws_give_no_r2():
    assert r_squared(np.zeros((0, 2, 2)), np.array([0])).shape == (0,)


@pytest.mark.parametrize(
    ("names", "modes"), [(TWO[:1], ("rep",)), (TWO, ("rep",)), (TWO[:1], ("rep", "live"))]
)
def test_names_and_modes_must_fit_the_draws(names, modes):
    with pytest.raises(ArgumentError, match="for draws of 2 practice settings"):
        compose(population(OMEGA), names, modes)


def test_games_alone_keep_a_spread_for_every_draw():
    tau = np.array([[0.2], [0.3], [0.4]])
    alone = PopulationDraws(np.zeros((3, 1)), tau, np.ones((3, 1, 1)))
    weights, sd = game_given_practice(alone)
    assert weights.shape == (3, 0)
    assert sd.tolist() == [0.2, 0.3, 0.4]


@pytest.mark.parametrize("mode", ["live", "rep"])
def test_what_a_mode_adds_is_never_below_zero(mode):
    # A setting that goes with everything as another does, only less, tells nothing
    # more than the other: it adds zero, and what rounding leaves below is cut off.
    inner = tilted_prior(np.random.default_rng(16), 400, 3).omega
    omega = np.zeros((400, 5, 5)) + np.eye(5)
    omega[:, 1:, 1:] = inner
    omega[:, 0, 1:] = omega[:, 1:, 0] = 0.7 * inner[:, 0]
    other = "rep" if mode == "live" else "live"
    many = PopulationDraws(np.zeros((400, 5)), np.ones((400, 5)), omega)
    parts = compose(many, ("a", "b", "c", "d"), (mode, other, other, other))
    adds, whole = parts.live_adds, parts.r2_rep
    if mode == "rep":
        adds, whole = parts.rep_adds, parts.r2_live
    assert 0.0 <= adds.min() <= adds.max() < 1e-9
    assert (parts.r2_all - whole).min() < 0.0  # so that the cut has something to do
