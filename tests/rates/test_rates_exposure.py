from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from transfer.errors import ArgumentError
from transfer.rates.exposure import exposure, response, response_slope, retention

SHAPES = ("log1p", "linear", "hill")


def test_exposure_follows_the_recursion_by_hand():
    minutes = np.array([[[40.0, 0.0, 20.0]]])
    M = exposure(minutes, np.array([[20.0]]), half_life=1.0)
    assert M.tolist() == [[[20.0, 30.0, 15.0]]]


def test_exposure_halves_after_one_half_life_without_practice():
    M = exposure(np.zeros((1, 1, 9)), 32.0, half_life=4.0)
    assert M[0, 0, 4] == pytest.approx(16.0)
    assert M[0, 0, 8] == pytest.approx(8.0)


@given(st.floats(0.3, 40.0), st.floats(0.0, 200.0))
def test_a_steady_habit_is_its_own_exposure_at_any_half_life(half_life, level):
    M = exposure(np.full((2, 1, 12), level), level, half_life)
    assert np.allclose(M, level)


@given(st.floats(0.5, 100.0))
def test_every_shape_is_zero_at_nothing_and_one_at_the_typical_week(M0):
    for shape in SHAPES:
        assert response(0.0, M0, shape) == pytest.approx(0.0)
        assert response(M0, M0, shape) == pytest.approx(1.0)


@pytest.mark.parametrize("shape", SHAPES)
def test_slope_is_the_derivative(shape):
    M = np.linspace(1.0, 120.0, 25)
    step = 1e-4
    numeric = (response(M + step, 35.0, shape) - response(M - step, 35.0, shape)) / (2 * step)
    assert np.allclose(response_slope(M, 35.0, shape), numeric, rtol=1e-6)


def test_bad_arguments_name_themselves():
    with pytest.raises(ArgumentError, match="half_life=0"):
        retention(0)
    with pytest.raises(ArgumentError, match="shape='sigmoid'"):
        response(3.0, 35.0, "sigmoid")
    with pytest.raises(ArgumentError, match=r"M0=-1"):
        response(3.0, -1)
    with pytest.raises(ArgumentError, match="negative or missing"):
        exposure(np.array([[[1.0, np.nan]]]), 0.0)
    with pytest.raises(ArgumentError, match="kinds x players x weeks"):
        exposure(np.zeros((2, 3)), 0.0)
