"""Every kind of bad input is caught, placed and explained; all of it at once."""

from __future__ import annotations

import pandas as pd
import pytest
from records_samples import GAMES, PRACTICE, frame, games_frame, put, refused, severities

from transfer.errors import ArgumentError, RecordsError
from transfer.records.cells import build_cells
from transfer.records.problems import LISTED, nearest
from transfer.records.reading import read_records


def one(table: pd.DataFrame, column: str) -> pd.Series:
    """The only problem of a column."""
    found = table[table["column"] == column]
    assert len(found) == 1, table.to_string()
    return found.iloc[0]


def test_clean_files_have_no_problem(tmp_path):
    practice = put(tmp_path, "p.csv", PRACTICE)
    records = read_records(practice, put(tmp_path, "g.csv", GAMES))
    assert len(records.problems) == 0
    assert records.practice is not None
    assert records.practice["attempts"].sum() == 33
    assert "17 makes of 33 attempts by 2 players" in records.text


def test_all_files_are_reported_together(tmp_path):
    practice = put(tmp_path, "p.csv", PRACTICE.replace("10,6", "10,16"))
    games = put(tmp_path, "g.csv", GAMES.replace("G01,P02,2,1", "G01,P02,two,1"))
    table = refused(practice=practice, games=games)
    assert set(table["file"]) == {"p.csv", "g.csv"}
    assert len(table) == 2


def test_makes_above_attempts_names_line_and_both_counts(tmp_path):
    path = put(tmp_path, "p.csv", PRACTICE.replace("12,7", "12,13"))
    problem = one(refused(practice=path), "makes")
    assert problem["row"] == 3
    assert problem["value"] == "makes 13, attempts 12"
    assert "at most attempts" in problem["rule"]


@pytest.mark.parametrize(
    ("value", "word"),
    [("-3", "negative"), ("2.5", "fractional"), ("1e1", "fractional"), ("five", "digits"),
     ("1,000", "separators"), ("inf", "digits"), ("99999", "between")],
)  # fmt: skip
def test_counts_are_whole_and_not_negative(value, word):
    problem = one(refused(practice=frame([{"attempts": value, "makes": 0}])), "attempts")
    assert problem["value"] == value
    assert word in problem["rule"] + problem["next_step"]


@pytest.mark.parametrize("value", [None, float("nan"), "", "NaN", "n/a"])
def test_blank_counts_are_refused(value):
    problem = one(refused(practice=frame([{"attempts": 5}, {"player": "P2", "attempts": value}])),
                  "attempts")  # fmt: skip
    assert problem["row"] == 2
    assert "needed in every row" in problem["rule"]


@pytest.mark.parametrize(
    ("column", "value", "guess"),
    [("mode", "liv", "live"), ("contest", "trialing", "trailing"), ("entry", "dribbel", "dribble"),
     ("footwork", "1_foot", "one_foot"), ("contest", "front+trailing", "front_and_trailing")],
)  # fmt: skip
def test_unknown_level_names_the_nearest(column, value, guess):
    problem = one(refused(practice=frame([{column: value}])), column)
    assert problem["value"] == value
    assert guess in problem["next_step"]


def test_unknown_level_without_a_near_one_lists_the_levels():
    problem = one(refused(practice=frame([{"mode": "zzz"}])), "mode")
    assert "rep, live" in problem["rule"]
    assert "did you mean" not in problem["next_step"]


@pytest.mark.parametrize(
    ("value", "word"),
    [("03/11/2025", "day-first"), ("11/03/2025", "day-first"), ("2025-02-30", "no such day"),
     ("2025-13-01", "no such day"), ("yesterday", "year-month-day"), ("1066-10-14", "1900"),
     ("20251103", "year-month-day"), ("2025-11-03 18:30", "year-month-day")],
)  # fmt: skip
def test_dates_are_iso_and_possible(value, word):
    problem = one(refused(practice=frame([{"date": value}])), "date")
    assert word in problem["rule"] + problem["next_step"]


def test_duplicate_row_key_points_to_the_first_row(tmp_path):
    path = put(tmp_path, "p.csv", PRACTICE + "2025-11-03,1,P02,on_air,rep,none,3,1\n")
    problem = one(refused(practice=path), "player")
    assert problem["row"] == 6
    assert problem["value"] == "as in row 3"
    assert "occurs once" in problem["rule"]


