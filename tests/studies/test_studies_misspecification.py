"""Pieces of the study of broken assumptions: the faults keep the shots, the page adds up."""

from __future__ import annotations

import json

import misspecification as study
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from transfer.simulation.faults import Rows
from transfer.simulation.seasons import operating_truth, simulate_cells

MODES = ("rep", "rep", "live", "live", "game")


def shot(seed=1, players=6):
    rng = np.random.default_rng(seed)
    rows = Rows.one_per_cell(np.full((players, 5), 200), np.zeros((players, 5)), MODES)
    return rows.with_makes(rng.binomial(rows.n, 0.4)), rng


def test_charters_move_attempts_with_their_makes_inside_the_mode_only():
    rows, rng = shot()
    moved = study.CharterStrictness(0.30).labels(rows, rng)
    frame = pd.DataFrame({"p": moved.player, "k": moved.setting, "n": moved.n, "y": moved.y})
    assert ((frame["y"] >= 0) & (frame["y"] <= frame["n"])).all()
    mode = np.asarray(MODES)
    before = pd.DataFrame({"p": rows.player, "m": mode[rows.setting], "n": rows.n, "y": rows.y})
    after = frame.assign(m=mode[frame["k"]])
    keys = ["p", "m"]
    pd.testing.assert_frame_equal(
        before.groupby(keys)[["n", "y"]].sum(), after.groupby(keys)[["n", "y"]].sum()
    )


def test_one_charter_labels_up_and_the_other_down():
    rows, rng = shot(players=40)
    moved = study.CharterStrictness(0.30).labels(rows, rng)
    n = np.zeros((40, 5))
    np.add.at(n, (moved.player, moved.setting), moved.n)
    even, odd = n[::2].mean(axis=0), n[1::2].mean(axis=0)
    np.testing.assert_allclose(even, [140, 260, 140, 260, 200], atol=8)
    np.testing.assert_allclose(odd, [260, 140, 260, 140, 200], atol=8)


def test_every_fault_leaves_the_number_of_shots_alone():
    truth = operating_truth(study.CONTRAST)
    wanted = 12 * sum(truth.attempts)
    for faults in study.TRANSFER.values():
        cells, _ = simulate_cells(truth, 12, 3, programs=2, faults=faults)
        assert cells.table["n"].sum() == wanted


def test_unlogged_work_and_hot_form_change_the_answer_and_the_seed_repeats_it():
    first = study.growth_season("mix chosen, live work follows hot form", 0.0, 0)
    again = study.growth_season("mix chosen, live work follows hot form", 0.0, 0)
    plain = study.growth_season("mix chosen, at random", 0.0, 0)
    assert first == again
    # Feedback from form pushes the contrast up; that is the point of the case.
    assert first["mean"] > plain["mean"]
    assert "no adjustment here can remove it" in first["said"]


def season(case, index, **more):
    row = {
        "part": "growth", "case": case, "truth": 0.15, "index": index, "mean": 0.1,
        "covered": True, "verdict": "leaning", "favours": "live", "contraction": 0.7,
    }  # fmt: skip
    return row | more


def test_summary_counts_refusals_wrong_signs_and_wrong_leans():
    case = next(iter(study.GROWTH))
    refused = {"part": "growth", "case": case, "truth": 0.15, "index": 3, "failed": "no spread"}
    rows = [
        season(case, 0),
        season(case, 1, mean=-0.05, favours="rep", covered=False),
        refused,
    ]
    line = study.summarise(rows, "growth").iloc[0]
    assert line["seasons"] == 2
    assert line["refused"] == 1
    assert line["sign wrong"] == 0.5
    assert line["wrong lean"] == 0.5
    assert line["bias"] == pytest.approx(0.025 - 0.15)
    assert line["coverage of 90 % interval"] == 0.5


def test_a_run_that_was_stopped_goes_on_without_repeating(tmp_path, monkeypatch):
    ran = []

    def fake(case, delta, index):
        ran.append((case, delta, index))
        return season(case, index) | {"truth": delta, "said": "x"}

    monkeypatch.setattr(study, "growth_season", fake)
    monkeypatch.setattr(study, "detect_days", lambda seasons: "not run here")
    words = ["--out", str(tmp_path), "--part", "growth", "--seasons"]
    for seasons in ("1", "2"):
        result = CliRunner().invoke(study.main, [*words, seasons])
        assert result.exit_code == 0, result.output
    assert len(ran) == len(set(ran)) == 2 * 2 * len(study.GROWTH)
    log = (tmp_path / "misspecification.jsonl").read_text("utf-8").splitlines()
    assert len([json.loads(line) for line in log]) == len(ran)
    assert "| 2 | 0 |" in (tmp_path / "misspecification.md").read_text("utf-8")


def test_double_charting_tells_unlike_charters_from_careless_ones():
    true = np.repeat(np.arange(4), 500)
    rng = np.random.default_rng(4)
    modes = MODES[:4]
    up = study._relabel(true, 0.30, 1, modes, rng)
    down = study._relabel(true, 0.30, -1, modes, rng)
    either = study._relabel(true, 0.10, 0, modes, rng)
    assert ((up - true) >= 0).all()
    assert ((down - true) <= 0).all()
    mode = np.asarray(modes)
    assert (mode[either] == mode[true]).all()
    assert (either != true).mean() == pytest.approx(0.10, abs=0.02)
    # Half of the blocks can move in each direction.
    assert (up != true).mean() == pytest.approx(0.15, abs=0.03)
    text = study.detect_labels(200)
    assert text.count("kappa") == 2
