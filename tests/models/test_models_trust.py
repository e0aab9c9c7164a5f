"""What says "trust this" against values by hand: limit of k-hat, kurtosis of players, ties."""

from __future__ import annotations

import numpy as np
import pytest
from invented import invented_cells, invented_posterior

from transfer.errors import DiagnosticsError
from transfer.forecast.leave_out import LeaveOut
from transfer.models import tails
from transfer.models.posterior import PopulationDraws
from transfer.models.predictive import _cell_table, _setting_table, posterior_predictive
from transfer.models.transfer_design import design_from_cells


def test_players_above_a_khat_of_point_seven_are_fitted_again():
    # Limit of Vehtari, Simpson, Gelman, Yao and Gabry 2024 (from memory).
    khat = np.array([0.5, 0.7, 0.71, 1.4, np.inf, np.nan])
    left = LeaveOut(tuple("abcdef"), np.zeros((1, 6)), khat, np.zeros((1, 6)), np.zeros(1), None)
    assert left.refit == ("c", "d", "e", "f")


def test_distances_and_kurtosis_of_two_players_by_hand():
    # At a rate of one half the chance variance of a logit is 4 / n. Player one: 16 attempts, so
    # variance 1 + 1/4; residual log(12.5 / 4.5). Player two: 4 attempts, variance 1 + 1, no
    # residual. One setting: kurtosis (d^4 / 2) / (d^2 / 2)^2 = 2.
    y, n = np.array([[12.0], [2.0]]), np.array([[16.0], [4.0]])
    found, distance = tails._kurtosis(y, n, np.full((2, 1), 0.5), np.eye(1))
    assert distance == pytest.approx([np.log(12.5 / 4.5) ** 2 / 1.25, 0.0])
    assert found == pytest.approx(2.0)


def test_kurtosis_of_unequal_players_by_hand():
    y, n = np.array([[12.0], [1.0]]), np.array([[16.0], [4.0]])
    found, distance = tails._kurtosis(y, n, np.full((2, 1), 0.5), np.eye(1))
    one, two = np.log(12.5 / 4.5) ** 2 / 1.25, np.log(1.5 / 3.5) ** 2 / 2.0
    assert distance == pytest.approx([one, two])
    assert found == pytest.approx(2 * (one**2 + two**2) / (one + two) ** 2)


def test_half_of_the_ties_count_in_the_tail_of_a_cell():
    design = design_from_cells(invented_cells(players=2))
    number = len(design.settings) + 1
    n, y = np.full(2 * number, 9.0), np.full(2 * number, 3.0)
    again = np.array([[2.0], [3.0], [3.0], [4.0], [4.0], [4.0], [4.0], [4.0]])
    table = _cell_table(design, np.array([0]), n, y, again, np.ones((8, 1)), 0.9)
    # One of eight below, two equal: 1/8 + 1/8, doubled.
    assert table["tail"].tolist() == [0.5]


def test_a_tie_counts_as_at_least_in_the_check_of_a_setting():
    design = design_from_cells(invented_cells(players=2))
    seen, drawn = np.array([[2.0], [2.0], [2.0], [2.0]]), np.array([[1.0], [2.0], [2.0], [3.0]])
    (row,) = _setting_table(design, np.array([0]), seen, drawn).to_dict("records")
    assert row["p"] == 0.75
    assert (row["observed"], row["replicated"]) == (2.0, 2.0)


def test_a_tie_counts_as_tails_as_heavy(monkeypatch):
    monkeypatch.setattr(tails, "_kurtosis", lambda y, n, rate, sigma: (1.5, np.zeros(len(n))))
    cells = invented_cells(players=5)
    found = posterior_predictive(invented_posterior(cells, draws=20), players="new").tails
    assert found.p == 1.0
    assert not found.doubted


def test_a_fit_that_did_not_pass_is_not_held_against_its_records():
    from dataclasses import replace

    cells = invented_cells(players=5)
    fit = invented_posterior(cells, draws=20)
    failed = replace(fit, diagnostics=replace(fit.diagnostics, passed=False))
    with pytest.raises(DiagnosticsError, match="did not pass"):
        posterior_predictive(failed)


def test_a_setting_that_was_not_charted_takes_no_part_in_a_players_distance():
    # Player one in the first setting only, player two the same in both: per charted setting they
    # lie equally far out, so the kurtosis is that of equal distances, 1.
    y, n = np.array([[12.0, 0.0], [12.0, 12.0]]), np.array([[16.0, 0.0], [16.0, 16.0]])
    found, distance = tails._kurtosis(y, n, np.full((2, 2), 0.5), np.eye(2))
    assert distance == pytest.approx([np.log(12.5 / 4.5) ** 2 / 1.25] * 2)
    assert found == pytest.approx(1.0)


@pytest.mark.parametrize(("p", "doubted"), [(0.0, True), (0.049, True), (0.05, False)])
def test_tails_are_doubted_below_one_in_twenty(p, doubted):
    found = tails.PlayerTails(2.0, 1.5, p, "P01", 9)
    assert found.doubted is doubted
    assert ("P01 furthest" in found.text) is doubted


@pytest.mark.parametrize(("draws", "used"), [(5, 5), (401, 400), (1000, 400)])
def test_players_are_held_against_the_spread_and_rates_of_the_same_draw(monkeypatch, draws, used):
    seen = []

    def keep(y, n, rate, sigma):
        seen.append((rate, sigma))
        return 1.0, np.array([1.0, 3.0])

    monkeypatch.setattr(tails, "_kurtosis", keep)
    step = np.arange(draws) / draws
    tau = np.column_stack([0.2 + step, 0.5 + step])
    omega = np.broadcast_to([[1.0, 0.4], [0.4, 1.0]], (draws, 2, 2))
    rate = 0.001 + 0.99 * step[:, None, None] * np.ones((1, 3, 2))
    population = PopulationDraws(np.zeros((draws, 2)), tau, omega)
    y, n = np.array([[3, 2], [0, 0], [1, 0]]), np.array([[6, 4], [0, 0], [5, 0]])
    found = tails.check_tails(y, n, rate, population, ("P01", "P02", "P03"), 1)
    # The charted and the new players of each draw, from the first draw to the last.
    assert len(seen) == 2 * used
    for at, (handed, sigma) in ((0, seen[0]), (0, seen[1]), (draws - 1, seen[-1])):
        a, b = tau[at]
        np.testing.assert_allclose(sigma, [[a * a, 0.4 * a * b], [0.4 * a * b, b * b]])
        np.testing.assert_allclose(handed, rate[at][[0, 2]])
    # The player without attempts is left out; the furthest of the others is named.
    assert (found.players, found.furthest) == (2, "P03")
    assert (found.observed, found.replicated, found.p) == (1.0, 1.0, 1.0)
