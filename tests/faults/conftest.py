"""Commands in this process, on invented records with a prepared fit."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from invented import invented_posterior, write_invented_records


@pytest.fixture
def run(capsys):
    """Run the command line: exit code, standard output, standard error; a traceback fails."""
    from transfer.cli import main

    def call(*words: str | Path) -> tuple[int, str, str]:
        capsys.readouterr()
        with pytest.raises(SystemExit) as stopped:
            main([str(word) for word in words])
        output = capsys.readouterr()
        return int(stopped.value.code or 0), output.out, output.err

    return call


@pytest.fixture
def run_json(run):
    """Run a command with ``--json``: exit code and the parsed object."""

    def call(*words: str | Path) -> tuple[int, dict]:
        code, out, _ = run(*words, "--json")
        return code, json.loads(out)

    return call


@pytest.fixture
def season(tmp_path, monkeypatch):
    """A season folder with records, as the working folder."""
    from transfer.records.season import start_season

    folder = tmp_path / "season"
    folder.mkdir()
    write_invented_records(folder)
    start_season(folder)
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def fitted(season, run, monkeypatch):
    """The run folder of the season, with an invented fit in it."""
    from transfer.cli import inputs, scores

    def stand_in(cells, request):
        return invented_posterior(cells, draws=200, seed=request.seed)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    monkeypatch.setattr(scores, "fit_cells", stand_in)
    code, _, err = run("fit")
    assert code == 0, err
    return next((season / "runs").iterdir())


def pytest_configure(config):
    """Name the marker that the table of faults is made from."""
    config.addinivalue_line("markers", "fault(what): a row of the table of faults")
