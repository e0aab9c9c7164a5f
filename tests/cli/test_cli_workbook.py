from __future__ import annotations

import json
import re
import stat

import openpyxl
import pytest

from transfer.records.reading import read_records
from transfer.records.schema import TABLES


def filled(path):
    """Type one game into a workbook."""
    book = openpyxl.load_workbook(path)
    sheet = book["games"]
    at = {cell.value: cell.column for cell in sheet[1]}
    row = {"date": "2025-12-01", "game": "G01", "player": "P01", "attempts": 3, "makes": 1}
    for name, value in row.items():
        sheet.cell(3, at[name], value)
    book.save(path)
    return sheet.cell(3, at["makes"]).coordinate


def test_new_fill_read(tmp_path, run, run_json):
    path = tmp_path / "w.xlsx"
    code, out, _ = run("workbook", "new", path, "--rows", 5)
    assert code == 0
    assert "workbook read" in out
    filled(path)
    code, told = run_json("workbook", "read", path, "--out", tmp_path / "r")
    assert code == 0
    assert told["written"] == ["games.csv"]
    assert told["left_out"] == ["practice", "roster", "drills"]
    assert read_records(games=tmp_path / "r" / "games.csv").games["attempts"].tolist() == [3]
    code, out, _ = run("workbook", "read", path, "--out", tmp_path / "r")
    assert code == 0
    assert "1 makes of 3 attempts" in out


def test_a_workbook_with_an_error_writes_nothing(tmp_path, run):
    path = tmp_path / "w.xlsx"
    run("workbook", "new", path, "--rows", 2)
    place = filled(path)
    book = openpyxl.load_workbook(path)
    book["games"][place] = 9
    book.save(path)
    code, out, err = run("workbook", "read", path, "--out", tmp_path / "r")
    assert (code, out) == (2, "")
    assert "sheet games, row 3, column makes" in err
    assert not (tmp_path / "r").exists()


def test_a_charted_workbook_is_not_overwritten(tmp_path, run):
    path = tmp_path / "w.xlsx"
    run("workbook", "new", path, "--rows", 1)
    before = path.read_bytes()
    code, _, err = run("workbook", "new", path, "--rows", 2)
    assert code == 4
    assert "--replace" in err
    assert path.read_bytes() == before
    assert run("workbook", "new", path, "--rows", 2, "--replace")[0] == 0
    assert path.read_bytes() != before
    assert run("workbook", "new", tmp_path / "w.csv")[0] == 2


def test_the_season_roster_stands_in_a_new_workbook(tmp_path, run):
    (tmp_path / "roster.csv").write_text("player,position\nP01,guard\nP02,big\n", encoding="utf-8")
    path = tmp_path / "w.xlsx"
    code, _, _ = run("workbook", "new", path, "--rows", 1, "--roster", tmp_path / "roster.csv")
    assert code == 0
    sheet = openpyxl.load_workbook(path)["roster"]
    assert [sheet.cell(row, 2).value for row in (1, 3, 4)] == ["player", "P01", "P02"]


def test_season_settings_hold_for_the_workbook(season, run):
    path = season / "w.xlsx"
    run("workbook", "new", path, "--rows", 1)
    filled(path)
    settings = season / "transfer.toml"
    text = settings.read_text(encoding="utf-8")
    settings.write_text(
        text.replace("# season_end = 2027-03-31", "season_end = 2025-11-30"), encoding="utf-8"
    )
    code, _, err = run("workbook", "read", path, "--out", season)
    assert code == 2
    assert "the season ends on 2025-11-30" in err
    settings.write_text(text, encoding="utf-8")
    before = (season / "games.csv").read_bytes()
    code, _, err = run("workbook", "read", path, "--out", season)
    assert code == 4
    assert "games.csv" in err
    assert (season / "games.csv").read_bytes() == before


@pytest.mark.needs("pango")
def test_chart_sheet_as_pdf(tmp_path, run):
    assert run("workbook", "sheet", "--out", tmp_path / "s.pdf")[0] == 0
    assert (tmp_path / "s.pdf").read_bytes().startswith(b"%PDF")


def test_chart_sheet_as_html(tmp_path, run, run_json):
    code, _ = run_json("workbook", "sheet", "--out", tmp_path / "s.html", "--columns", "spot")
    assert code == 0
    page = (tmp_path / "s.html").read_text(encoding="utf-8")
    heads = re.findall(r'<th scope="col"[^>]*>([a-z]+)', page)
    assert heads == ["player", "drill", "mode", "contest", "attempts", "makes", "spot"]
    assert run("workbook", "sheet", "--out", tmp_path / "s.docx")[0] == 2
    code, _, err = run("workbook", "sheet", "--out", tmp_path / "t.pdf", "--columns", "sport")
    assert code == 2
    assert "'spot'" in err


def test_pseudonymise_keeps_counts_and_hides_codes(files, tmp_path, run, run_json):
    key, out = tmp_path / "key.json", tmp_path / "out"
    words = ("pseudonymise", "--practice", files["practice"], "--games", files["games"])
    code, told = run_json(*words, "--out", out, "--new-key", key)
    assert code == 0
    assert sorted(told["written"]) == ["games.csv", "practice.csv"]
    assert stat.S_IMODE(key.stat().st_mode) == 0o600
    assert "destroyed" in told["note"]
    codes = json.loads(key.read_text(encoding="utf-8"))["codes"]["player"]
    before = read_records(files["practice"], files["games"])
    after = read_records(out / "practice.csv", out / "games.csv")
    back = {code: text for text, code in codes.items()}
    for table in ("practice", "games"):
        old, new = (
            getattr(r, table).groupby("player")[["attempts", "makes"]].sum()
            for r in (before, after)
        )
        assert new.rename(index=back).sort_index().equals(old.sort_index())
        assert not set(old.index) & set(new.index)
    code, _, err = run(*words, "--out", tmp_path / "again", "--new-key", key)
    assert code == 4
    assert "never overwritten" in err
    assert not (tmp_path / "again").exists()
    code, out_text, _ = run(*words, "--out", tmp_path / "again", "--key", key)
    assert code == 0
    assert "0 of them new" in out_text
    assert (tmp_path / "again" / "games.csv").read_bytes() == (out / "games.csv").read_bytes()


def test_pseudonymise_refuses_a_key_beside_the_files(files, tmp_path, run):
    words = ("pseudonymise", "--games", files["games"], "--out", tmp_path / "out")
    code, _, err = run(*words, "--new-key", tmp_path / "out" / "key.json")
    assert code == 2
    assert "inside the output folder" in err
    assert not (tmp_path / "out").exists()
    assert run(*words)[0] == 2


def test_pseudonymise_makes_no_key_when_files_would_be_lost(files, tmp_path, run):
    """The files that are there hold other rows: nothing is written, not even the key."""
    key = tmp_path / "key.json"
    words = ("pseudonymise", "--games", files["games"], "--out", files["games"].parent)
    code, _, err = run(*words, "--new-key", key)
    assert code == 4
    assert "holds records already" in err
    assert not key.exists()


def test_all_tables_are_known_to_the_commands(run):
    code, out, _ = run("pseudonymise", "--help")
    assert code == 0
    assert all(f"--{name}" in out for name in TABLES)
