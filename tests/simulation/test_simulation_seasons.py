from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit

from transfer.errors import ArgumentError, InfeasibleError
from transfer.provenance import hash_frames
from transfer.simulation.faults import (
    ContestMislabelling,
    DefenderEffects,
    HeavyTails,
    Overdispersion,
)
from transfer.simulation.seasons import (
    FOUR_SETTINGS,
    TransferTruth,
    omega_with_contrast,
    operating_truth,
    r_squared,
    simulate_cells,
    true_reading,
)

MODES = ("rep", "rep", "live", "live")


def counts(cells, column="n"):
    return cells.table.pivot_table(index="unit", columns="setting", values=column, aggfunc="sum")


def test_same_seed_same_cells_and_hash():
    first, people = simulate_cells(operating_truth(0.3), 14, 5)
    again, _ = simulate_cells(operating_truth(0.3), 14, 5)
    other, _ = simulate_cells(operating_truth(0.3), 14, 6)
    assert first.table.equals(again.table)
    assert first.data_hash == again.data_hash == hash_frames(cells=first.table)
    assert first.data_hash != other.data_hash
    assert first.units == people.units == tuple(sorted(first.units))


@pytest.mark.parametrize("players", [14, 42, 84, 168])
def test_operating_scenario_has_its_attempts(players):
    cells, _ = simulate_cells(operating_truth(), players, 1, programs=max(1, players // 14))
    table = cells.table
    assert len(table) == players * 5
    assert set(table.loc[table["setting"] == "game", "n"]) == {69}
    assert cells.settings == FOUR_SETTINGS
    assert cells.modes == MODES
    assert (table["y"] <= table["n"]).all()
    assert table["minutes"].isna().equals(table["setting"] == "game")


@pytest.mark.parametrize("contrast", [0.0, 0.30, -0.30])
def test_omega_has_the_wanted_contrast(contrast):
    omega = omega_with_contrast(MODES, contrast)
    reading = true_reading(omega, MODES)
    assert reading["contrast"] == pytest.approx(contrast, abs=1e-12)
    assert reading["r2_live"] + reading["r2_rep"] == pytest.approx(0.80)
    assert reading["r2_all"] >= max(reading["r2_live"], reading["r2_rep"])
    assert np.linalg.eigvalsh(omega)[0] > 0


@given(st.floats(-0.3, 0.3), st.integers(1, 3), st.integers(1, 3))
def test_contrast_is_exact_for_any_number_of_settings(contrast, reps, lives):
    modes = ("rep",) * reps + ("live",) * lives
    omega = omega_with_contrast(modes, contrast, middle=0.35, within=0.8, across=0.6)
    assert true_reading(omega, modes)["contrast"] == pytest.approx(contrast, abs=1e-9)


def test_r_squared_of_one_setting_is_the_squared_correlation_and_of_none_zero():
    omega = omega_with_contrast(MODES, 0.2)
    assert r_squared(omega, [3]) == pytest.approx(omega[3, -1] ** 2)
    assert r_squared(omega, []) == 0.0


def test_players_have_the_stated_means_spreads_and_correlations():
    truth = dataclasses.replace(operating_truth(0.3), program_sd=0.0)
    _, people = simulate_cells(truth, 6000, 2)
    assert people.theta.mean(axis=0) == pytest.approx(truth.mu, abs=0.02)
    assert people.theta.std(axis=0) == pytest.approx(truth.tau, rel=0.03)
    assert np.allclose(np.corrcoef(people.theta.T), truth.omega, atol=0.03)


def test_makes_follow_the_true_rates():
    truth = operating_truth()
    cells, people = simulate_cells(truth, 400, 3)
    makes = counts(cells, "y")[[*truth.settings, "game"]].to_numpy()
    n = np.asarray(truth.attempts)
    p = expit(people.theta)
    z2 = (makes - n * p) ** 2 / (n * p * (1 - p))
    assert z2.mean(axis=0) == pytest.approx(np.ones(5), abs=0.25)  # se of a mean of 400: .07


def test_program_effects_are_shared_by_a_program():
    truth = dataclasses.replace(operating_truth(), program_sd=0.5, tau=(1e-9,) * 5)
    cells, people = simulate_cells(truth, 40, 4, programs=4)
    assert cells.table["program"].nunique() == 4
    for program in set(people.program):
        own = people.theta[[q == program for q in people.program]]
        assert np.ptp(own, axis=0).max() < 1e-6
    assert people.program_effect.std() > 0.2


def test_volume_spread():
    truth = dataclasses.replace(operating_truth(), attempts_spread=0.5)
    cells, _ = simulate_cells(truth, 1500, 5)
    game = counts(cells)["game"]
    assert game.mean() == pytest.approx(69, rel=0.06)
    assert game.std() / game.mean() == pytest.approx(np.sqrt(0.25 + 1 / 69), rel=0.1)


def test_heavy_tails_keep_the_spread_and_raise_the_kurtosis():
    truth = operating_truth()
    _, plain = simulate_cells(truth, 20000, 6)
    _, heavy = simulate_cells(truth, 20000, 6, faults=[HeavyTails(5.0)])

    def kurtosis(x):
        return float(((x - x.mean()) ** 4).mean() / x.var() ** 2)

    assert heavy.theta[:, -1].std() == pytest.approx(0.25, rel=0.08)
    assert kurtosis(plain.theta[:, -1]) == pytest.approx(3.0, abs=0.2)
    assert kurtosis(heavy.theta[:, -1]) > 4.5


def test_overdispersion_widens_practice_by_its_design_effect_and_leaves_games_alone():
    truth = dataclasses.replace(operating_truth(), tau=(1e-9,) * 5)
    cells, people = simulate_cells(truth, 600, 7, faults=[Overdispersion(0.05, 25)])
    n = np.asarray(truth.attempts)
    p = expit(people.theta)
    makes = counts(cells, "y")[[*truth.settings, "game"]].to_numpy()
    z2 = ((makes - n * p) ** 2 / (n * p * (1 - p))).mean(axis=0)
    # design effect 1 + (m - 1) icc with m = 25 attempts a session
    assert z2[:4] == pytest.approx(np.full(4, 1 + 24 * 0.05), rel=0.25)
    assert z2[4] == pytest.approx(1.0, abs=0.25)
    assert np.array_equal(counts(cells)[[*truth.settings, "game"]].to_numpy(), np.tile(n, (600, 1)))


def test_defenders_split_live_attempts_and_keep_totals():
    truth = operating_truth()
    named, _ = simulate_cells(truth, 20, 8, faults=[DefenderEffects(0.5, 6, named=True)])
    assert counts(named)["live/trailing"].tolist() == [450] * 20
    live = named.table["mode"] == "live"
    assert named.table.loc[live, "defender"].nunique() == 6
    assert set(named.table.loc[~live, "defender"]) == {""}
    unnamed, _ = simulate_cells(truth, 20, 8, faults=[DefenderEffects(0.5, 6)])
    assert "defender" not in unnamed.table
    assert len(unnamed.table) == 100


def test_mislabelling_moves_attempts_inside_a_mode_only():
    truth = dataclasses.replace(operating_truth(), attempts=(1000, 400, 600, 200, 69))
    clean, _ = simulate_cells(truth, 200, 9)
    cells, _ = simulate_cells(truth, 200, 9, faults=[ContestMislabelling(0.25)])
    n = counts(cells)
    assert n["rep/none"].mean() == pytest.approx(1000 * 0.75 + 400 * 0.25, rel=0.01)
    assert n["live/trailing"].mean() == pytest.approx(600 * 0.75 + 200 * 0.25, rel=0.02)
    assert (n[["rep/none", "rep/light"]].sum(axis=1) == 1400).all()
    assert (n["game"] == 69).all()
    for column in ("n", "y"):
        assert cells.table[column].sum() == clean.table[column].sum()


def test_faults_compose():
    cells, _ = simulate_cells(
        operating_truth(0.3),
        14,
        10,
        faults=[HeavyTails(), DefenderEffects(), Overdispersion(), ContestMislabelling()],
    )
    assert len(cells.table) == 70
    assert cells.table["n"].sum() == 14 * 3969


def test_impossible_truths_are_refused():
    with pytest.raises(InfeasibleError, match=r"contrast=0\.9"):
        omega_with_contrast(MODES, 0.9)
    with pytest.raises(InfeasibleError, match=r"across=0\.05"):
        omega_with_contrast(MODES, 0.0, middle=0.9, across=0.05)
    with pytest.raises(ArgumentError, match="modes"):
        omega_with_contrast(("rep", "rep"), 0.1)
    with pytest.raises(ArgumentError, match="mu has 2 values"):
        TransferTruth(("rep/none", "live/light"), (0.0, 0.0), (1.0,) * 3, np.eye(3), (1, 1, 1))
    with pytest.raises(ArgumentError, match="not a correlation matrix"):
        TransferTruth(("rep/none",), (0.0, 0.0), (1.0, 1.0), np.ones((2, 2)), (1, 1))
    with pytest.raises(ArgumentError, match="programs=3"):
        simulate_cells(operating_truth(), 2, 1, programs=3)
    with pytest.raises(ArgumentError, match="degrees=2"):
        simulate_cells(operating_truth(), 2, 1, faults=[HeavyTails(2.0)])
    with pytest.raises(ArgumentError, match="icc=0"):
        simulate_cells(operating_truth(), 2, 1, faults=[Overdispersion(0.0)])
    with pytest.raises(ArgumentError, match="share=2"):
        simulate_cells(operating_truth(), 2, 1, faults=[ContestMislabelling(2.0)])
