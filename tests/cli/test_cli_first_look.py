"""The first reading on a terminal: before the sampler, never in JSON, never in a file."""

from __future__ import annotations

import subprocess
import sys

import pytest
from invented import invented_posterior

from transfer.terminal import inputs

SAMPLER = "HERE THE SAMPLER STARTS"
LABEL = "First reading, from the counts alone"


@pytest.fixture
def sampler(monkeypatch):
    """Stand in for the sampler; it leaves a mark on standard error when it is asked."""

    def stand_in(cells, request, purpose="forecast"):
        print(SAMPLER, file=sys.stderr)
        return invented_posterior(cells, draws=200, seed=request.seed, purpose=purpose)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)


@pytest.fixture
def terminal(monkeypatch):
    """Call to make standard error a plain terminal."""

    def become() -> None:
        monkeypatch.setenv("NO_COLOR", "1")
        monkeypatch.setattr(type(sys.stderr), "isatty", lambda self: True)

    return become


def words(files):
    return "--practice", files["practice"], "--games", files["games"]


@pytest.mark.parametrize("command", ["fit", "compare"])
def test_it_comes_before_the_sampler_and_only_on_standard_error(
    command, files, sampler, terminal, run, tmp_path
):
    piped = run(command, *words(files), "--out", tmp_path / "one")
    terminal()
    code, out, err = run(command, *words(files), "--out", tmp_path / "two")
    assert code == piped[0] == 0
    assert LABEL not in piped[2]
    assert out.replace("two", "one") == piped[1]
    assert 0 < err.index(LABEL) < err.index("live/trailing") < err.index(SAMPLER)
    kept = b"".join(p.read_bytes() for p in (tmp_path / "two").iterdir())
    assert len(kept) > 1000
    assert LABEL.encode() not in kept


def test_json_is_as_without_a_terminal_and_nothing_else_is_said(files, sampler, terminal, run):
    _, before, _ = run("compare", *words(files), "--json")
    terminal()
    code, after, err = run("compare", *words(files), "--json")
    assert code == 0
    assert after == before
    assert err.split("\n") == [SAMPLER, SAMPLER, ""]  # one fit judges, one is by setting


def test_a_saved_fit_needs_no_first_reading(files, sampler, terminal, run, tmp_path):
    terminal()
    assert LABEL in run("fit", *words(files), "--out", tmp_path / "kept")[2]
    err = run("fit", *words(files), "--out", tmp_path / "kept")[2]
    assert LABEL not in err
    assert "using the saved fit" in err


CODE = """
import io, sys
from transfer.cli import main
from transfer.terminal import inputs
def asked(cells, request, purpose="forecast"):
    heavy = {"pymc", "pytensor", "nutpie", "numba", "arviz", "scipy.stats", "matplotlib"}
    print(sorted(heavy & set(sys.modules)))
    sys.exit(0)
class Terminal(io.TextIOWrapper):
    def isatty(self):
        return True
inputs.fit_cells = asked
sys.stderr = Terminal(sys.stderr.detach(), "utf-8", line_buffering=True)
main(sys.argv[1:])
"""


def test_nothing_heavy_is_loaded_until_it_is_shown(files):
    """A sampler or compiler takes seconds to load; the reading must not wait for it."""
    done = subprocess.run(
        [sys.executable, "-c", CODE, "compare", *map(str, words(files))],
        capture_output=True, text=True, check=True, timeout=120,
    )  # fmt: skip
    assert LABEL in done.stderr
    assert done.stdout.strip() == "[]"
