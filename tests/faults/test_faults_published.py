"""Nothing hidden can be worked out from a page, a bundle, or what was published before."""

from __future__ import annotations

import io
import json
import zipfile

import pandas as pd


def counts_in(path):
    with zipfile.ZipFile(path) as archive:
        table = pd.read_csv(io.BytesIO(archive.read("counts.csv")))
    return table.set_index(["program", "setting"])["attempts"]


def one_player_apart(season):
    """One player's live work under another contest level, the same attempts as everybody's."""
    practice = pd.read_csv(season / "practice.csv", dtype=str)
    alone = practice["player"].eq("P01") & practice["mode"].eq("live")
    assert 0 < alone.sum() < practice["mode"].eq("live").sum()
    practice.loc[alone, "contest"] = "front"
    practice.to_csv(season / "practice.csv", index=False)
    return int(practice.loc[alone, "attempts"].astype(int).sum())


def test_two_bundles_of_other_settings_do_not_give_one_player(season, fitted, tmp_path, run):
    attempts = one_player_apart(season)
    found = []
    for number, settings in enumerate(["mode,contest", "mode"]):
        assert run("fit", "--settings", settings, "--out", tmp_path / f"run{number}")[0] == 0
        out = tmp_path / f"{number}.zip"
        words = ("share", tmp_path / f"run{number}", "--settings", settings, "--out", out)
        code, _, err = run(*words)
        assert code == 0, err
        found.append(counts_in(out).dropna())
    shown = [int(value) for table in found for value in table]
    differences = {abs(a - b) for a in shown for b in shown} | set(shown)
    assert attempts not in differences
    held = (season / "published.jsonl").read_text().splitlines()
    assert [json.loads(line)["columns"][0] for line in held] == ["who", "who"]


def test_a_page_that_gives_one_player_away_is_not_written(season, fitted, run):
    one_player_apart(season)
    code, _, err = run("report", "--no-score", "--shared", "--settings", "mode,contest")
    assert code == 2
    assert "count of 1 player" in err
    assert "--settings mode" in err
    assert list((season / "runs").glob("*/report-shared*")) == []
    assert not (season / "published.jsonl").exists()
    code, _, err = run("report", "--no-score", "--shared", "--settings", "mode")
    assert code == 0, err
    assert len(list((season / "runs").glob("*/report-shared.html"))) == 1


def test_a_damaged_list_stops_the_next_bundle(season, fitted, tmp_path, run):
    (season / "published.jsonl").write_text("{}\n")
    code, _, err = run("share", fitted, "--out", tmp_path / "s.zip")
    assert code == 4
    assert "published.jsonl" in err
    assert not (tmp_path / "s.zip").exists()


def test_a_line_that_a_kill_cut_off_is_left_out(season, fitted, tmp_path, run):
    one_player_apart(season)
    assert run("fit", "--out", tmp_path / "first")[0] == 0
    assert run("share", tmp_path / "first", "--out", tmp_path / "one.zip")[0] == 0
    kept = (season / "published.jsonl").read_text()
    (season / "published.jsonl").write_text(kept + kept[: len(kept) // 2])
    words = ("--settings", "mode", "--out", tmp_path / "run")
    assert run("fit", *words)[0] == 0
    words = ("--settings", "mode", "--out", tmp_path / "two.zip")
    assert run("share", tmp_path / "run", *words)[0] == 0
    lines = (season / "published.jsonl").read_text().splitlines()
    assert lines[0] + "\n" == kept
    assert len([json.loads(line) for line in lines]) == 2
