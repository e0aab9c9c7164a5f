"""The randomisation test by hand: counts, difference, and every digit of the p-value."""

from __future__ import annotations

import datetime as dt
import itertools

import numpy as np
import pandas as pd
import pytest
from trial_seasons import START, one_week_of_parallel_groups, trial_plan

from transfer.errors import ArgumentError
from transfer.trial import permutation
from transfer.trial.cells import TrialCells
from transfer.trial.permutation import randomisation_test

#: Three weeks of program one: two players, a swap after the first week, then a break.
SWAPS = np.array([1, -1, 0])
N = np.array([[10.0, 8.0, 50.0], [5.0, 12.0, 50.0]])
E = np.array([[6.0, 4.0, 50.0], [1.0, 3.0, 0.0]])
FIRST = np.array([1, -1])


def test_difference_by_hand():
    # Week one, live 6 of 10 and rep 1 of 5: (6 * 5 - 1 * 10) / 15 over 10 * 5 / 15.
    # Week two the other way, live 3 of 12 and rep 4 of 8: (3 * 8 - 4 * 12) / 20 over 96 / 20.
    # The break counts for nothing.
    by_hand = 100 * (20 / 15 - 24 / 20) / (50 / 15 + 96 / 20)
    program = np.zeros(2, int)
    found = permutation._difference(N, E, program, np.array([FIRST, -FIRST]), SWAPS)
    assert found == pytest.approx([by_hand, -by_hand])


def test_programs_add_up_and_players_are_compared_inside_theirs():
    # A second program in which both start with live work: no rep work to compare with in any week.
    n, e, program = np.vstack([N, N]), np.vstack([E, 9 - E]), np.array([0, 0, 1, 1])
    alone = permutation._difference(N, E, np.zeros(2, int), FIRST[None], SWAPS)
    with_same = permutation._difference(n, e, program, np.array([[1, -1, 1, 1]]), SWAPS)
    assert with_same == pytest.approx(alone)
    # A second program whose players start with the two arms adds to top and bottom.
    both = permutation._difference(n, e, program, np.array([[1, -1, 1, -1]]), SWAPS)
    own_e = e[2:]
    one = (own_e[0, 0] * 5 - own_e[1, 0] * 10) / 15
    two = (own_e[1, 1] * 8 - own_e[0, 1] * 12) / 20
    top = 20 / 15 - 24 / 20 + one + two
    assert both == pytest.approx([100 * top / (2 * (50 / 15 + 96 / 20))])


def test_nobody_in_both_arms_gives_no_number():
    found = permutation._difference(N, E, np.zeros(2, int), np.array([[1, 1]]), SWAPS)
    assert np.isnan(found).all()


def table_of(plan, n, y):
    """Counts of players by weeks as records of the plan."""
    players = plan.units["player"].tolist()
    rows = [
        ("T01", player, week + 1, n[p][week], y[p][week])
        for p, player in reversed(list(enumerate(players)))
        for week in range(len(n[p]))
    ]
    return pd.DataFrame(rows, columns=["program", "player", "week", "n", "y"])


def test_makes_are_taken_relative_to_the_own_rate_once_anybody_has_swapped():
    plan = trial_plan(1, 4, weeks=4)  # swap after two weeks
    n = np.array([[4, 0, 6, 0], [0, 0, 0, 0], [5, 5, 5, 5], [0, 0, 1, 0]])
    y = np.array([[1, 0, 4, 0], [0, 0, 0, 0], [5, 0, 5, 0], [0, 0, 1, 0]])
    # Own rates 5/10, none, 10/20 and 1/1.
    own = np.array([[0.5], [0.0], [0.5], [1.0]])
    for recorded, excess in ((4, y - n * own), (2, y)):
        cells = TrialCells(table_of(plan, n, y), {}, recorded)
        found_n, found, program, first, swaps = permutation._arrays(cells, plan)
        np.testing.assert_array_equal(found_n, n)
        np.testing.assert_allclose(found, excess)
        assert program.tolist() == [0, 0, 0, 0]
        assert swaps.tolist() == [1, 1, -1, -1]
        arms = {"live_heavy": 1, "rep_heavy": -1}
        assert first.tolist() == [arms[arm] for arm in plan.units["first_arm"]]


