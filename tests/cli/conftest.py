from __future__ import annotations

import json
from pathlib import Path

import pytest
from invented import invented_posterior, write_invented_records


@pytest.fixture
def files(tmp_path):
    """Practice and games files of six invented players."""
    folder = tmp_path / "records"
    folder.mkdir()
    return write_invented_records(folder)


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
def fits(monkeypatch):
    """Stand in for the sampler; holds the cells of every fit that was asked for."""
    from transfer.cli import inputs, scores

    asked = []

    def stand_in(cells, request):
        asked.append(cells)
        return invented_posterior(cells, draws=200, seed=request.seed)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    monkeypatch.setattr(scores, "fit_cells", stand_in)
    return asked


@pytest.fixture
def run(capsys):
    """Run the command line in this process: exit code, standard output, standard error."""
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
    """Run a command with ``--json`` and return exit code and the parsed object."""

    def call(*words: str | Path) -> tuple[int, dict]:
        code, out, _ = run(*words, "--json")
        return code, json.loads(out)

    return call
