"""Pieces of the study of broken assumptions: the faults keep the shots, the page adds up."""

from __future__ import annotations

import json

import misspecification as study
import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from transfer.models.transfer_design import design_from_cells
from transfer.simulation.faults import Rows
from transfer.simulation.seasons import operating_truth, simulate_cells

MODES = ("rep", "rep", "live", "live", "game")


TRUTH = operating_truth(study.CONTRAST)


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


def test_dividing_by_the_design_effect_keeps_rates_and_games():
    sessions = study.Sessions()
    faults = (*study.TRANSFER[study.DIVIDED], sessions)
    cells, _ = simulate_cells(TRUTH, 12, 3, programs=2, faults=faults)
    found, effect = study.divided(cells, sessions.rows)
    # 1 + (25 - 1) x .02 = 1.48 with sessions of 25.
    assert effect == pytest.approx(1.48, abs=0.15)
    before, after = cells.table, found.table
    game = before["setting"].eq("game")
    pd.testing.assert_frame_equal(before[game], after[game])
    assert after.loc[~game, "n"].sum() == pytest.approx(
        before.loc[~game, "n"].sum() / effect, rel=0.01
    )
    rate = after["y"] / after["n"] - before["y"] / before["n"]
    assert rate.abs().max() < 0.01
    assert (after["y"] <= after["n"]).all()
    assert found.data_hash != cells.data_hash


def test_keeping_the_sessions_changes_no_shot():
    for faults in study.TRANSFER.values():
        plain, _ = simulate_cells(TRUTH, 8, 5, programs=2, faults=faults)
        kept, _ = simulate_cells(TRUTH, 8, 5, programs=2, faults=(*faults, study.Sessions()))
        pd.testing.assert_frame_equal(plain.table, kept.table)


def test_the_remedy_for_defenders_has_them_in_the_model_and_the_fault_has_not():
    for name, named in (
        ("defender effects ignored (sd .25 logit)", False),
        (study.NAMED, True),
    ):
        cells, _ = simulate_cells(TRUTH, 8, 5, programs=2, faults=study.TRANSFER[name])
        design = design_from_cells(cells)
        assert (len(design.defenders) == 8) is named


def transfer_row(index, **more):
    return {
        "part": "transfer", "case": "heavy-tailed players (t, 4 degrees)", "truth": 0.3,
        "index": index, "predictive_p": {"a": 0.5}, "tail_p": 0.5, "checked": f"words {index}",
    } | more  # fmt: skip


def test_what_was_noticed_is_counted_with_the_first_words_about_it():
    rows = [transfer_row(0), transfer_row(1, tail_p=0.01), transfer_row(2, predictive_p={"a": 0.0})]
    line = study.noticed(rows).iloc[0]
    assert line["noticed"] == "2 of 3"
    assert (line["by spread"], line["by tails"]) == ("1", "1")
    assert line["season: what it says"] == "1: words 1"
    assert study.noticed(rows[:1]).iloc[0]["season: what it says"] == "0: words 0"


def test_seasons_without_todays_checks_are_run_again(tmp_path):
    old = transfer_row(0)
    del old["tail_p"]
    log = tmp_path / "log.jsonl"
    lines = [old, transfer_row(1), transfer_row(2, failed="no"), season("x", 0)]
    log.write_text("".join(json.dumps(row) + "\n" for row in lines))
    assert [row["index"] for row in study.read_log(log)] == [1, 2, 0]
