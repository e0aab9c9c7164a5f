"""Sampling the compiled density: same posterior as PyMC, same draws for the same seed."""

from __future__ import annotations

import numpy as np
import pytest
from invented_fits import cells_of_design

from transfer.errors import ArgumentError
from transfer.models.fit import fit_design, sampler_for
from transfer.models.sampling import SamplerSettings
from transfer.models.transfer_design import design_from_cells
from transfer.simulation.faults import DefenderEffects
from transfer.simulation.seasons import operating_truth, simulate_cells

SHORT = SamplerSettings(draws=500, tune=400, target_accept=0.9, adaptation="diag")


@pytest.fixture(scope="module")
def design():
    """One team of fourteen."""
    cells, _ = simulate_cells(operating_truth(), 14, 21)
    return design_from_cells(cells)


def blocks(fit) -> dict[str, np.ndarray]:
    """Draws by name, shape (draws, elements)."""
    parts = {"mu": fit.population.mu, "tau": fit.population.tau, "theta": fit.theta}
    upper = np.triu_indices(fit.population.mu.shape[1], 1)
    parts["omega"] = fit.population.omega[:, *upper]
    return {name: draws.reshape(len(draws), -1) for name, draws in parts.items()}


@pytest.mark.slow
@pytest.mark.fit
def test_both_engines_draw_from_one_posterior(design):
    from arviz_stats.base import array_stats

    axes = {"chain_axis": 0, "draw_axis": 1}
    native, reference = (
        fit_design(design, cells_of_design(design, "x"), seed=5, engine=engine)
        for engine in ("native", "pymc")
    )
    for name, draws in blocks(native).items():
        other = blocks(reference)[name]
        gap, allowed = draws.mean(0) - other.mean(0), np.zeros(draws.shape[1])
        for values in (draws, other):
            chains = values.reshape(4, -1, values.shape[1])
            allowed = allowed + array_stats.mcse(chains, method="mean", **axes) ** 2
        # About a hundred comparisons: four and a half standard errors each.
        assert np.all(np.abs(gap) < 4.5 * np.sqrt(allowed)), name
        np.testing.assert_allclose(draws.std(0), other.std(0), rtol=0.15)


@pytest.mark.fit
def test_same_seed_same_draws_on_one_or_two_cores(design):
    first, again, two = (
        fit_design(design, cells_of_design(design, "x"), seed=9, sampler=SHORT, cores=cores)
        for cores in (1, 1, 2)
    )
    for name, draws in blocks(first).items():
        np.testing.assert_array_equal(draws, blocks(again)[name])
        np.testing.assert_array_equal(draws, blocks(two)[name])
    other = fit_design(design, cells_of_design(design, "x"), seed=10, sampler=SHORT, cores=1)
    assert not np.array_equal(first.population.mu, other.population.mu)


@pytest.mark.fit
def test_the_default_passes_the_gate_without_a_second_try():
    cells, _ = simulate_cells(operating_truth(), 84, 3, programs=6)
    heard: list[str] = []
    fit = fit_design(design_from_cells(cells), cells, seed=2, progress=heard.append)
    assert fit.diagnostics.passed
    assert not fit.diagnostics.retried
    assert fit.provenance.settings["engine"] == "native"
    assert fit.terms["program_effect"].shape == (len(fit.theta), 6, 5)
    assert not any("second try" in message for message in heard)


@pytest.mark.fit
def test_effects_of_defenders_do_not_hold_the_sampler_up():
    """Without directions of their own they had a tenth of these effective draws."""
    from arviz_stats.base import array_stats

    fault = DefenderEffects(0.25, named=True)
    cells, _ = simulate_cells(operating_truth(), 14, 2, faults=(fault,))
    fit = fit_design(design_from_cells(cells), cells, seed=2)
    effects = fit.terms["defender_effect"]
    chains = effects.reshape(4, -1, effects.shape[1])
    assert effects.shape[1] == fault.defenders
    assert not fit.diagnostics.retried
    assert array_stats.ess(chains, method="bulk", chain_axis=0, draw_axis=1).min() > 2000


def test_steps_are_smaller_for_few_units(design):
    cells, _ = simulate_cells(operating_truth(), 84, 3, programs=6)
    few, many = sampler_for(design), sampler_for(design_from_cells(cells))
    assert few.target_accept > many.target_accept


def test_an_unknown_engine_is_refused(design):
    with pytest.raises(ArgumentError, match="engine='stan'"):
        fit_design(design, cells_of_design(design, "x"), engine="stan")
