"""Calibration bands: own exact recursion against values computed before by other code.

No printed table of these bands was found; the values are regression values (computed, checked by
20,000 simulated replicates), not outside evidence.
"""

from __future__ import annotations

import numpy as np
import pytest
from uniformity import ecdf_band, rank_statistic, ranks_inside

from transfer.errors import ArgumentError


@pytest.mark.parametrize(
    ("size", "steps", "gamma", "coverage", "middle"),
    [
        (50, 50, 0.0064195, 0.95140, (15, 35)),
        (100, 20, 0.0085484, 0.95236, (37, 63)),
        (100, 100, 0.0041097, 0.95053, (36, 64)),
        (250, 20, 0.0066710, 0.95119, (104, 146)),
    ],
)
def test_band_values(size, steps, gamma, coverage, middle):
    band = ecdf_band(size, steps)
    assert band.gamma == pytest.approx(gamma, rel=2e-3)
    assert band.prob == pytest.approx(coverage, abs=2e-4)
    half = int(np.flatnonzero(band.points == 0.5)[0])
    assert (band.low[half], band.high[half]) == middle


def test_uniform_ranks_stay_inside_as_often_as_stated():
    rng = np.random.default_rng(1)
    inside = np.mean([ranks_inside(rng.random(100), 20, 0.95)[0] for _ in range(1500)])
    assert inside == pytest.approx(0.952, abs=0.02)


@pytest.mark.parametrize("shift", [0.2, -0.2])
def test_shifted_ranks_leave_the_band(shift):
    rng = np.random.default_rng(2)
    ranks = np.clip(rng.random(300) + shift, 0, 1)
    inside, points = ranks_inside(ranks)
    assert not inside
    assert points > 0


def test_rank_of_a_truth_among_its_own_draws_is_uniform():
    rng = np.random.default_rng(3)
    ranks = np.array([rank_statistic(x[0], x[1:], 99) for x in rng.normal(size=(400, 400))])
    assert ranks_inside(ranks)[0]
    assert 0 < ranks.min() < ranks.max() < 1


def test_too_few_draws_are_refused():
    with pytest.raises(ArgumentError, match="50 draws"):
        rank_statistic(0.0, np.zeros(50), 99)
    with pytest.raises(ArgumentError, match="two ranks"):
        ecdf_band(1, 20)
