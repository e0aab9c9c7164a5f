"""The trial commands from the outside."""

from __future__ import annotations

import json

import pandas as pd
import pytest

from transfer.cli import main


def run(words: list[str], capsys) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(words)
    seen = capsys.readouterr()
    return int(stop.value.code or 0), seen.out, seen.err


@pytest.fixture
def roster(tmp_path):
    path = tmp_path / "roster.csv"
    pd.DataFrame(
        {"player": [f"P{i:02d}" for i in range(8)], "position": ["guard", "big"] * 4}
    ).to_csv(path, index=False)
    return path


def plan_words(roster, out, *more: str) -> list[str]:
    return [
        "trial",
        "plan",
        "--roster",
        str(roster),
        "--weeks",
        "26",
        "--start",
        "2026-11-02",
        "--seed",
        "3",
        "--out",
        str(out),
        *more,
    ]


def test_plan_writes_the_folder_and_says_what_was_drawn(roster, tmp_path, capsys):
    code, out, _ = run(plan_words(roster, tmp_path / "trial"), capsys)
    assert code == 0
    assert "8 players of 1 program(s): by lot 4 start live-heavy and 4 rep-heavy" in out
    assert "Balanced by lot within program, position." in out
    assert (tmp_path / "trial" / "plan.json").exists()


def test_plan_json_holds_the_assignment(roster, tmp_path, capsys):
    words = plan_words(
        roster,
        tmp_path / "trial",
        "--json",
        "--break",
        "2026-12-21:2027-01-03",
        "--look",
        "16",
        "--rope=-2:2",
        "--design",
        "blocks",
        "--block-weeks",
        "6",
    )
    code, out, _ = run(words, capsys)
    value = json.loads(out)
    assert code == 0
    assert value["settings"]["rope"] == [-2.0, 2.0]
    assert value["settings"]["looks"] == [16, 26]
    assert len(value["assignments"]) == 8 * 26
    assert any("Short blocks" in warning for warning in value["warnings"])


def test_second_lot_in_the_same_folder_is_refused(roster, tmp_path, capsys):
    run(plan_words(roster, tmp_path / "trial"), capsys)
    words = plan_words(roster, tmp_path / "trial", "--unit", "player", "--contrast", "0.9")
    code, out, err = run(words, capsys)
    assert code == 4
    assert "drawn once" in err
    assert out == ""


def test_baseline_from_a_forecast(roster, tmp_path, capsys):
    forecast = tmp_path / "forecast.json"
    players = [{"player": f"P{i:02d}", "mean": 0.3 + i / 100} for i in range(8)]
    forecast.write_text(json.dumps({"players": players}))
    words = plan_words(roster, tmp_path / "trial", "--baseline", str(forecast))
    code, out, _ = run(words, capsys)
    assert code == 0
    assert "within program, position, baseline." in out
    forecast.write_text("{}")
    code, _, err = run(words, capsys)
    assert code == 2
    assert "transfer forecast --json" in err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--rope", "1"], "--rope '1'"),
        (["--contrast", "0.4"], "contrast=0.4"),
        (["--strata", "height"], "strata=('height',)"),
        (["--unit", "pair"], "no column pair"),
    ],
)
def test_bad_words_exit_with_two_and_a_next_step(roster, tmp_path, capsys, words, message):
    code, _, err = run(plan_words(roster, tmp_path / "trial", *words), capsys)
    assert code == 2
    assert message in err
    assert "Next: " in err
    assert not (tmp_path / "trial").exists()


def test_unreadable_roster(tmp_path, capsys):
    (tmp_path / "bad.csv").write_bytes(b"\xff\xfe\x00")
    code, _, err = run(plan_words(tmp_path / "bad.csv", tmp_path / "trial"), capsys)
    assert code == 2
    assert "cannot be read as a roster" in err
