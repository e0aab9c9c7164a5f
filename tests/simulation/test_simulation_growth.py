from __future__ import annotations

import numpy as np
import pytest
from scipy.special import logit

from transfer.errors import ArgumentError
from transfer.rates.exposure import exposure, response
from transfer.simulation.growth import (
    Confounding,
    GrowthTruth,
    simulate_growth,
    without_difference,
)
from transfer.simulation.schedules import Crossover, Observational, Parallel

BIG = GrowthTruth(teams=30)


def test_same_seed_same_season_and_other_seed_another():
    first = simulate_growth(GrowthTruth(), Crossover(), 7)
    again = simulate_growth(GrowthTruth(), Crossover(), 7)
    other = simulate_growth(GrowthTruth(), Crossover(), 8)
    assert first.table.equals(again.table)
    assert not first.table.equals(other.table)


def test_attempts_follow_minutes_and_game_volume():
    season = simulate_growth(BIG, Observational(), 1)
    assert season.attempts[0].mean() == pytest.approx(3.0, abs=0.06)
    assert season.attempts[1].sum() / season.minutes[0].sum() == pytest.approx(4.0, rel=0.01)
    assert season.attempts[2].sum() / season.minutes[1].sum() == pytest.approx(1.0, rel=0.01)
    assert np.allclose(season.minutes.sum(axis=0), 70.0)
    assert np.all(season.makes <= season.attempts)


def test_crossover_swaps_once_and_halves_every_team():
    season = simulate_growth(GrowthTruth(teams=3), Crossover(13, 0.8), 2)
    assert np.array_equal(season.arm[:, 12], -season.arm[:, 13])
    assert [int(season.arm[season.team == t, 0].sum()) for t in range(3)] == [0, 0, 0]
    live_share = season.minutes[1] / 70.0
    assert np.allclose(live_share[season.arm == 1], 0.8)
    assert np.allclose(live_share[season.arm == -1], 0.2)


def test_parallel_keeps_its_arm_and_odd_teams_differ_by_one():
    season = simulate_growth(GrowthTruth(players=13), Parallel(0.8), 3)
    assert np.all(season.arm == season.arm[:, :1])
    assert abs(int(season.arm[:, 0].sum())) == 1


def test_true_rate_is_level_plus_gains_times_dose():
    truth = GrowthTruth(week_sd=0.0)
    season = simulate_growth(truth, Crossover(), 4)
    dose = response(exposure(season.minutes, season.start, 4.0), 35.0)
    expected = season.level[0][:, None] + 0.10 * dose[0] + 0.25 * dose[1]
    assert np.allclose(logit(season.rate[0]), expected)
    live = season.level[2][:, None] + 0.10 * dose[0] + 0.40 * dose[1]
    assert np.allclose(logit(season.rate[2]), live)


def test_player_levels_have_the_stated_spread_and_correlation():
    season = simulate_growth(GrowthTruth(teams=200, team_sd=0.0), Parallel(), 5)
    assert season.level.std(axis=1) == pytest.approx([0.25, 0.35, 0.30], rel=0.06)
    realised = np.corrcoef(season.level)
    assert realised[0, 2] == pytest.approx(0.6, abs=0.05)
    assert realised[0, 1] == pytest.approx(0.4, abs=0.05)


def test_practice_weeks_are_wider_than_binomial_and_games_are_not():
    season = simulate_growth(BIG, Crossover(), 6)
    n, y, p = season.attempts, season.makes, season.rate
    ratio = []
    for s in range(3):
        seen = n[s] > 0
        z2 = (y[s] - n[s] * p[s])[seen] ** 2 / (n[s] * p[s] * (1 - p[s]))[seen]
        ratio.append(z2.mean())
    assert ratio[0] == pytest.approx(1.0, abs=0.06)
    # beta-binomial with concentration 150: variance is 1 + (n - 1) / 151 times the binomial one
    assert ratio[1] == pytest.approx(1 + (n[1].mean() - 1) / 151, rel=0.06)


def test_volume_spread_is_between_players():
    season = simulate_growth(GrowthTruth(teams=40, attempts_spread=0.5), Crossover(), 7)
    per_player = season.attempts[0].sum(axis=1)
    assert per_player.mean() == pytest.approx(78, rel=0.06)
    assert per_player.std() / per_player.mean() == pytest.approx(0.5, abs=0.08)


def test_confounders_move_the_mix_only_when_it_is_chosen():
    pull = Confounding(ability=1.0, late=0.5, form=0.8, late_gain=0.2)
    truth = GrowthTruth(teams=20, form_sd=0.15)
    chosen = simulate_growth(truth, Observational(), 8, pull)
    share = chosen.minutes[1] / 70.0
    assert np.corrcoef(share.mean(axis=1), chosen.level[0])[0, 1] > 0.5
    assert share[:, -5:].mean() - share[:, :5].mean() > 0.1
    assigned = simulate_growth(truth, Crossover(), 8, pull)
    by_player = assigned.minutes[1].mean(axis=1)
    assert np.ptp(by_player) < 1e-9


def test_no_difference_truth_and_table():
    truth = without_difference(GrowthTruth())
    assert truth.delta == 0.0
    table = simulate_growth(truth, Crossover(), 9).table
    assert len(table) == 3 * 14 * 26
    assert set(table["setting"]) == {"game", "rep", "live"}
    assert table["player"].nunique() == 14


def test_impossible_arguments_are_refused():
    with pytest.raises(ArgumentError, match="correlation"):
        simulate_growth(
            GrowthTruth(correlation=((1, 0.9, -0.9), (0.9, 1, 0.9), (-0.9, 0.9, 1))),
            Crossover(),
            1,
        )
    with pytest.raises(ArgumentError, match="high=1"):
        simulate_growth(GrowthTruth(), Crossover(high=1.0), 1)
    with pytest.raises(ArgumentError, match="block_weeks=0"):
        simulate_growth(GrowthTruth(), Crossover(block_weeks=0), 1)
