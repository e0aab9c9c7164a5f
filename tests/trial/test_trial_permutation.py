"""The randomisation test: equal to scipy in a simple case, and fair under no difference."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from trial_seasons import one_week_of_parallel_groups, play, trial_plan, weekly_of

from transfer.errors import ArgumentError, IdentificationError
from transfer.simulation.growth import GrowthTruth
from transfer.trial.assignment import Lot, draw_first_arms
from transfer.trial.cells import TrialCells, plan_cells
from transfer.trial.permutation import randomisation_test


@pytest.mark.parametrize("seed", [2, 3, 8])
def test_equals_scipy_for_two_groups(seed):
    plan, cells, week = one_week_of_parallel_groups(seed)
    ours = randomisation_test(cells, plan, redraws=4000, seed=1)
    live = (plan.units["first_arm"] == "live_heavy").to_numpy()
    index = np.arange(8)

    def difference(first, second):
        made = week["y"].to_numpy()
        shot = week["n"].to_numpy()
        return 100 * (
            made[first.astype(int)].sum() / shot[first.astype(int)].sum()
            - made[second.astype(int)].sum() / shot[second.astype(int)].sum()
        )

    exact = stats.permutation_test(
        (index[live], index[~live]),
        difference,
        permutation_type="independent",
        n_resamples=np.inf,
        vectorized=False,
        alternative="two-sided",
    )
    assert ours.difference == pytest.approx(exact.statistic, abs=1e-9)
    # scipy doubles the smaller tail; ours counts both tails, as do these.
    both = np.mean(np.abs(exact.null_distribution) >= abs(exact.statistic) - 1e-9)
    error = np.sqrt(both * (1 - both) / 4000)
    assert ours.p_value == pytest.approx(both, abs=4 * error + 1 / 4001)
    assert len(exact.null_distribution) == 70


def test_p_values_are_fair_when_nothing_differs():
    """120 small trials without any effect: p is uniform up to its steps (Kolmogorov-Smirnov)."""
    plan = trial_plan(2, 6, weeks=12, seed=4)
    keys = plan.table[["program", "player", "week"]]
    skill = np.repeat(np.linspace(0.25, 0.55, 12), 12)
    found = []
    for seed in range(120):
        rng = np.random.default_rng(seed)
        n = rng.poisson(3.0, len(keys))
        cells = TrialCells(keys.assign(n=n, y=rng.binomial(n, skill)), {}, 12)
        arms = draw_first_arms(plan.units, Lot(seed))
        pairs = zip(plan.units["program"], plan.units["unit"], strict=True)
        units = plan.units.assign(first_arm=[arms[pair] for pair in pairs])
        drawn = type(plan)(plan.settings, units, plan.calendar)
        found.append(randomisation_test(cells, drawn, redraws=99, seed=1000 + seed).p_value)
    assert stats.kstest(found, "uniform").pvalue > 0.001
    assert np.mean(np.array(found) <= 0.05) < 0.12  # 0.05 expected, binomial sd 0.020


def test_a_large_effect_is_found_and_repeats():
    plan = trial_plan(6)
    truth = GrowthTruth(gain_rep=0.0, gain_live=0.6, teams=6)
    cells = plan_cells(weekly_of(play(plan, truth, 1)), plan)
    test = randomisation_test(cells, plan, redraws=499, seed=3)
    assert test.p_value <= 0.01
    assert test.difference > 0
    assert "499 lots drawn again" in test.text
    again = randomisation_test(cells, plan, redraws=499, seed=3)
    assert again.p_value == test.p_value
    np.testing.assert_array_equal(again.redrawn, test.redrawn)


def test_opposite_lot_gives_the_opposite_difference():
    plan, cells, _ = one_week_of_parallel_groups(3)
    swap = {"live_heavy": "rep_heavy", "rep_heavy": "live_heavy"}
    other = type(plan)(
        plan.settings,
        plan.units.assign(first_arm=plan.units["first_arm"].map(swap)),
        plan.calendar,
    )
    first = randomisation_test(cells, plan, redraws=99)
    second = randomisation_test(cells, other, redraws=99)
    assert first.difference == pytest.approx(-second.difference)


def test_refusals():
    plan, cells, _ = one_week_of_parallel_groups(3)
    with pytest.raises(ArgumentError, match="redraws=10"):
        randomisation_test(cells, plan, redraws=10)
    empty = TrialCells(cells.table.assign(n=0, y=0), {}, 4)
    with pytest.raises(IdentificationError, match="both arms"):
        randomisation_test(empty, plan, redraws=99)
