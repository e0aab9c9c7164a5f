"""What is new since the last report: counts, answer and forecasts by hand; which run was last."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_posterior, write_invented_records
from scipy.special import expit

from transfer.errors import ArgumentError, StorageError
from transfer.page.document import AUDIENCES
from transfer.reading.reading import read_transfer
from transfer.records.exports import csv_text
from transfer.records.reading import read_records
from transfer.reports import gather
from transfer.reports.content import ReportContent
from transfer.reports.html import render_report
from transfer.reports.since import ANSWER_THEN, answer_table, read_answer, since
from transfer.terminal.runs import Run, last_run


def table(rep, games, verdict, contrast, **rates):
    rows = [("rep_attempts", "", rep), ("live_attempts", "", 90), ("game_attempts", "", 40),
            ("games", "", games), ("players", "", 3), ("verdict", "", verdict[0]),
            ("favours", "", verdict[1]), ("live minus rep", "", contrast),
            *(("expected game rate", who, rate) for who, rate in rates.items())]  # fmt: skip
    return pd.DataFrame(rows, columns=["quantity", "who", "value"]).astype({"value": str})


THEN = table(400, 4, ("unclear", ""), 0.10, P1=0.40, P2=0.30, P9=0.9)
NOW = table(1640, 6, ("leaning", "live"), 0.04, P1=0.43, P2=0.29, P3=0.1)


def test_what_is_new_and_how_far_things_moved_by_hand():
    found = since("2026-11-02-abc", THEN, NOW)
    assert found.new == {"rep_attempts": 1240, "live_attempts": 0, "game_attempts": 0, "games": 2,
                         "players": 0}  # fmt: skip
    assert found.answer_moved == pytest.approx(-0.06)
    assert found.forecast_moved == pytest.approx(0.02)  # P1 and P2; P3 is new, P9 is gone
    assert found.forecast_farthest == pytest.approx(0.03)
    assert found.text == (
        "Since the run 2026-11-02-abc: 1,240 more rep attempts, 0 more live attempts, 0 more game "
        "attempts, 2 more games. The answer went from unclear to leaning for live; what live rates "
        "say about games, less what rep rates say, moved by −6 points of 100. Expected game rates "
        "of 2 player-seasons moved by 2.0 points on average, 3.0 at most."
    )
    back = since("x", NOW, THEN)
    assert "1,240 fewer rep attempts" in back.text
    assert "The answer is as it was (unclear); " in since("x", THEN, THEN).text


def test_without_both_modes_or_common_players_nothing_is_made_up():
    alone = THEN[~THEN["quantity"].isin(["verdict", "favours", "live minus rep"])]
    found = since("x", alone, NOW)
    assert found.answer_moved is None
    assert "answer" not in found.text
    strangers = NOW.replace({"who": {"P1": "Q1", "P2": "Q2"}})
    found = since("x", THEN, strangers)
    assert found.forecast_moved is found.forecast_farthest is None
    assert "Expected" not in found.text


@pytest.fixture(scope="module")
def content():
    cells = invented_cells(6)
    fits = [invented_posterior(cells, draws=200, purpose=p) for p in ("verdict", "forecast")]
    return ReportContent("Shooting", read_transfer(*fits), fits[1], fits[0])


def test_the_table_holds_counts_answer_and_forecasts_and_is_read_back(content, tmp_path):
    files = write_invented_records(tmp_path)
    records = read_records(files["practice"], files["games"])
    made = answer_table(records, content.reading, content.posterior)
    path = tmp_path / ANSWER_THEN
    path.write_text(csv_text(made))
    assert read_answer(path).equals(made)
    value = made.set_index(["quantity", "who"])["value"]
    assert value["games", ""] == "6"
    assert value["rep_attempts", ""] == str(content.reading.attempts["rep"])
    rates = expit(content.posterior.theta[:, :, -1]).mean(axis=0)
    kept = value["expected game rate"].astype(float)
    assert np.allclose(kept[list(content.posterior.units)], rates)
    assert since("x", made, made).answer_moved == 0.0


@pytest.mark.parametrize(
    "spoiled", ["", "quantity,who\n", "quantity,who,value\ngames,,many\n", None]
)
def test_a_spoiled_last_answer_is_told_and_no_reason_to_stop(spoiled, tmp_path, monkeypatch):
    path = tmp_path / ANSWER_THEN
    text = csv_text(THEN.replace({"value": {"0.4": "fair"}})) if spoiled is None else spoiled
    path.write_text(text)
    with pytest.raises(StorageError, match=r"answer_then\.csv"):
        read_answer(path)
    monkeypatch.setattr("transfer.terminal.runs.last_run", lambda *_: tmp_path)
    study = type("Opened", (), {"run": None, "records": None})
    found, said = gather.since_last(study, None, None)
    assert found is None
    assert said.startswith("What moved since the last report is not known: ")


def test_forecasts_that_cannot_be_judged_yet_are_said_to_be_so(tmp_path, monkeypatch):
    def nobody(*_):
        raise ArgumentError("nobody has later games", rule="later games", next_step="wait")

    study = type("Opened", (), {"run": None})
    monkeypatch.setattr(gather, "track_of", nobody)
    monkeypatch.setattr("transfer.terminal.runs.last_run", lambda *_: tmp_path / "2026-11-02-abc")
    assert gather.last_track(study) == (
        None, "The forecasts of 2026-11-02-abc are not judged: nobody has later games."
    )  # fmt: skip
    monkeypatch.setattr("transfer.terminal.runs.last_run", lambda *_: None)
    assert gather.last_track(study) == (None, "")


@pytest.mark.parametrize("audience", AUDIENCES)
def test_every_depth_has_the_line(content, audience):
    found = since("2026-11-02-abc", THEN, NOW)
    page = render_report(replace(content, audience=audience, since=found))
    assert f"<li>{found.text}</li>" in page
    without = render_report(replace(content, audience=audience))
    assert "Since the run" not in without


def manifest(created, inputs="a", options="x", model="3"):
    return {"created": created, "inputs": {"games": {"file": "games.csv", "sha256": inputs}},
            "options": {"seed": options}, "versions": {"model": model}}  # fmt: skip


def test_the_last_run_is_the_newest_earlier_one_that_asked_the_same(tmp_path):
    made = {
        "old": manifest("2026-11-01", "a"), "last": manifest("2026-11-02", "b"),
        "other": manifest("2026-11-03", "c", options="y"), "model": manifest("2026-11-03", "c",
        model="2"), "bare": manifest("2026-11-03", "c"), "later": manifest("2026-11-05", "d"),
    }  # fmt: skip
    for name, told in made.items():
        (tmp_path / name).mkdir()
        (tmp_path / name / "manifest.json").write_text(json.dumps(told))
        if name != "bare":
            (tmp_path / name / ANSWER_THEN).write_text("")
    siblings = tuple(tmp_path / n for n in ("later", "bare", "model", "other", "last", "old"))

    def last(folder: Path | None, told):
        return last_run(Run(folder, "k", "f", told, siblings), ANSWER_THEN)

    assert last(tmp_path / "new", manifest("2026-11-04", "e")) == tmp_path / "last"
    assert last(tmp_path / "new", manifest("2026-11-04", "b")) == tmp_path / "old"
    # A run that is asked again is placed by the day it was made.
    assert last(tmp_path / "last", manifest("2026-11-09", "b")) == tmp_path / "old"
    assert last(tmp_path / "old", manifest("2026-11-09", "a")) is None