def test_rows_of_one_attempt_in_count_form_are_told_about_made():
    rows = [{"attempts": 1, "makes": m} for m in (0, 1, 1)]
    table = refused(practice=frame(rows))
    assert table["next_step"].str.contains("use the column made").all()


def test_sets_numbered_apart_are_no_duplicates():
    rows = frame([{"set": 1, "target": 5, "makes": 5}, {"set": 2, "target": 5, "makes": 4}])
    assert len(read_records(rows).practice) == 2


def test_a_set_cannot_hold_more_makes_than_its_target():
    problem = one(refused(practice=frame([{"target": 3, "makes": 4}])), "target")
    assert problem["value"] == "target 3, makes 4"


def test_player_in_games_only_is_a_note_not_an_error():
    records = read_records(frame([{}]), games_frame([{}, {"player": "P09"}]))
    notes = severities(records, "note")
    assert list(notes["value"]) == ["P09"]
    assert "not in practice" in notes["rule"][0]
    assert notes["row"][0] == 2


def test_missing_column_suggests_the_near_miss(tmp_path):
    path = put(tmp_path, "p.csv", PRACTICE.replace("attempts,makes", "atempts,makes"))
    problem = one(refused(practice=path), "attempts")
    assert problem["row"] == 1
    assert "rename 'atempts'" in problem["next_step"]


def test_missing_column_without_near_miss(tmp_path):
    path = put(tmp_path, "g.csv", "date,player,attempts,makes\n2025-11-10,P01,1,0\n")
    problem = one(refused(games=path), "game")
    assert "add the column 'game'" in problem["next_step"]


def test_missing_counts_mention_the_other_form(tmp_path):
    path = put(tmp_path, "g.csv", "date,game,player\n2025-11-10,G1,P01\n")
    assert refused(games=path)["next_step"].str.contains("made").all()


def test_missing_mode_without_drills():
    problem = one(refused(practice=frame([{}]).drop(columns="mode")), "mode")
    assert "no drill supplies it" in problem["rule"]


@pytest.mark.parametrize("text", ["", "\n\n", "\ufeff", "date,game,player,attempts,makes\n"])
def test_empty_files(tmp_path, text):
    table = refused(games=put(tmp_path, "g.csv", text))
    assert table["rule"].str.contains("empty").any()


def test_missing_file_is_a_problem_beside_the_others(tmp_path):
    practice = put(tmp_path, "p.csv", PRACTICE.replace("10,6", "10,x"))
    table = refused(practice=practice, games=tmp_path / "absent.csv")
    assert set(table["file"]) == {"p.csv", "absent.csv"}
    assert table["rule"].str.contains("cannot be opened").any()


def test_unknown_ending(tmp_path):
    table = refused(games=put(tmp_path, "g.ods", GAMES))
    assert ".xlsx" in table["next_step"][0]


def test_wrong_encoding_names_line_and_byte(tmp_path):
    path = tmp_path / "g.csv"
    path.write_bytes(GAMES.encode() + "2025-11-11,G02,Pé,1,0\n".encode("latin-1"))
    problem = refused(games=path).iloc[0]
    assert "UTF-8" in problem["rule"]
    assert problem["row"] == 4
    assert problem["value"] == "byte 0xe9"


def test_utf16_without_mark_is_reported(tmp_path):
    path = tmp_path / "g.csv"
    path.write_bytes(GAMES.encode("utf-16-le"))
    assert "encoding" in refused(games=path)["rule"][0]


def test_workbook_named_csv(tmp_path):
    path = tmp_path / "g.csv"
    path.write_bytes(b"PK\x03\x04rest")
    assert "workbook" in refused(games=path)["rule"][0]


def test_programs_with_equal_codes_need_the_column_everywhere():
    practice = frame([{"program": "A"}, {"program": "B"}])
    problem = one(refused(practice=practice, games=games_frame([{}])), "program")
    assert problem["file"] == "games (data frame)"
    assert "more than one program (A, B)" in problem["rule"]
    assert "equal codes would be mixed" in problem["rule"]


def test_blank_program_beside_two_programs_is_refused_by_row():
    rows = [{"program": "A"}, {"program": "B"}, {"program": "", "player": "P02"}]
    problem = one(refused(practice=frame(rows)), "program")
    assert problem["row"] == 3
    assert problem["value"] == "P02"


