"""``transfer add`` as a person meets it: a file in, its counts, once only, and one step back."""

from __future__ import annotations

import json

import openpyxl
import pandas as pd
import pytest

from transfer.files import write_text
from transfer.records.adding import ledger
from transfer.records.season import start_season

LOG = (
    "Athlete,Date,Drill name,FGM,FGA,Live?,Note\n"
    "A1,11/13/2025,Chair,5,11,N,\n"
    "A2,11/3/2025,Chase,3,8,Y,ok\n"
    "Total,,,8,19,,\n"
    "A2,11/3/2025,Chase,1,4,Y,late\n"
    "A3,11/3/2025,Chase,,,Y,ill\n"
)


@pytest.fixture
def folder(tmp_path, monkeypatch):
    """An empty season folder as the working folder."""
    start_season(tmp_path / "s")
    monkeypatch.chdir(tmp_path / "s")
    return tmp_path / "s"


def everything(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def records(folder, table="practice"):
    return pd.read_csv(folder / f"{table}.csv", dtype=str, keep_default_na=False)


def test_a_long_log_with_its_own_headers_enters_with_every_row_accounted_for(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    code, out, _ = run("add", tmp_path / "log.csv")
    assert code == 0
    assert "5 rows read, 3 kept; 1 left out (a row of sums); 1 left out (nothing charted)" in out
    assert "2 rows for practice: 9 makes of 23 attempts" in out
    assert "Chair: contest? entry?" in out
    rows = records(folder)
    assert rows[["date", "player", "drill", "mode", "attempts", "makes"]].to_numpy().tolist() == [
        ["2025-11-13", "A1", "Chair", "rep", "11", "5"],
        ["2025-11-03", "A2", "Chase", "live", "12", "4"],
    ]
    assert records(folder, "drills")["drill"].tolist() == ["Chair", "Chase"]


def test_the_same_file_twice_adds_nothing_and_says_so(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    run("add", tmp_path / "log.csv")
    before = everything(folder)
    code, out, _ = run("add", tmp_path / "log.csv")
    assert (code, everything(folder)) == (0, before)
    assert "nothing added. The file is addition 1" in out


def test_a_file_that_grew_adds_what_is_new(folder, run, run_json, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    run("add", tmp_path / "log.csv")
    (tmp_path / "log.csv").write_text(LOG + "A1,11/14/2025,Chair,6,10,N,\n")
    _, told = run_json("add", tmp_path / "log.csv")
    assert [told["files"][0][key] for key in ("added", "already", "attempts")] == [1, 2, 10]
    assert len(records(folder)) == 3


def test_a_row_with_other_counts_than_before_is_refused_with_both(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    run("add", tmp_path / "log.csv")
    before = everything(folder)
    (tmp_path / "log.csv").write_text(LOG.replace("Chair,5,11", "Chair,6,11"))
    code, _, err = run("add", tmp_path / "log.csv")
    assert (code, everything(folder)) == (2, before)
    assert "row 2" in err
    assert "6 of 11 here, 5 of 11 there" in err


def test_dry_run_shows_the_mapping_and_the_counts_and_writes_nothing(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    before = everything(folder)
    code, out, _ = run("add", tmp_path / "log.csv", "--dry-run")
    assert (code, everything(folder)) == (0, before)
    assert 'player = "Athlete"' in out
    assert "9 makes of 23 attempts" in out


def test_undo_leaves_the_folder_as_it_was(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    before = everything(folder)
    run("add", tmp_path / "log.csv")
    code, out, _ = run("add", "--undo")
    assert code == 0
    assert "Took back addition 1, log.csv: 2 rows out of practice" in out
    after = everything(folder)
    assert {name: after[name] for name in before} == before
    assert set(after) - set(before) == {"added/additions.json", "mappings/log.toml"}
    assert run("add", "--undo")[1].startswith("Nothing was added yet")


def test_undo_refuses_where_a_row_was_changed_since(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    run("add", tmp_path / "log.csv")
    text = (folder / "practice.csv").read_text()
    (folder / "practice.csv").write_text(text.replace(",11,5,", ",11,6,"))
    before = everything(folder)
    code, _, err = run("add", "--undo")
    assert (code, everything(folder)) == (2, before)
    assert "1 of the 2 rows" in err


@pytest.mark.parametrize("order", ["month-day-year", "day-month-year"])
def test_ten_three_is_never_guessed(folder, run, tmp_path, order):
    (tmp_path / "l.csv").write_text(
        "Athlete,Date,Drill,Total,Live?\nA1,10/3/2025,Chair,5-11,N\nA2,10/4/2025,Chase,3/8,Y\n"
    )
    code, _, err = run("add", tmp_path / "l.csv")
    assert code == 2
    assert "l.toml, row 18, column date.order" in err
    assert records(folder).empty
    mapping = folder / "mappings" / "l.toml"
    lines = mapping.read_text().splitlines()
    assert lines[17] == 'order = "?"'
    lines[17] = f'order = "{order}"'
    mapping.write_text("\n".join(lines))
    assert run("add", tmp_path / "l.csv")[0] == 0
    rows = records(folder)
    month_first = order.startswith("month")
    assert rows["date"].tolist() == (
        ["2025-10-03", "2025-10-04"] if month_first else ["2025-03-10", "2025-04-10"]
    )
    assert rows[["makes", "attempts"]].to_numpy().tolist() == [["5", "11"], ["3", "8"]]


def test_a_word_without_a_meaning_is_asked_for(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    run("add", tmp_path / "log.csv")
    (tmp_path / "more.csv").write_text(LOG.replace(",Y,late", ",perhaps,late"))
    code, _, err = run("add", tmp_path / "more.csv")
    assert code == 2
    assert "more.csv, row 5, column Live?: value perhaps" in err
    assert "add a line under [words.mode] in mappings/log.toml" in err


def test_counts_that_cannot_be_are_told_with_the_row_of_the_file(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG.replace("Chair,5,11", "Chair,12,11"))
    before = everything(folder)
    code, _, err = run("add", tmp_path / "log.csv")
    after = everything(folder)
    after.pop("mappings/log.toml")
    assert (code, after) == (2, before)
    assert "log.csv, row 2, column makes" in err


def test_a_total_that_became_a_date_is_named(folder, run, tmp_path):
    book = openpyxl.Workbook()
    sheet = book.active
    rows = [["Athlete", "Date", "Drill", "FG", "Live?"]]
    rows += [[f"A{i}", "2025-11-03", "Chair", f"{i}-11", "N"] for i in range(1, 9)]
    for row in rows:
        sheet.append(row)
    sheet.append(["A9", "2025-11-03", "Chair", pd.Timestamp("2025-05-11"), "N"])
    book.save(tmp_path / "log.xlsx")
    code, _, err = run("add", tmp_path / "log.xlsx")
    assert code == 2
    assert "row 10, column FG" in err
    assert "took a total such as 5-11 for a date" in err


def test_several_files_enter_together_or_not_at_all(folder, run, tmp_path):
    (tmp_path / "good.csv").write_text(LOG)
    (tmp_path / "bad.csv").write_text(LOG.replace("11/13", "13/13"))
    code, _, err = run("add", tmp_path / "good.csv", tmp_path / "bad.csv")
    assert code == 2
    assert "bad.csv, row 2, column Date" in err
    assert records(folder).empty
    assert ledger.additions(_season(folder)) == ()


def _season(folder):
    from transfer.records.season import read_season

    return read_season(folder)


@pytest.mark.parametrize("stops_at", range(1, 7))
def test_an_addition_that_is_interrupted_is_taken_back(
    folder, run, tmp_path, monkeypatch, stops_at
):
    (tmp_path / "log.csv").write_text(LOG)
    before = {name: data for name, data in everything(folder).items() if name.endswith(".csv")}
    calls = []

    def stops(path, text):
        calls.append(path)
        if len(calls) == stops_at:
            raise KeyboardInterrupt
        return write_text(path, text)

    monkeypatch.setattr(ledger, "write_text", stops)
    assert run("add", tmp_path / "log.csv")[0] == 130
    monkeypatch.setattr(ledger, "write_text", write_text)
    code, out, _ = run("add", "--undo")
    assert code == 0, out
    after = everything(folder)
    assert {name: after[name] for name in before} == before


def test_an_interrupted_addition_is_mended_by_the_next_one(folder, run, tmp_path, monkeypatch):
    (tmp_path / "log.csv").write_text(LOG)

    def stops(path, text):
        if path.name == "practice.csv":
            raise KeyboardInterrupt
        return write_text(path, text)

    monkeypatch.setattr(ledger, "write_text", stops)
    assert run("add", tmp_path / "log.csv")[0] == 130
    monkeypatch.setattr(ledger, "write_text", write_text)
    code, out, _ = run("add", tmp_path / "log.csv")
    assert code == 0
    assert "The addition of log.csv was interrupted; it was taken back." in out
    assert len(records(folder)) == 2
    listed = json.loads((folder / "added" / "additions.json").read_text())["additions"]
    assert [entry["done"] for entry in listed] == [True]


def test_what_was_added_is_listed(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(LOG)
    assert run("add")[1] == "Nothing was added yet.\n"
    run("add", tmp_path / "log.csv")
    assert "log.csv: 2 rows to practice" in run("add")[1]


def test_outside_a_season_folder_it_says_what_to_do(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, _, err = run("add", "x.csv")
    assert code == 2
    assert "transfer init DIR" in err


@pytest.mark.parametrize("stops_at", range(1, 5))
def test_taking_back_that_is_interrupted_is_finished_by_the_next_command(
    folder, run, tmp_path, monkeypatch, stops_at
):
    (tmp_path / "log.csv").write_text(LOG)
    before = {name: data for name, data in everything(folder).items() if name.endswith(".csv")}
    run("add", tmp_path / "log.csv")
    calls = []

    def stops(path, text):
        calls.append(path)
        if len(calls) == stops_at:
            raise KeyboardInterrupt
        return write_text(path, text)

    monkeypatch.setattr(ledger, "write_text", stops)
    assert run("add", "--undo")[0] == 130
    monkeypatch.setattr(ledger, "write_text", write_text)
    assert run("add", "--undo")[0] == 0
    after = everything(folder)
    assert {name: after[name] for name in before} == before


def test_a_session_length_is_shared_by_the_drills_of_a_player(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(
        "Athlete,Date,Drill name,FGM,FGA,Live?,Session length,Minutes\n"
        "A1,2025-11-13,Chair,5,11,N,60,\n"
        "A1,2025-11-13,Chase,3,8,Y,60,\n"
        "A1,2025-11-13,Chase,1,2,N,60,\n"
        "A2,2025-11-13,Chase,3,8,Y,60,\n"
        "A3,2025-11-13,Chase,3,8,Y,60,12\n"
        "A3,2025-11-13,Chair,3,8,N,60,\n"
        "A4,2025-11-13,Chase,3,8,Y,,\n"
    )
    code, _, err = run("add", tmp_path / "log.csv")
    assert code == 0, err
    assert records(folder)["minutes"].tolist() == ["30", "15", "15", "60", "12", "", ""]
    (entry,) = ledger.additions(_season(folder))
    assert "equal parts for each drill" in entry.settings["minutes"]


def test_a_session_length_that_is_no_number_is_refused_with_its_row(folder, run, tmp_path):
    (tmp_path / "log.csv").write_text(
        "Athlete,Date,Drill name,FGM,FGA,Live?,Session length\nA1,2025-11-13,Chair,5,11,N,long\n"
    )
    code, _, err = run("add", tmp_path / "log.csv")
    assert code == 2
    assert "row 2, column Session length" in err
    assert records(folder).empty


def test_floaters_are_selected_from_all_shots_by_type_and_distance(folder, run, tmp_path):
    (tmp_path / "shots.csv").write_text(
        "Player,Game date,Opponent,Shot type,Distance (ft),Result\n"
        "A1,2025-11-14,OPP1,Floater,8,Made\n"
        "A1,2025-11-14,OPP1,Floater,8,Missed\n"
        "A1,2025-11-14,OPP1,Layup,2,Made\n"
        "A2,2025-11-14,OPP1,Runner,3.5,Made\n"
        "A2,2025-11-14,OPP1,Jump shot,23,Missed\n"
        "A2,2025-11-14,OPP1,Floater,,Missed\n"
        "A2,2025-11-14,OPP1,Floater,14,Missed\n"
    )
    code, out, err = run("add", tmp_path / "shots.csv")
    assert code == 0, err
    assert "7 rows read, 3 kept" in out
    assert "2 left out (not a floater by its type)" in out
    assert "1 left out (outside 4 to 14 ft)" in out
    assert "1 left out (no distance)" in out
    rows = records(folder, "games")
    assert rows[["player", "distance_ft", "attempts", "makes"]].to_numpy().tolist() == [
        ["A1", "8", "2", "1"],
        ["A2", "14", "1", "0"],
    ]
    (entry,) = ledger.additions(_season(folder))
    assert entry.settings["floaters"] == "types Floater, Runner; from 4 to 14 ft"
