from __future__ import annotations

import pytest
from invented import invented_posterior, write_invented_records


@pytest.fixture
def files(tmp_path):
    """Practice and games files of six invented players."""
    folder = tmp_path / "records"
    folder.mkdir()
    return write_invented_records(folder)


@pytest.fixture
def fits(monkeypatch):
    """Stand in for the sampler; holds the cells of every fit that was asked for."""
    from transfer.forecast import held_out as scores
    from transfer.terminal import inputs

    asked = []

    def stand_in(cells, request):
        asked.append(cells)
        return invented_posterior(cells, draws=200, seed=request.seed)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    monkeypatch.setattr(scores, "fit_cells", stand_in)
    return asked
