"""Aggregation is harmless: session cells and player x setting cells give the same posterior."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest

from transfer.models.fit import fit_design
from transfer.models.sampling import SamplerSettings
from transfer.models.transfer_design import TransferDesign, design_from_cells
from transfer.simulation.seasons import operating_truth, simulate_cells

SESSIONS = 60
LONG = SamplerSettings(draws=4000, tune=600, target_accept=0.9)


def by_session(design: TransferDesign, seed: int) -> TransferDesign:
    """Split each cell's attempts over sessions, makes at random among them."""
    rng = np.random.default_rng(seed)
    share = np.full(SESSIONS, 1 / SESSIONS)
    n = np.array([rng.multinomial(total, share) for total in design.n])
    y = np.array([
        rng.multivariate_hypergeometric(sizes, makes)
        for sizes, makes in zip(n, design.y, strict=True)
    ])  # fmt: skip
    return replace(design, n=n.ravel(), y=y.ravel(), unit=np.repeat(design.unit, SESSIONS),
                   setting=np.repeat(design.setting, SESSIONS))  # fmt: skip


def test_splitting_keeps_the_counts():
    cells, _ = simulate_cells(operating_truth(0.3), 5, 3)
    design = design_from_cells(cells)
    split = by_session(design, 1)
    assert len(split.n) == SESSIONS * len(design.n)
    assert np.array_equal(split.attempts(), design.attempts())
    assert (split.y <= split.n).all()


@pytest.mark.fit
def test_session_cells_and_aggregated_cells_agree():
    """Means within a tenth of a posterior sd, one team of 14 with 4 practice settings."""
    cells, _ = simulate_cells(operating_truth(0.3), 14, 3)
    design = design_from_cells(cells)
    fit_design(design, cells, seed=5)  # so that no time below holds the machine's compiling
    seconds, fits = {}, {}
    for name, each in (("aggregated", design), ("sessions", by_session(design, 1))):
        started = time.perf_counter()
        fits[name] = fit_design(each, cells, seed=5, sampler=LONG)
        seconds[name] = time.perf_counter() - started
    print({name: round(value, 1) for name, value in seconds.items()}, len(design.n),
          SESSIONS * len(design.n))  # fmt: skip
    one, two = fits["aggregated"].population, fits["sessions"].population
    for name in ("mu", "tau", "omega"):
        a, b = getattr(one, name), getattr(two, name)
        spread = a.std(axis=0)
        moved = np.abs(a.mean(axis=0) - b.mean(axis=0))
        assert (moved <= 0.1 * np.maximum(spread, 1e-9) + 1e-9).all(), name