def test_the_only_program_fills_blanks_and_says_so():
    records = read_records(frame([{"program": "A"}]), games_frame([{}]))
    assert set(records.games["program"]) == {"A"}
    assert "only one" in severities(records, "note")["rule"][0]


def test_equal_codes_on_a_roster_hint_at_two_programs():
    roster = pd.DataFrame({"player": ["P01", "P01"], "position": ["guard", "big"]})
    problem = one(refused(practice=frame([{}]), roster=roster), "player")
    assert "two programs" in problem["next_step"]


def test_signs_of_mixing_without_a_program_column_are_warned_about():
    games = games_frame([{"opponent": "X"}, {"game": "G07", "opponent": "Y"},
                         {"player": "P02", "opponent": "Z"}])  # fmt: skip
    warnings = severities(read_records(games=games), "warning")
    assert warnings["rule"].str.contains("more than one game on the same day").sum() == 1
    assert warnings["rule"].str.contains("more than one opponent").sum() == 1


def test_attempts_after_the_seasons_end():
    games = games_frame([{"date": "2026-03-01"}, {"date": "2026-03-02", "game": "G02"}])
    problem = one(refused(games=games, season_end="2026-03-01"), "date")
    assert problem["row"] == 2
    assert problem["value"] == "2026-03-02"


def test_attempts_before_the_seasons_start():
    table = refused(games=games_frame([{"date": "2025-08-01"}]), season_start="2025-10-01")
    assert "starts on 2025-10-01" in one(table, "date")["rule"]


@pytest.mark.parametrize("header", ["Name", "first_name", "Player Name", "E-mail", "surname"])
def test_headers_of_names_are_warned_about_and_not_read(header):
    rows = frame([{}])
    rows[header.replace("E-mail", "email")] = "Ada Byron"
    records = read_records(rows)
    warning = severities(records, "warning").iloc[0]
    assert "codes" in warning["next_step"]
    assert "Ada" not in warning["value"]
    assert not records.practice.isin(["Ada Byron"]).any().any()


@pytest.mark.parametrize("text", ["Ada Byron", "Byron, Ada", "Anna-Lena O'Neil"])
def test_codes_that_look_like_names_are_masked(text):
    warnings = severities(read_records(frame([{"player": text}])), "warning")
    assert "look like names" in warnings["rule"][0]
    assert text not in warnings["value"][0]


@pytest.mark.parametrize("text", ["P01", "Guard 3", "A-12", "S1 P04", "p 7"])
def test_codes_are_not_taken_for_names(text):
    assert severities(read_records(frame([{"player": text}])), "warning").empty


def test_codes_that_differ_by_case_are_warned_about():
    warnings = severities(read_records(frame([{}, {"player": "p01"}])), "warning")
    assert "upper and lower case" in warnings["rule"][0]


def test_duplicated_headers(tmp_path):
    path = put(tmp_path, "g.csv", "date,game,player,attempts,makes,Makes\n2025-11-10,G,P,3,1,1\n")
    assert "more than once" in refused(games=path)["rule"][0]


def test_unknown_column_is_left_out_with_a_note():
    rows = frame([{"weather": "rain", "footwrk": "one_foot"}])
    records = read_records(rows)
    assert severities(records, "note")["column"].tolist() == ["weather"]
    assert "'footwork'" in severities(records, "warning")["next_step"][0]


def test_both_forms_at_once_are_refused():
    assert "either attempts" in refused(practice=frame([{"made": 1}]))["rule"][0]


def test_slash_in_player_code_is_refused():
    assert "'/'" in one(refused(practice=frame([{"player": "A/P01"}])), "player")["rule"]


@pytest.mark.parametrize(
    ("row", "column"),
    [({"blocked": 7}, "blocked"), ({"distance_ft": 200}, "distance_ft"),
     ({"distance_ft": "8,5"}, "distance_ft"), ({"minutes": -1}, "minutes"),
     ({"minutes": "6 min"}, "minutes"), ({"spot": "elbo"}, "spot"),
     ({"spot": "left_block", "side": "right"}, "side"), ({"target": 0}, "target")],
)  # fmt: skip
def test_other_rules(row, column):
    one(refused(practice=frame([row])), column)


