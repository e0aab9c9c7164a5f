"""Guards of arguments: what lies inside is given back, what lies outside is told in one form."""

from __future__ import annotations

import math

import numpy as np
import pytest

from transfer.arguments import between, choice
from transfer.errors import ArgumentError


def refused(guard, *words, **limits):
    with pytest.raises(ArgumentError) as caught:
        guard(*words, **limits)
    return caught.value


def test_a_choice_is_given_back_or_refused_with_the_list():
    assert choice("method", "ml", ("ml", "moments")) == "ml"
    assert choice("weights", None, (None, "linear")) is None
    error = refused(choice, "method", "x", ("ml", "moments"), "fits nothing", next_step="use ml")
    assert (error.message, error.rule, error.next_step) == (
        "method='x' fits nothing", "one of ml, moments", "use ml"
    )  # fmt: skip
    assert refused(choice, "a", 3, (1, 2)).message == "a=3"
    assert refused(choice, "a", 3, (1, 2), rule="1 or 2").rule == "1 or 2"


@pytest.mark.parametrize(
    ("limits", "inside", "outside", "rule"),
    [
        ({"above": 0}, (1e-9, math.inf), (0, -1), "x > 0"),
        ({"above": 0, "finite": True}, (2,), (0, math.inf), "x > 0 and finite"),
        ({"at_least": 1, "finite": True}, (1,), (0.9, math.inf), "x >= 1 and finite"),
        ({"above": 0, "below": 1}, (0.5,), (0, 1), "0 < x < 1"),
        ({"above": 0, "at_most": 1}, (1, 0.1), (0, 1.01), "0 < x <= 1"),
        ({"at_least": -1, "at_most": 1}, (-1, 1), (-1.1, 1.1), "-1 <= x <= 1"),
        ({"below": -1}, (-2, -math.inf), (-1,), "x < -1"),
        ({"at_least": 1, "whole": True}, (1, 7.0), (0, 1.5, math.inf), "x is a whole number >= 1"),
    ],
)  # fmt: skip
def test_limits_hold_and_are_told(limits, inside, outside, rule):
    for value in inside:
        assert between("x", value, next_step="s", **limits) == value
    for value in (*outside, math.nan):
        error = refused(between, "x", value, "is odd", next_step="s", **limits)
        assert (error.message, error.rule) == (f"x={value!r} is odd", rule)


def test_a_number_comes_back_as_a_float():
    assert type(between("x", np.float32(0.5), above=0, next_step="s")) is float
    assert refused(between, "x", 2, below=1, rule="small", next_step="s").rule == "small"
