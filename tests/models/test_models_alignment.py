"""Counts and game conditions of a fit by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fits import known_population
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.models.alignment import (
    GameMix,
    count_cells,
    deviations,
    new_squad_spread,
    program_effects,
    season_effects,
    squad_means,
)

LOGIT = np.array([0.0, 1.0, -1.0])


def test_rates_are_averaged_over_conditions():
    mix = GameMix(np.array([0.25, 0.75]), np.array([[0.0, 0.5]]))
    by_hand = 0.25 * expit(LOGIT) + 0.75 * expit(LOGIT + 0.5)
    np.testing.assert_allclose(mix.rates(LOGIT), by_hand)
    # One row of offsets holds for all draws, whichever they are.
    np.testing.assert_allclose(mix.rates(LOGIT, np.array([5, 9, 7])), by_hand)


@pytest.mark.parametrize("width", [(), (2,), (2, 4)])
def test_offsets_follow_the_draws_that_are_asked_for(width):
    mix = GameMix(np.array([1.0]), np.array([[0.1], [0.7]]))
    logit = np.zeros((3, *width))
    expected = expit(np.array([0.7, 0.1, 0.7])).reshape(3, *(1,) * len(width)) + logit
    np.testing.assert_allclose(mix.rates(logit, np.array([1, 0, 1])), expected)
    np.testing.assert_allclose(mix.rates(logit[:2]), expit(np.array([0.1, 0.7])).reshape(
        2, *(1,) * len(width)) + logit[:2])  # fmt: skip


@pytest.fixture
def fit():
    """Three players of two programs in one practice setting and games."""
    n = np.array([[10, 4], [20, 0], [0, 6]])
    y = np.array([[5, 1], [8, 0], [0, 3]])
    population = ((0.1, -0.2), (0.3, 0.3), np.array([[1.0, 0.5], [0.5, 1.0]]))
    posterior, _ = known_population(
        ("rep/none",), *population, n, y, draws=4, programs=["A", "A", "B"]
    )
    return posterior


def test_counts_stand_along_the_axes_of_the_fit(fit):
    counts = count_cells(fit)
    assert counts.practice_n.tolist() == [[10], [20], [0]]
    assert counts.practice_y.tolist() == [[5], [8], [0]]
    assert (counts.game_n.tolist(), counts.game_y.tolist()) == ([4, 0, 6], [1, 0, 3])
    assert counts.players == ("P001", "P002", "P003")
    assert counts.programs == ("A", "A", "B")
    assert counts.seasons == ("2031",) * 3


def test_squads_have_the_population_mean_and_their_effects(fit):
    assert (program_effects(fit, ("A",)) == 0).all()
    assert (season_effects(fit, ("A",), ("2031",)) == 0).all()
    np.testing.assert_allclose(squad_means(fit), np.tile([0.1, -0.2], (4, 3, 1)))
    program = np.arange(16.0).reshape(4, 2, 2)
    season = 100 + np.arange(16.0).reshape(4, 2, 2)
    terms = {"program_effect": program, "season_effect": season}
    labels = {"programs": ("B", "A"), "seasons": ("A/2031", "B/2031")}
    with_terms = replace(fit, terms=terms, labels=labels)
    both = program[:, [1, 1, 0]] + season[:, [0, 0, 1]]
    np.testing.assert_allclose(squad_means(with_terms), np.array([0.1, -0.2]) + both)
    np.testing.assert_allclose(deviations(with_terms), fit.theta - np.array([0.1, -0.2]) - both)
    with pytest.raises(ArgumentError, match=r"program \['C'\] is not in the posterior"):
        program_effects(with_terms, ("C",))
    with pytest.raises(ArgumentError, match=r"season \['A/2030'\] is not in the posterior"):
        season_effects(with_terms, ("A",), ("2030",))


def test_a_new_squad_varies_by_season_and_a_new_program_by_both(fit):
    assert new_squad_spread(fit, None).tolist() == [[0.0, 0.0]]
    sds = {"season_sd": np.array([0.1, 0.2]), "program_sd": np.array([[0.3, 0.4], [0.5, 0.6]])}
    varied = replace(fit, terms=sds)
    np.testing.assert_allclose(new_squad_spread(varied, "A"), [[0.01, 0.01], [0.04, 0.04]])
    np.testing.assert_allclose(new_squad_spread(varied, None), [[0.10, 0.17], [0.29, 0.40]])
