from __future__ import annotations

import re
from functools import partial

import pytest

from transfer.errors import ArgumentError
from transfer.records.season import start_season
from transfer.records.settings import read_setting
from transfer.terminal.options import resolve


def test_check_passes_good_files(files, run, run_json):
    code, out, err = run("check", "--practice", files["practice"], "--games", files["games"])
    assert code == 0
    assert "No errors" in out
    assert err == ""
    code, told = run_json("check", "--practice", files["practice"], "--games", files["games"])
    assert code == 0
    assert told["passed"] is True
    assert {row["table"] for row in told["tables"]} == {"practice", "games"}


def test_check_lists_the_problems_of_all_files_and_exits_with_2(files, run, run_json):
    text = files["practice"].read_text(encoding="utf-8")
    files["practice"].write_text(text.replace(",live,", ",livee,", 1), encoding="utf-8")
    text = files["games"].read_text(encoding="utf-8")
    spoiled = re.sub(r"(G01,P01,)\d+,\d+", r"\g<1>3,9", text)
    files["games"].write_text(spoiled, encoding="utf-8")
    words = ("check", "--practice", files["practice"], "--games", files["games"])
    code, out, _ = run(*words)
    assert code == 2
    assert "practice.csv" in out
    assert "games.csv" in out
    code, told = run_json(*words)
    assert code == 2
    assert told["passed"] is False
    errors = [p for p in told["problems"] if p["severity"] == "error"]
    assert {p["file"] for p in errors} == {"practice.csv", "games.csv"}
    assert all(p["rule"] and p["next_step"] for p in errors)


def test_problems_stop_the_other_commands_before_anything_is_written(season, run):
    text = (season / "games.csv").read_text(encoding="utf-8")
    (season / "games.csv").write_text(text.replace("2025-12-01", "2025-13-01", 1), encoding="utf-8")
    before = sorted(p.name for p in season.iterdir())
    code, out, err = run("compare")
    assert code == 2
    assert out == ""
    assert "2025-13-01" in err
    assert sorted(p.name for p in season.iterdir()) == before


def test_rates_need_no_model(files, run_json):
    code, told = run_json("rates", "--practice", files["practice"], "--games", files["games"])
    assert code == 0
    assert {row["setting"] for row in told["settings"]} == {"rep/none", "live/trailing", "game"}
    assert len(told["players"]) == 6 * 3
    for row in told["players"]:
        assert row["raw"] == row["y"] / row["n"]
        assert row["shrunken_low"] < row["shrunken"] < row["shrunken_high"]
    assert told["dispersion"]["cells"] > 0


def test_rates_of_practice_alone(files, run):
    code, out, _ = run("rates", "--practice", files["practice"], "--settings", "mode")
    assert code == 0
    assert out.startswith("rep\n")


def test_a_command_outside_a_season_asks_for_files(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, _, err = run("compare")
    assert code == 2
    assert "--practice and --games missing" in err
    assert "transfer init" in err


def test_init_then_check_says_the_files_are_empty(run, run_json, tmp_path, monkeypatch):
    code, told = run_json("init", tmp_path / "new", "--level", "high_school")
    assert code == 0
    assert "transfer.toml" in told["written"]
    monkeypatch.chdir(tmp_path / "new")
    code, told = run_json("check")
    assert code == 2
    assert {"practice.csv", "games.csv"} <= {p["file"] for p in told["problems"]}
    assert run("init", tmp_path / "new")[0] == 4


def test_options_win_over_the_season_and_own_files_stand_alone(tmp_path):
    start_season(tmp_path, level="men_pro", seed=4)
    (tmp_path / "roster.csv").write_text("player\nP01\n", encoding="utf-8")
    inside = resolve({}, tmp_path)
    assert inside.level == "men_pro"
    assert set(inside.files) == {"practice", "games", "roster"}
    given = {"practice": tmp_path / "a.csv", "games": tmp_path / "b.csv", "seed": 0,
             "level": "women_pro", "rope_r2": "-0.1:0.1", "settings": "mode"}  # fmt: skip
    own = resolve(given, tmp_path)
    assert (own.level, own.seed, own.rope_r2, own.settings) == (
        "women_pro", 0, (-0.1, 0.1), ("mode",),
    )  # fmt: skip
    assert set(own.files) == {"practice", "games"}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("rope_r2", "0.1:0.2"),
        ("rope_r2", "0:0"),
        ("rope_r2", "a:b"),
        ("rope_r2", "0.1"),
        ("settings", "contest"),
        ("settings", "mode,sides"),
        ("terms", "distance,wind"),
        ("terms", ""),
    ],
)
def test_words_outside_their_rule_are_refused(name, text):
    with pytest.raises(ArgumentError):
        read_setting(name, text, "option")


