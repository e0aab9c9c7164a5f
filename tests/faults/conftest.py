"""Commands in this process, on invented records with a prepared fit."""

from __future__ import annotations

import pytest
from invented import invented_posterior


@pytest.fixture
def fitted(season, run, monkeypatch):
    """The run folder of the season, with an invented fit in it."""
    from transfer.forecast import held_out as scores
    from transfer.terminal import inputs

    def stand_in(cells, request, purpose="forecast"):
        return invented_posterior(cells, draws=200, seed=request.seed, purpose=purpose)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    monkeypatch.setattr(scores, "fit_cells", stand_in)
    code, _, err = run("fit")
    assert code == 0, err
    return next((season / "runs").iterdir())


def pytest_configure(config):
    """Name the marker that the table of faults is made from."""
    config.addinivalue_line("markers", "fault(what): a row of the table of faults")