def test_weeks_of_a_break_are_left_out_of_counts_and_of_own_rates():
    plan = trial_plan(1, 4, weeks=5, breaks=((START + dt.timedelta(7), START + dt.timedelta(13)),))
    assert plan.calendar["practice_week"].tolist() == [1, 0, 2, 3, 4]
    n, y = np.full((4, 5), 4), np.array([[1, 4, 1, 3, 3]] * 4)
    cells = TrialCells(table_of(plan, n, y), {}, 5)
    found_n, found, _, _, swaps = permutation._arrays(cells, plan)
    assert swaps.tolist() == [1, 0, 1, -1, -1]
    assert found_n[0].tolist() == [4, 0, 4, 4, 4]
    assert found[0] == pytest.approx([-1, 0, -1, 1, 1])  # own rate 8 of 16


@pytest.fixture
def given_differences(monkeypatch):
    """Let the test see one difference as drawn, and others under the lots drawn again."""

    def put(observed, *redrawn):
        plan, cells, _ = one_week_of_parallel_groups(3)
        values = np.resize(np.array(redrawn, dtype=float), 99)
        values[len(redrawn) :] = 0.0
        answers = [np.array([observed]), values]
        monkeypatch.setattr(permutation, "_difference", lambda *a: answers.pop(0))
        return randomisation_test(cells, plan, redraws=99)

    return put


def test_p_value_counts_both_tails_ties_and_the_drawn_lot_itself(given_differences):
    # As far from zero: 5, -5, 6 and one that differs by rounding; not: 4.9, -4 and no number.
    test = given_differences(5.0, 5.0, -5.0, 6.0, 5.0 - 0.9e-9, 5.0 - 1.1e-9, 4.9, -4.0, np.nan)
    assert test.p_value == pytest.approx(5 / 100)
    assert test.as_far == 4
    assert test.difference == 5.0
    assert test.to_dict() == {
        "difference_points": 5.0, "p_value": 0.05, "redraws": 99, "text": test.text,
    }  # fmt: skip
    assert "was +5.0 points against rep-heavy weeks" in test.text
    assert "of 99 lots drawn again 4 give a difference" in test.text
    assert "p = 0.05)" in test.text


def test_p_value_of_a_negative_difference_and_of_none(given_differences):
    assert given_differences(-5.0, 5.0, -5.0, 4.9).p_value == pytest.approx(3 / 100)
    # A lot without both arms counts as no difference.
    every = given_differences(0.0, np.nan, 1.0, -1.0)
    assert (every.p_value, every.as_far) == (1.0, 99)


def test_ninety_nine_redraws_are_enough_and_the_seed_is_one():
    plan, cells, _ = one_week_of_parallel_groups(3)
    with pytest.raises(ArgumentError, match="redraws=98"):
        randomisation_test(cells, plan, redraws=98)
    usual = randomisation_test(cells, plan, redraws=99)
    assert len(usual.redrawn) == 99
    same = randomisation_test(cells, plan, redraws=99, seed=1)
    np.testing.assert_array_equal(usual.redrawn, same.redrawn)
    assert len(randomisation_test(cells, plan).redrawn) == permutation.REDRAWS == 1999


def test_lots_drawn_again_are_those_of_the_design():
    # Four of eight start with live work, so each difference is that of some half of the players.
    plan, cells, week = one_week_of_parallel_groups(3)
    found = randomisation_test(cells, plan, redraws=99, seed=7).redrawn
    made, shot = week["y"].to_numpy(), week["n"].to_numpy()
    halves = [np.isin(np.arange(8), half) for half in itertools.combinations(range(8), 4)]
    possible = [
        100 * (made[h].sum() / shot[h].sum() - made[~h].sum() / shot[~h].sum()) for h in halves
    ]
    assert all(np.min(np.abs(np.array(possible) - value)) < 1e-9 for value in found)
    assert len(np.unique(found.round(9))) > 30
