"""Shared fixtures. Published check values are read from ``shared/reference/``."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pandas as pd
import pytest
from needs import missing

ROOT = Path(__file__).resolve().parents[1]
REFERENCE = ROOT / "shared" / "reference"


@pytest.fixture(scope="session")
def reference():
    """Return a reader of the published tables by file name without ending."""

    def read(name: str) -> pd.DataFrame:
        return pd.read_csv(REFERENCE / f"{name}.csv")

    return read


@pytest.hookimpl(tryfirst=True)  # before fixtures start a browser
def pytest_runtest_setup(item):
    """Skip a test whose programs or system libraries are not here (``needs.py``)."""
    names = [name for marker in item.iter_markers("needs") for name in marker.args]
    sentence = missing(*names)
    if sentence:
        pytest.skip(sentence)


#: Tests that may be skipped even where ``CI=true``, with the reason beside each.
SKIPS_ALLOWED_IN_CI: dict[str, str] = {}


def _refuse_skip(report) -> None:
    """Turn a skip into a failure where ``CI=true``: there, a missing package is an error."""
    unexpected = report.skipped and not hasattr(report, "wasxfail")
    if os.environ.get("CI") == "true" and unexpected and report.nodeid not in SKIPS_ALLOWED_IN_CI:
        reason = report.longrepr[-1] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{report.nodeid} was skipped, which CI=true does not allow: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """Refuse skips of single tests."""
    report = yield
    _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    """Refuse skips of whole modules (``pytest.importorskip`` on top of a file)."""
    report = yield
    _refuse_skip(report)
    return report


@pytest.fixture
def season(tmp_path, monkeypatch):
    """A season folder with records, as the working folder."""
    from invented import write_invented_records

    from transfer.records.season import start_season

    folder = tmp_path / "season"
    folder.mkdir()
    write_invented_records(folder)
    start_season(folder)
    monkeypatch.chdir(folder)
    return folder


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
    from transfer.terminal.frame import OUTPUTS

    def call(*words: str | Path) -> tuple[int, dict]:
        code, out, _ = run(*words, "--json")
        told = json.loads(out)
        assert told["schema"]["version"] == OUTPUTS[told["schema"]["name"]]
        return code, told

    return call


@pytest.fixture
def files(tmp_path):
    """Practice and games files of six invented players."""
    from invented import write_invented_records

    folder = tmp_path / "records"
    folder.mkdir()
    return write_invented_records(folder)


@pytest.fixture
def fits(monkeypatch):
    """Stand in for the sampler; holds the cells of every fit that was asked for."""
    from invented import invented_posterior

    from transfer.forecast import held_out as scores
    from transfer.terminal import inputs

    asked = []

    def stand_in(cells, request, purpose="forecast"):
        asked.append(cells)
        return invented_posterior(cells, draws=200, seed=request.seed, purpose=purpose)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    monkeypatch.setattr(scores, "fit_cells", stand_in)
    return asked
