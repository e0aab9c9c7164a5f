"""First-to-k sets: exact negative binomial, simulation, and the choice of a target."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from transfer.errors import ArgumentError
from transfer.session.race import (
    Side,
    choose_target,
    finish_probability,
    simulate_race,
    win_chances,
)


@settings(max_examples=40, deadline=None)
@given(p=st.floats(0.05, 0.95), pace=st.floats(0.3, 8), k=st.integers(1, 12), m=st.floats(0.5, 12))
def test_one_side_is_the_negative_binomial_of_scipy(p, pace, k, m):
    side = Side((p,), pace)
    shots = side.shots(m)
    exact = stats.nbinom.cdf(shots - k, k, p) if shots >= k else 0.0
    assert finish_probability([side], k, m) == pytest.approx(exact, abs=1e-10)


def test_two_equal_sides_by_hand():
    # Equal pace: both shoot at the same moments. P(first at shot n) from two negative binomials.
    p, k = 0.4, 3
    a, b = Side((p,), 2.0, "A"), Side((p,), 2.0, "B")
    n = np.arange(k, 400)
    pmf = stats.nbinom.pmf(n - k, k, p)
    tie = float((pmf**2).sum())
    wins = win_chances([a, b], k)
    assert wins["tie"] == pytest.approx(tie, abs=1e-6)
    assert wins["A"] == pytest.approx((1 - tie) / 2, abs=1e-6)
    late = stats.nbinom.sf(10 - k, k, p) ** 2
    assert finish_probability([a, b], k, 5.0) == pytest.approx(1 - late, abs=1e-10)


def test_groups_of_unequal_shooters_agree_with_play_shot_by_shot():
    sides = [
        Side((0.55, 0.35, 0.45), 3.0, "A"),
        Side((0.50, 0.40), 2.5, "B"),
        Side((0.30, 0.60, 0.45, 0.5), 3.5, "C"),
    ]
    exact, wins = finish_probability(sides, 8, 6.0), win_chances(sides, 8)
    share, won = simulate_race(sides, 8, 6.0, sets=60_000, seed=9)
    assert share == pytest.approx(exact, abs=4 * 0.5 / np.sqrt(60_000))
    for name in wins:
        assert won[name] == pytest.approx(wins[name], abs=4 * 0.5 / np.sqrt(60_000))
    assert sum(wins.values()) == pytest.approx(1.0)


def test_target_is_the_largest_that_ends_in_time():
    sides = [Side((0.45,), 4.0, "A"), Side((0.45,), 4.0, "B")]
    found = choose_target([sides], 5.0, 0.8)
    assert found.probability == pytest.approx(finish_probability(sides, found.target, 5.0))
    assert found.probability >= 0.8
    assert finish_probability(sides, found.target + 1, 5.0) < 0.8
    assert found.median_minutes <= 5.0
    two = choose_target([sides, [Side((0.3,), 4.0, "A"), Side((0.3,), 4.0, "B")]], 5.0, 0.8)
    assert two.target < found.target


def test_race_refuses_nonsense():
    with pytest.raises(ArgumentError, match="make rates"):
        Side((0.0,), 1.0)
    with pytest.raises(ArgumentError, match="pace"):
        Side((0.5,), 0.0)
    with pytest.raises(ArgumentError, match="target=0"):
        finish_probability([Side((0.5,), 1.0)], 0, 5.0)
    with pytest.raises(ArgumentError, match="no target ends"):
        choose_target([[Side((0.05,), 0.5)]], 2.0, 0.9)
    with pytest.raises(ArgumentError, match=r"probability=1\.5"):
        choose_target([[Side((0.5,), 0.5)]], 2.0, 1.5)
