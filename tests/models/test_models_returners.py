"""Players over seasons: what a fit of several seasons says of the next one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import expit
from simulated_returners import simulate_returners

from transfer.errors import ArgumentError
from transfer.models.alignment import deviations, squad_means
from transfer.models.fit import fit_transfer
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.models.returners import next_season
from transfer.models.transfer_design import design_from_cells
from transfer.provenance import Provenance, hash_frames
from transfer.records.cells import Cells
from transfer.simulation.seasons import TransferTruth

TRUTH = TransferTruth(
    settings=("rep/none", "live/trailing"),
    mu=(0.4, -0.2, -0.4),
    tau=(0.4, 0.35, 0.25),
    omega=np.array([[1.0, 0.7, 0.5], [0.7, 1.0, 0.6], [0.5, 0.6, 1.0]]),
    attempts=(1200, 500, 80),
)


def only(cells: Cells, seasons: tuple[str, ...]) -> Cells:
    table = cells.table[cells.table["season"].isin(seasons)].reset_index(drop=True)
    units = tuple(u for u in cells.units if u.split("/")[1] in seasons)
    return replace(cells, table=table, units=units, data_hash=hash_frames(cells=table))


def known(cells: Cells, theta: np.ndarray, phi: float, draws: int) -> TransferPosterior:
    """A posterior that knows everything but the future."""
    population = PopulationDraws(
        *(np.broadcast_to(np.array(v), (draws, *np.shape(v))).copy()
          for v in (TRUTH.mu, TRUTH.tau, TRUTH.omega))
    )  # fmt: skip
    return TransferPosterior(
        settings=TRUTH.settings,
        modes=TRUTH.modes,
        units=cells.units,
        population=population,
        prior=population,
        theta=np.broadcast_to(theta, (draws, *theta.shape)).copy(),
        diagnostics=Diagnostics(1.0, 900.0, 900.0, 0, True),
        provenance=Provenance(1, "none", settings={"priors": {"persistence": [10.0, 2.0]}}),
        cells=cells,
        terms={"persistence": np.full(draws, phi)},
    )


def test_the_design_knows_who_came_back_and_which_squads_have_seasons():
    cells, _ = simulate_returners(TRUTH, 6, 3, 0.8, 2, programs=2)
    design = design_from_cells(cells)
    assert len(design.units) == 18
    assert len(set(design.player.tolist())) == 6
    assert design.seasons == ("T01/S1", "T01/S2", "T01/S3", "T02/S1", "T02/S2", "T02/S3")
    one = design_from_cells(only(cells, ("S2",)))
    assert one.player is None
    assert one.season is None
    # A player's games are all left out, not those of one season.
    left = design.without_games(0)
    mine = design.player[design.unit] == design.player[0]
    assert left.n[mine & (design.setting == 2)].sum() == 0
    assert left.n[~mine].sum() == design.n[~mine].sum()


def test_next_season_is_the_normal_conditional():
    """Against conditioning the joint normal of all seasons, built in full."""
    cells, people = simulate_returners(TRUTH, 4, 3, 0.8, 5)
    fit = known(cells, people.theta, 0.8, 40_000)
    ahead = next_season(fit, 3)
    assert ahead.seasons == (3, 3, 3, 3)
    assert ahead.last == ("S3",) * 4
    sigma = TRUTH.omega * np.outer(TRUTH.tau, TRUTH.tau)
    over = 0.8 * np.ones((4, 4)) + 0.2 * np.eye(4)
    joint = np.kron(over, sigma)
    seen, new = slice(0, 9), slice(9, 12)
    gain = np.linalg.solve(joint[seen, seen], joint[seen, new]).T
    spread = joint[new, new] - gain @ joint[seen, new]
    for i in range(4):
        past = (people.theta[i::4] - np.array(TRUTH.mu)).ravel()
        draws = ahead.theta[:, i] - np.array(TRUTH.mu)
        np.testing.assert_allclose(draws.mean(0), gain @ past, atol=0.006)
        np.testing.assert_allclose(np.cov(draws.T), spread, atol=0.003)


def test_deviations_are_taken_from_the_squad_of_the_season():
    cells, people = simulate_returners(TRUTH, 4, 2, 0.8, 5)
    fit = known(cells, people.theta, 0.8, 3)
    effect = np.arange(6.0).reshape(1, 2, 3) * np.ones((3, 1, 1))
    fit = replace(
        fit, terms=fit.terms | {"season_effect": effect}, labels={"seasons": ("T01/S1", "T01/S2")}
    )
    means = squad_means(fit)[0]
    np.testing.assert_allclose(means[0], np.array(TRUTH.mu) + effect[0, 0])
    np.testing.assert_allclose(means[4], np.array(TRUTH.mu) + effect[0, 1])
    np.testing.assert_allclose(deviations(fit)[0], people.theta - means)


@pytest.mark.fit
def test_earlier_seasons_make_the_forecast_of_the_next_one_better():
    """42 players, three seasons fitted, the fourth forecast; persistence .8 in truth."""
    cells, people = simulate_returners(TRUTH, 42, 4, 0.8, 11)
    future = expit(people.theta[3 * 42 :, -1])
    errors = {}
    for name, seasons in (("three", ("S1", "S2", "S3")), ("last", ("S3",))):
        fit = fit_transfer(only(cells, seasons), seed=4)
        ahead = next_season(fit, 1)
        assert ahead.persistence_seen == (name == "three")
        forecast = expit(ahead.theta[:, :, -1]).mean(0)
        errors[name] = float(((forecast - future) ** 2).mean())
        if name == "three":
            low, high = np.quantile(fit.terms["persistence"], [0.01, 0.99])
            assert low < 0.8 < high
            low, high = np.quantile(expit(ahead.theta[:, :, -1]), [0.05, 0.95], axis=0)
            assert 0.75 < ((low < future) & (future < high)).mean() <= 1.0
    assert errors["three"] < 0.9 * errors["last"]


def test_persistence_of_simulated_players_is_a_correlation():
    with pytest.raises(ArgumentError, match=r"persistence=1\.2"):
        simulate_returners(TRUTH, 4, 2, 1.2, 1)
    _, people = simulate_returners(TRUTH, 3000, 2, 0.6, 1)
    u = people.theta - people.theta.mean(0)
    assert np.corrcoef(u[:3000, 0], u[3000:, 0])[0, 1] == pytest.approx(0.6, abs=0.04)
