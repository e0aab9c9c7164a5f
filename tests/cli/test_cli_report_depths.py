from __future__ import annotations

from pathlib import Path

import pytest


def kept(season: Path) -> Path:
    (folder,) = (season / "runs").iterdir()
    return folder


@pytest.mark.needs("pango")
@pytest.mark.parametrize("audience", ["coach", "director"])
def test_a_depth_is_kept_as_page_and_pdf(season, fits, run_json, audience):
    code, told = run_json("report", "--no-score", "--for", audience, "--pdf")
    assert code == 0
    assert told["for"] == audience
    folder = kept(season)
    page = (folder / f"report-{audience}.html").read_text(encoding="utf-8")
    assert f'<body class="{audience}">' in page
    assert (folder / f"report-{audience}.pdf").read_bytes().startswith(b"%PDF")
    assert Path(told["pdf"]).name == f"report-{audience}.pdf"


def test_shared_depths_have_names_of_their_own(season, fits, run):
    assert run("report", "--no-score", "--for", "coach", "--shared")[0] == 0
    page = (kept(season) / "report-coach-shared.html").read_text(encoding="utf-8")
    assert "P01" not in page
    assert 'id="player-picker"' not in page


def test_the_week_of_several_programs_needs_a_name(tmp_path, files, fits, run):
    for path in files.values():
        header, *lines = path.read_text(encoding="utf-8").splitlines()
        rows = [f"{header},program"] + [f"{r},{'AB'[i % 2]}" for i, r in enumerate(lines)]
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    words = ["--practice", files["practice"], "--games", files["games"], "--no-score"]
    assert run("report", *words, "--out", tmp_path / "a")[0] == 0
    assert "The weekly mix is not shown" in (tmp_path / "a" / "report.html").read_text("utf-8")
    assert run("report", *words, "--program", "B", "--out", tmp_path / "b")[0] == 0
    assert "mix-slider" in (tmp_path / "b" / "report.html").read_text("utf-8")
    code, _, said = run("report", *words, "--program", "C", "--out", tmp_path / "c")
    assert code == 2
    assert "'C'" in said


def test_an_earlier_run_is_held_against_the_games_since(season, fits, run, run_json):
    assert run("report", "--no-score")[0] == 0
    before = kept(season)
    games = season / "games.csv"
    with games.open("a", encoding="utf-8") as stream:
        for number in range(1, 7):
            stream.write(f"2025-12-20,G20,P{number:02d},{number + 3},{number}\n")
    code, told = run_json("report", "--no-score")
    assert code == 0
    assert told["since"]["run"] == before.name
    assert told["since"]["new"]["game_attempts"] == sum(range(4, 10))
    players = told["track_record"]["players"]
    assert [(p["n"], p["y"]) for p in players] == [(n + 3, n) for n in range(1, 7)]
    page = Path(told["report"]).read_text(encoding="utf-8")
    assert "Forecast then, happened since" in page
    assert told["track_record"]["text"].split(";")[0] in page
    assert f"Since the run {before.name}: 0 more rep attempts" in page


def test_an_earlier_run_without_later_games_is_refused(season, fits, run):
    assert run("report", "--no-score")[0] == 0
    code, _, said = run("report", "--no-score", "--previous", kept(season))
    assert code == 2
    assert "no player of the earlier run has game attempts since" in said


def test_a_folder_without_a_fit_is_refused(season, fits, run, tmp_path):
    assert run("report", "--no-score", "--previous", tmp_path)[0] == 4


def test_a_run_without_counts_is_refused_with_the_next_step(season, fits, run):
    assert run("fit")[0] == 0
    code, _, said = run("report", "--no-score", "--previous", kept(season))
    assert code == 4
    assert "games_then.csv" in said


def test_the_coach_is_told_where_the_session_is(season, fits, run, tmp_path):
    place = tmp_path / "tuesday"
    assert run("report", "--no-score", "--for", "coach", "--session", place)[0] == 2
    place.mkdir()
    (place / "session.html").write_text("x", encoding="utf-8")
    assert run("report", "--no-score", "--for", "coach", "--session", place)[0] == 0
    page = (kept(season) / "report-coach.html").read_text(encoding="utf-8")
    assert "session.html in tuesday" in page
