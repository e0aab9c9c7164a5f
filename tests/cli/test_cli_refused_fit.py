"""A fit whose checks fail twice through the command line: exit code, words, nothing written.

Only the sampler's draws are stood in for, so that the gate itself, the retry and the refusal run.
"""

from __future__ import annotations

import json

import numpy as np
import pytest

from transfer.models import fit, sampling


@pytest.fixture
def tries(monkeypatch):
    """Draws whose chains disagree, whatever the model; holds the settings of each try."""
    told = []

    def disagreeing(compiled, settings, seed, cores, names, statistics):
        told.append(settings)
        values = np.random.default_rng(seed).standard_normal((4, 500))
        return {name: values + np.arange(4.0)[:, None] for name in names}, 0

    monkeypatch.setattr(fit, "_compile", lambda *parts: None)
    monkeypatch.setattr(sampling, "_run", disagreeing)
    return told


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize("command", ["fit", "compare", "forecast", "report"])
def test_a_fit_refused_twice_gives_no_answer(files, tries, run, tmp_path, command, as_json):
    out = tmp_path / "out"
    options = ["--json"] if as_json else []
    code, said, err = run(
        command, "--practice", files["practice"], "--games", files["games"], "--out", out, *options
    )
    assert code == 3
    assert len(tries) == 2
    assert tries[1] == tries[0].harder()
    if as_json:
        assert json.loads(said)["error"] == "DiagnosticsError"
        message = json.loads(said)["message"]
    else:
        assert said == ""
        message = err
    assert "the sampler failed its checks twice: R-hat is " in message
    assert [p for p in tmp_path.rglob("*") if p.is_file() and "records" not in p.parts] == []
