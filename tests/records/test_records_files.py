"""Files of every kind give the same records, and their odd corners are read or reported."""

from __future__ import annotations

import datetime

import openpyxl
import pandas as pd
import pytest
from records_samples import GAMES, PRACTICE, frame, games_frame, put, refused, severities

from transfer.records.raw import cell_text
from transfer.records.reading import read_records


def workbook(path, sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
    book.save(path)
    return path


HEAD = ["date", "game", "player", "attempts", "makes"]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("ends", ["\n", "\r\n", "\r"])
def test_text_files_of_all_spreadsheets(tmp_path, encoding, separator, ends):
    text = GAMES.replace(",", separator).replace("\n", ends)
    records = read_records(games=put(tmp_path, "g.csv", text, encoding))
    reference = read_records(games=put(tmp_path, "r.csv", GAMES))
    assert records.data_hash == reference.data_hash


def test_parquet_excel_and_frame_equal_csv(tmp_path):
    csv = put(tmp_path, "p.csv", PRACTICE)
    table = pd.read_csv(csv, parse_dates=["date"], keep_default_na=False)
    table.to_parquet(tmp_path / "p.parquet")
    table.to_excel(tmp_path / "p.xlsx", index=False)
    inputs = [csv, tmp_path / "p.parquet", tmp_path / "p.xlsx", table]
    hashes = {read_records(practice=source).data_hash for source in inputs}
    assert len(hashes) == 1


def test_parquet_with_categories_and_floats(tmp_path):
    table = frame([{"makes": 4.0, "minutes": None}, {"player": "P02", "minutes": 3.5}])
    table["mode"] = table["mode"].astype("category")
    table.to_parquet(tmp_path / "p.parquet")
    practice = read_records(tmp_path / "p.parquet").practice
    assert practice["makes"].tolist() == [4, 4]
    assert practice["minutes"].isna().tolist() == [True, False]


def test_broken_parquet_and_workbook(tmp_path):
    for name, word in (("g.parquet", "Parquet"), ("g.xlsx", "workbook")):
        path = put(tmp_path, name, "no such thing")
        assert word in refused(games=path)["rule"][0]


def test_workbook_holds_several_tables(tmp_path):
    practice = [line.split(",") for line in PRACTICE.splitlines()]
    games = [line.split(",") for line in GAMES.splitlines()]
    path = workbook(tmp_path / "s.xlsx", {"Practice": practice, "Games": games})
    records = read_records(path, path)
    assert records.practice["attempts"].sum() == 33
    assert records.games["makes"].sum() == 2
    assert [s["sheet"] for s in records.sources] == ["Practice", "Games"]


def test_text_numbers_in_a_workbook_are_read_and_said(tmp_path):
    path = workbook(tmp_path / "g.xlsx", {"games": [HEAD, ["2025-11-10", "G1", "P1", "3", 1]]})
    records = read_records(games=path)
    note = severities(records, "note").iloc[0]
    assert (note["row"], note["column"], note["value"]) == (2, "attempts", "3")


def test_formulas_and_error_cells_are_problems(tmp_path):
    rows = [HEAD, [datetime.date(2025, 11, 10), "G1", "P1", "=1+2", 1], [],
            [datetime.date(2025, 11, 11), "G2", "P1", "#REF!", 0]]  # fmt: skip
    table = refused(games=workbook(tmp_path / "g.xlsx", {"games": rows}))
    assert table["row"].tolist() == [2, 4]
    assert table["rule"].tolist() == ["the cell holds a formula",
                                      "the cell holds a spreadsheet error"]  # fmt: skip
    assert table["value"].tolist() == ["=1+2", "#REF!"]


def test_sheet_must_be_clear(tmp_path):
    path = workbook(tmp_path / "g.xlsx", {"Game": [HEAD], "Other": [HEAD]})
    problem = refused(games=path).iloc[0]
    assert "'Game'" in problem["next_step"]


def test_empty_sheet_and_cells_without_header(tmp_path):
    path = workbook(tmp_path / "g.xlsx", {"games": []})
    assert "empty" in refused(games=path)["rule"][0]
    path = workbook(tmp_path / "h.xlsx", {"games": [HEAD, ["2025-11-10", "G", "P", 3, 1, "x"]]})
    assert "right of" in refused(games=path)["rule"][0]


def test_line_numbers_survive_blank_lines_and_quoted_breaks(tmp_path):
    text = ('\n\ndate,game,player,attempts,makes,opponent\n\n2025-11-10,G1,P1,3,1,"two\nlines"\n'
            ",,,,,\n2025-11-10,G2,P1,3,9,X\n")  # fmt: skip
    table = refused(games=put(tmp_path, "g.csv", text))
    assert table[table["column"] == "makes"]["row"].tolist() == [8]
    assert table[table["column"] == "opponent"]["row"].tolist() == [5]


def test_ragged_rows_are_placed(tmp_path):
    text = GAMES + "2025-11-11,G02,P01,3\n2025-11-12,G03,P01,3,1,9\n"
    table = refused(games=put(tmp_path, "g.csv", text))
    ragged = table[table["rule"].str.startswith("the row has")]
    assert ragged["row"].tolist() == [4, 5]
    assert ragged["rule"].tolist() == ["the row has 4 cells, the header 5",
                                       "the row has 6 cells, the header 5"]  # fmt: skip


def test_trailing_separators_of_a_spreadsheet_are_forgiven(tmp_path):
    text = "\n".join(f"{line}," for line in GAMES.splitlines())
    records = read_records(games=put(tmp_path, "g.csv", text))
    assert records.games["attempts"].sum() == 5


def test_headers_are_forgiven(tmp_path):
    text = GAMES.replace("date,game,player,attempts,makes", " Date ,GAME,Player,Attempts,Makes")
    assert read_records(games=put(tmp_path, "g.csv", text)).problems == ()


def test_levels_are_forgiven():
    practice = read_records(frame([{"mode": "Live", "contest": "Front and Trailing"}])).practice
    assert practice.loc[0, ["mode", "contest"]].tolist() == ["live", "front_and_trailing"]


def test_drill_defaults_fill_blanks_and_the_row_wins():
    drills = pd.DataFrame(
        {"drill": ["screen", "air"], "mode": ["live", "rep"], "contest": ["trailing", "none"],
         "spot": ["elbow", "block"], "target": [5, None]}
    )  # fmt: skip
    rows = pd.DataFrame(
        {"date": "2025-11-03", "session": 1, "player": "P01", "drill": ["screen", "air", "screen"],
         "attempts": [9, 10, 8], "makes": [5, 6, 3], "contest": ["", "", "front"],
         "set": [1, 1, 2]}
    )  # fmt: skip
    practice = read_records(rows, drills=drills).practice.set_index(["drill", "contest"])
    assert practice["mode"].to_dict() == {("air", "none"): "rep", ("screen", "trailing"): "live",
                                          ("screen", "front"): "live"}  # fmt: skip
    assert practice.loc[("screen", "front"), "target"] == 5
    assert practice.loc[("screen", "front"), "spot"] == "elbow"
    assert practice["target"].isna().sum() == 1


def test_drills_of_programs_do_not_mix():
    drills = pd.DataFrame({"drill": "screen", "program": ["A", "B"], "mode": ["live", "rep"],
                           "contest": ["trailing", "none"]})  # fmt: skip
    rows = frame([{"program": p, "drill": "screen", "mode": "", "contest": ""} for p in "AB"])
    practice = read_records(rows, drills=drills).practice
    assert practice.set_index("program")["mode"].to_dict() == {"A": "live", "B": "rep"}


def test_unknown_drill_is_warned_about_with_the_nearest():
    drills = pd.DataFrame({"drill": ["closeout"], "mode": ["live"], "contest": ["light"]})
    records = read_records(frame([{"drill": "closeut"}]), drills=drills)
    assert "'closeout'" in severities(records, "warning")["next_step"][0]


def test_player_missing_on_the_roster_is_a_warning():
    records = read_records(frame([{}]), roster=pd.DataFrame({"player": ["P02"]}))
    assert "not on the roster" in severities(records, "warning")["rule"][0]


def test_one_row_per_attempt_is_summed_with_minutes_counted_once():
    charted = [("yes", "block"), ("no", "block"), ("true", "elbow"), ("0", "elbow")]
    rows = frame([{"made": m, "minutes": 6, "spot": s} for m, s in charted])
    rows = rows.drop(columns=["attempts", "makes"])
    practice = read_records(rows).practice
    assert practice["attempts"].tolist() == [2, 2]
    assert practice["makes"].tolist() == [1, 1]
    assert practice["minutes"].sum() == pytest.approx(6)


def test_minutes_that_differ_inside_a_drill_are_refused():
    rows = frame([{"made": 1, "minutes": 6}, {"made": 0, "minutes": 7}])
    table = refused(practice=rows.drop(columns=["attempts", "makes"]))
    assert table["column"].tolist() == ["minutes"]


def test_numbered_attempts_reveal_a_row_entered_twice():
    rows = frame([{"made": 1, "attempt": a} for a in (1, 2, 2)])
    table = refused(practice=rows.drop(columns=["attempts", "makes"]))
    assert table["row"].tolist() == [3]


def test_sources_and_hash_tell_an_edit(tmp_path):
    path = put(tmp_path, "g.csv", GAMES)
    before = read_records(games=path)
    put(tmp_path, "g.csv", GAMES.replace("P01,3,1", "P01,3,2"))
    after = read_records(games=path)
    assert before.data_hash != after.data_hash
    assert before.sources[0]["sha256"] != after.sources[0]["sha256"]
    assert before.sources[0]["file"] == "g.csv"


@pytest.mark.parametrize(
    ("value", "text"),
    [(3.0, "3"), (3.5, "3.5"), (None, ""), (float("nan"), "NaN"), (True, "true"),
     (datetime.datetime(2025, 11, 3), "2025-11-03"), (pd.NaT, ""), (pd.NA, ""),
     (datetime.datetime(2025, 11, 3, 18, 5), "2025-11-03T18:05:00")],
)  # fmt: skip
def test_cell_text(value, text):
    assert cell_text(value) == text


def test_summary_is_plain(tmp_path):
    summary = read_records(frame([{}]), games_frame([{}])).to_dict()
    assert summary["tables"][0]["first"] == "2025-11-03"
    assert summary["tables"][1]["players"] == 1


def test_the_fingerprint_is_that_of_the_rows():
    practice = frame([{"attempts": 3, "makes": 1}, {"player": "P02", "distance_ft": 8.5}])
    same = read_records(practice.iloc[::-1][practice.columns[::-1]])
    reference = read_records(practice)
    assert same.data_hash == reference.data_hash
    for column, value in (("makes", 2), ("player", "P03"), ("distance_ft", 9.0), ("drill", "x")):
        changed = practice.assign(**{column: [value, *practice[column][1:]]})
        assert read_records(changed).data_hash != reference.data_hash
    shifted = practice.assign(player=["P0", "1P02"])  # the same letters, parted elsewhere
    plain = practice.assign(player=["P01", "P02"])
    assert read_records(shifted).data_hash != read_records(plain).data_hash