def test_many_equal_problems_are_listed_then_summed_up():
    rows = [{"player": f"P{i}", "mode": "liv"} for i in range(LISTED + 30)]
    table = refused(practice=frame(rows))
    assert len(table) == LISTED + 1
    assert "30 more rows, 21 to 50" in table["rule"].iloc[-1]


def test_nothing_given_and_bad_arguments():
    with pytest.raises(ArgumentError, match="neither"):
        read_records()
    with pytest.raises(ArgumentError, match="season_end"):
        read_records(frame([{}]), season_end="1 March")
    with pytest.raises(ArgumentError, match="lane_16ft"):
        read_records(frame([{}]), rule_body="lane16")


def test_error_is_plain_values_for_json():
    with pytest.raises(RecordsError) as caught:
        read_records(frame([{"mode": "liv"}]))
    problem = caught.value.to_dict()["problems"][0]
    assert set(problem) == {"file", "sheet", "row", "column", "value", "rule", "next_step",
                            "severity", "count", "cause"}  # fmt: skip


def test_nearest_label():
    assert nearest("Front and trailing", ["front", "front_and_trailing"]) == "front_and_trailing"
    assert nearest("zzz", ["front"]) == ""


def test_season_spelled_two_ways_is_warned_about():
    practice = frame([{"season": "2025-26"}])
    records = read_records(practice, games_frame([{"season": "2025/26"}]))
    warnings = severities(records, "warning")
    assert warnings["column"].tolist() == ["season", "season"]
    assert "'2025-26'" in warnings["next_step"][0]


def test_a_spreadsheets_day_number_is_recognised():
    assert "day number" in one(refused(practice=frame([{"date": 45964}])), "date")["next_step"]


def test_very_many_different_values_are_summed_up():
    rows = [{"player": f"P{i}", "mode": f"x{i}"} for i in range(130)]
    table = refused(practice=frame(rows))
    assert len(table) == 101
    assert table["rule"].str.contains("30 more different values").sum() == 1


def test_names_are_masked_in_every_problem():
    records = read_records(frame([{"player": "Ada Byron"}]), games_frame([{}]))
    text = records.quality.to_string()
    assert "Ada" not in text
    assert "A…" not in text
    assert "(a name, not shown)" in text


def test_a_drills_table_without_rows_is_named(tmp_path):
    practice = tmp_path / "practice.csv"
    practice.write_text(
        "date,session,player,drill,mode,contest,attempts,makes\n"
        "2026-01-05,1,P01,D1,rep,none,10,6\n",
        encoding="utf-8",
    )
    drills = tmp_path / "drills.csv"
    drills.write_text("drill,mode,contest\n", encoding="utf-8")
    with pytest.raises(RecordsError) as caught:
        read_records(practice=practice, drills=drills)
    assert [p["file"] for p in caught.value.problems if p["severity"] == "error"] == ["drills.csv"]


def test_contest_that_nobody_charted_is_unknown_and_counted():
    records = read_records(frame([{"contest": "unknown", "mode": "live"}, {"player": "P02"}]))
    (note,) = [p for p in records.problems if p.cause == "contest is unknown"]
    assert (note.severity, note.count) == ("note", 1)
    assert note.rule == "contest is unknown in 1 of 2 rows (10 attempts)"
    assert build_cells(records).settings == ("rep/none", "live/unknown")


@pytest.mark.parametrize("rows", [[{"contest": ""}, {"player": "P02"}], None])
def test_contest_is_needed_by_settings_that_hold_it_only(rows):
    table = frame(rows or [{"mode": "live"}])
    table = table if rows else table.drop(columns="contest")
    assert refused(practice=table)["column"].tolist() == ["contest"]
    records = read_records(table, settings="mode")
    assert "unknown" in records.practice["contest"].tolist()
    assert build_cells(records, "mode").settings == (("rep",) if rows else ("live",))


def test_a_game_of_unknown_contest_counts_like_a_blank():
    games = games_frame([{"contest": "unknown"}, {"contest": "", "game": "G02"}])
    cells = build_cells(read_records(frame([{}]), games), game_contest=True)
    assert cells.table.query("mode == 'game'")[["contest", "n"]].to_numpy().tolist() == [["", 6]]