def test_words_inside_their_rule():
    read = partial(read_setting, door="option")
    assert read("rope_r2", "-0.02:0.05") == (-0.02, 0.05)
    assert read("settings", "mode, contest") == ("mode", "contest")
    assert read("terms", "distance,defender") == ("distance", "defender")
    assert read("settings", "mode,side") == ("mode", "side")
    assert read("terms", "none") == ()


SEVERAL_DISTANCES = """date,game,player,distance_ft,contest,attempts,makes,minutes
2025-12-01,G01,P01,6,,2,1,24
2025-12-01,G01,P01,9.5,,3,1,24
2025-12-01,G01,P01,9.5,front,1,0,24
2025-12-01,G01,P99,6,,1,0,12
"""


def test_rows_of_one_game_in_several_distances_are_data_and_are_summed(files, run, run_json):
    files["games"].write_text(SEVERAL_DISTANCES, encoding="utf-8")
    words = ("--practice", files["practice"], "--games", files["games"])
    code, told = run_json("check", *words)
    assert code == 0
    games = next(row for row in told["tables"] if row["table"] == "games")
    assert (games["attempts"], games["makes"], games["rows"]) == (7, 2, 4)
    code, told = run_json("rates", *words)
    assert code == 0
    counted = {r["unit"]: (r["n"], r["y"]) for r in told["players"] if r["setting"] == "game"}
    assert counted == {"P01": (6, 2), "P99": (1, 0)}


@pytest.mark.parametrize("spoiled", [False, True], ids=["accepted", "refused"])
def test_a_problem_of_the_whole_file_is_shown_beside_those_of_rows(files, run, spoiled):
    """The file's own problem has no row, which is a missing value in the table on the screen."""
    text = SEVERAL_DISTANCES.replace("G01,P99", "G01,P01") if spoiled else SEVERAL_DISTANCES
    games = [
        f"{line},{'program' if not i else ''}" for i, line in enumerate(text.strip().split("\n"))
    ]
    files["games"].write_text("\n".join(games) + "\n", encoding="utf-8")
    practice = files["practice"].read_text(encoding="utf-8").strip().split("\n")
    practice = [f"{line},{'A' if i else 'program'}" for i, line in enumerate(practice)]
    files["practice"].write_text("\n".join(practice) + "\n", encoding="utf-8")
    words = ("check", "--practice", files["practice"], "--games", files["games"])
    code, out, _ = run(*words)
    assert code == (2 if spoiled else 0)
    assert "blank program was taken as 'A'" in out
    assert ("occurs once" in out) is spoiled
    assert ".000" not in out


def test_signs_that_move_the_cursor_are_shown_as_escapes(files, run):
    games = files["games"].read_text(encoding="utf-8")
    spoiled = re.sub(r"(G01,P01,)\d+,", "\\g<1>3\x1b[2J\u202e\x85,", games)
    files["games"].write_text(spoiled, encoding="utf-8")
    code, out, _ = run("check", "--practice", files["practice"], "--games", files["games"])
    assert code == 2
    assert r"3\x1b[2J\u202e\x85" in out
    assert "\x1b" not in out
