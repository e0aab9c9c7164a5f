"""``transfer session`` from the command line."""

import json

import numpy as np
import pandas as pd
import pytest

from transfer.cli import main


def run(arguments):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    return ended.value.code


SIZE = ["--baskets", "2", "--minutes", "40"]


@pytest.fixture(scope="module")
def practice(tmp_path_factory):
    rng = np.random.default_rng(8)
    rows = []
    players = [f"P{i:02d}" for i in range(1, 7)]
    for day in range(1, 11):
        for at, player in enumerate(players):
            common = {"date": f"2026-10-{day:02d}", "session": 1, "player": player}
            for spot, entry in (("block", "catch"), ("mark_2", "dribble"), ("elbow", "turn")):
                rows.append(
                    {
                        **common,
                        "drill": "reps",
                        "mode": "rep",
                        "contest": "none",
                        "attempts": 15,
                        "makes": rng.binomial(15, 0.55),
                        "minutes": 3,
                        "spot": spot,
                        "side": "left" if day % 2 else "right",
                        "entry": entry,
                        "footwork": "one_foot",
                    }
                )
            rows.append(
                {
                    **common,
                    "drill": "screen",
                    "mode": "live",
                    "contest": "trailing",
                    "attempts": 9,
                    "makes": rng.binomial(9, 0.4),
                    "minutes": 10,
                    "defender": players[(at + day) % 6] if day % 6 else players[at - 1],
                }
            )
    path = tmp_path_factory.mktemp("practice") / "practice.csv"
    pd.DataFrame(rows).to_csv(path, index=False)
    return path


def test_a_number_of_players_gives_a_page_and_a_sheet(tmp_path, capsys):
    assert (
        run(["session", "--players", "8", *SIZE, "--out", str(tmp_path), "--date", "2026-11-25"])
        == 0
    )
    printed = " ".join(capsys.readouterr().out.split())
    assert "8 players, 2 baskets, 40 minutes" in printed
    assert "licensed medical staff" in printed
    assert (tmp_path / "session.html").exists()
    sheet = pd.read_csv(tmp_path / "chart.csv")
    assert sheet["date"].eq("2026-11-25").all()
    assert sheet["player"].nunique() == 8


def test_records_give_pace_pairings_and_spots(practice, tmp_path, capsys):
    roster = tmp_path / "roster.csv"
    roster.write_text("Player,position\nP01,guard\nP02,wing\nP03,big\nP04,wing\n")
    words = ["session", "--roster", str(roster), *SIZE, "--practice", str(practice), "--json"]
    assert run(words) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["players"] == ["P01", "P02", "P03", "P04"]
    for block in told["blocks"]:  # four share a basket: 5.0 measured, 10 shots a minute there
        most, shots = (2.5, 0.9)[block["mode"] == "live"], block["attempts"]
        assert shots <= max(1, most * block["minutes"])
        assert shots > most * block["minutes"] - 1
        assert block["capped"] == (block["mode"] == "rep")
    assert {b["rate_source"] for b in told["blocks"]} == {"measured"}
    assert len(told["ratings"]["defenders"]) == 6
    assert told["challenge"]["band"] == [0.45, 0.65]
    assert told["done_variety"]["attempts"] == 6 * 10 * 45
    assert told["missing"] == []
    assert run([*words, "--band", "0.5:0.6", "--rate", "rep=4", "--seed", "3"]) == 0
    again = json.loads(capsys.readouterr().out)
    assert again["challenge"]["band"] == [0.5, 0.6]
    assert again["blocks"][0]["rate_source"] == "stated"
    assert again["reps"] != told["reps"]


def test_what_the_records_lack_is_said(tmp_path, capsys):
    path = tmp_path / "practice.csv"
    path.write_text(
        "date,session,player,drill,mode,contest,attempts,makes\n"
        "2026-10-01,1,P01,reps,rep,none,20,9\n2026-10-01,1,P02,reps,rep,none,20,12\n"
    )
    assert run(["session", "--players", "P01,P02", *SIZE, "--practice", str(path)]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    for words in (
        "Not used: pace",
        "Not used: defender ratings",
        "Not used: challenge band",
        "Not used: variety of what was done",
    ):
        assert words in printed


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--players", "4", "--roster", "x.csv"], "exactly one of them"),
        ([], "exactly one of them"),
        (["--players", "1"], "at least 2 different players"),
        (["--players", "4", "--date", "25.11.2026"], "year-month-day"),
        (["--players", "4", "--band", "0.5"], "LOW:HIGH"),
        (["--players", "4", "--rate", "rep"], "NAME=NUMBER"),
        (["--players", "4", "--live-cap", "1"], "live-minute cap 1"),
    ],
)
def test_bad_words_exit_with_2_and_say_why(words, said, capsys):
    assert run(["session", *SIZE, *words]) == 2
    assert said in capsys.readouterr().err


def test_a_missing_roster_exits_with_4_and_one_without_players_with_2(tmp_path, capsys):
    assert run(["session", *SIZE, "--roster", str(tmp_path / "none.csv")]) == 4
    (tmp_path / "r.csv").write_text("code\nP01\n")
    assert run(["session", *SIZE, "--roster", str(tmp_path / "r.csv")]) == 2
    assert "no column player" in capsys.readouterr().err
