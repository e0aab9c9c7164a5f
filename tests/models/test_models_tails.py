"""Heavy tails of players are noticed, and a normal squad seldom raises the alarm."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented import invented_cells, invented_posterior
from scipy.special import expit

from transfer.models.posterior import PopulationDraws
from transfer.models.predictive import posterior_predictive
from transfer.models.tails import TAIL_DOUBT, check_tails
from transfer.models.transfer_design import design_from_cells
from transfer.simulation.faults import DefenderEffects, HeavyTails
from transfer.simulation.seasons import operating_truth, simulate_cells

TRUTH = operating_truth(0.30)
MU, TAU = np.array(TRUTH.mu), np.array(TRUTH.tau)
DRAWS = 80


def share_doubted(players, seasons, degrees=None):
    """Share of squads doubted, by a fit that knows scale and middle as well as a squad tells."""
    doubted = 0
    for season in range(seasons):
        rng = np.random.default_rng([season, players])
        scores = rng.standard_normal((players, len(MU))) @ np.linalg.cholesky(TRUTH.omega).T
        if degrees is not None:
            scores = HeavyTails(degrees).scores(scores, rng)
        n = np.tile(TRUTH.attempts, (players, 1))
        y = rng.binomial(n, expit(MU + TAU * scores))
        # A fitted spread follows the players that there are, heavy tails included.
        seen = TAU * (scores.std(axis=0) if degrees is not None else 1.0)
        size = (DRAWS, len(MU))
        tau = seen * np.exp(rng.normal(0.0, 1.0 / np.sqrt(2.0 * players), size))
        mu = MU + rng.normal(0.0, 1.0, size) * TAU / np.sqrt(players)
        rate = np.broadcast_to(expit(mu)[:, None, :], (DRAWS, players, len(MU)))
        omega = np.broadcast_to(TRUTH.omega, (DRAWS, len(MU), len(MU)))
        units = tuple(f"P{i:02d}" for i in range(players))
        population = PopulationDraws(mu, tau, omega)
        doubted += check_tails(y, n, rate, population, units, season).doubted
    return doubted / seasons


@pytest.mark.parametrize("players", [14, 42])
def test_a_normal_squad_seldom_raises_the_alarm(players):
    # Own simulation, 200 squads: .01 at 14 players, .02 at 28 and at 84; here 40 squads, and 5 or
    # more of 40 would have a chance below .001 at .02.
    assert share_doubted(players, 40) <= 0.10


def test_heavy_tails_are_noticed_in_six_squads_together():
    # Own simulation, 100 squads: .97 at 84 players with a t of 4 degrees, .20 at 14.
    assert share_doubted(84, 12, degrees=4.0) >= 0.75


def test_one_player_far_out_is_named_and_the_rest_is_not_doubted_without_him():
    rng = np.random.default_rng(5)
    players, units = 30, tuple(f"P{i:02d}" for i in range(30))
    n = np.tile(TRUTH.attempts, (players, 1))
    scores = rng.standard_normal((players, len(MU))) @ np.linalg.cholesky(TRUTH.omega).T
    scores[7] = 6.0
    y = rng.binomial(n, expit(MU + TAU * scores))
    n[3, 4] = y[3, 4] = 0  # no game attempt: the player counts by what is charted
    n[4] = y[4] = 0
    rate = np.broadcast_to(expit(MU), (DRAWS, players, len(MU)))
    fit = PopulationDraws(
        np.tile(MU, (DRAWS, 1)), np.tile(TAU, (DRAWS, 1)), np.tile(TRUTH.omega, (DRAWS, 1, 1))
    )
    found = check_tails(y, n, rate, fit, units, 1)
    assert found.doubted
    assert found.furthest == "P07"
    assert found.players == 29
    assert "P07 furthest" in found.text
    assert "P07" not in found.shared_text
    assert found.text.replace(", P07 furthest", "") == found.shared_text
    assert "--terms position,class_year,volume" in found.shared_text
    assert "--terms" not in replace(found, roles=True).shared_text
    rest = np.arange(players) != 7
    without = check_tails(
        y[rest], n[rest], rate[:, rest], fit, tuple(np.array(units)[rest]), 1
    )  # fmt: skip
    assert without.p > TAIL_DOUBT
    assert "no more common" in without.text


def test_the_check_is_part_of_the_view_against_new_players_only():
    cells = invented_cells(players=8)
    fit = invented_posterior(cells, draws=60)
    new = posterior_predictive(fit, 3, players="new")
    assert new.tails is not None
    assert new.tails.text in new.text
    doubted = replace(new.tails, p=0.001)
    told = replace(new, tails=doubted, said="One.")
    assert told.text == f"One. {doubted.text}"
    assert doubted.furthest in told.text
    assert told.shared_text == f"One. {doubted.shared_text}"
    assert new.to_dict()["tails"]["p"] == new.tails.p
    assert posterior_predictive(fit, 3, players="new").tails == new.tails
    assert posterior_predictive(fit, 3).tails is None


def test_work_without_a_defender_is_no_defender():
    cells, _ = simulate_cells(
        TRUTH, 8, 1, programs=2, faults=[DefenderEffects(0.25, 3, named=True)]
    )
    design = design_from_cells(cells)
    assert design.defenders == ("D01", "D02", "D03")
    live = cells.table["mode"].eq("live").to_numpy()
    assert live.any()
    assert (design.defender[~live] == -1).all()
    assert (design.defender[live] >= 0).all()
