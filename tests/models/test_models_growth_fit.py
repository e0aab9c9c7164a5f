"""The sampled growth model against its numpy twin."""

from __future__ import annotations

import time

import numpy as np
import pytest

from transfer.errors import IdentificationError
from transfer.models.growth import fit_growth
from transfer.models.growth_data import growth_data_from_season, until_week
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Observational

pytestmark = pytest.mark.fit


def data_of(seed, schedule=None):
    return growth_data_from_season(
        simulate_growth(GrowthTruth(teams=1), schedule or Crossover(13), seed)
    )


@pytest.fixture(scope="module")
def fits():
    """One swap and a chosen mix; the second finds the model compiled."""
    said: list[str] = []
    data = [data_of(3), data_of(3, Observational(week_noise=0.5))]
    return [(d, fit_growth(d, seed=2, progress=said.append)) for d in data], said


def test_compiles_once(fits):
    assert len(fits[1]) <= 1


@pytest.mark.parametrize("index", [0, 1], ids=["one swap", "mix chosen"])
def test_twin_equals_the_sampler(fits, index):
    # own simulation over 30 data sets: mean difference at most .011 logit, sd ratio .94 to 1.11
    data, sampled = fits[0][index]
    twin = fit_growth_laplace(data, draws=40_000)
    assert sampled.diagnostics is not None
    assert sampled.diagnostics.passed
    assert sampled.method == "nuts"
    sd = sampled.delta.std(ddof=1)
    monte_carlo = sd / np.sqrt(400)  # the gate asks for more than 400 effective draws
    assert abs(twin.delta.mean() - sampled.delta.mean()) <= 0.011 + 2 * monte_carlo
    assert 0.94 < twin.delta.std(ddof=1) / sd < 1.11


def test_same_seed_same_draws(fits):
    data, first = fits[0][0]
    np.testing.assert_array_equal(first.gains, fit_growth(data, seed=2).gains)


def test_warm_fit_of_a_team_season_takes_under_two_seconds(fits):
    # processor time of both cores together, so that other work on the machine hardly counts
    data, _ = fits[0][0]
    spent = []
    for seed in (2, 3, 4):
        begin = time.process_time()
        fit_growth(data, seed=seed)
        spent.append(time.process_time() - begin)
    assert min(spent) < 2.0


def test_refusal_comes_before_compiling():
    said: list[str] = []
    with pytest.raises(IdentificationError):
        fit_growth(until_week(data_of(4), 4), progress=said.append)
    assert said == []
