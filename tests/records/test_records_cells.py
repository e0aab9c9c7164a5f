"""Cells, session cells and weekly cells by hand-counted examples."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from records_samples import frame, games_frame

from transfer.errors import ArgumentError, RecordsError
from transfer.records.cells import attempt_pace, build_cells, session_cells, weekly_cells
from transfer.records.reading import read_records

LIVE = {"drill": "screen", "mode": "live", "contest": "trailing"}


def sample(**extra):
    practice = frame(
        [{"minutes": 2}, {"date": "2025-11-05", "attempts": 8, "makes": 6, "minutes": 3},
         {**LIVE, "attempts": 5, "makes": 2, "minutes": 4},
         {**LIVE, "contest": "light", "attempts": 4, "makes": 3, "minutes": 4},
         {"player": "P02", "attempts": 20, "makes": 11, "minutes": None}]
    )  # fmt: skip
    games = games_frame([{}, {"game": "G02", "date": "2025-11-12", "attempts": 2, "makes": 2}])
    return read_records(practice.assign(**extra), games)


def test_cells_by_hand():
    cells = build_cells(sample())
    got = cells.table.set_index(["unit", "setting"])[["n", "y"]].apply(tuple, axis=1).to_dict()
    assert got == {
        ("P01", "rep/none"): (18, 10), ("P01", "live/light"): (4, 3),
        ("P01", "live/trailing"): (5, 2), ("P01", "game"): (5, 3), ("P02", "rep/none"): (20, 11),
    }  # fmt: skip
    assert cells.settings == ("rep/none", "live/light", "live/trailing")
    assert cells.modes == ("rep", "live", "live")
    assert cells.units == ("P01", "P02")
    assert cells.table["mode"].tolist() == ["rep", "live", "live", "game", "rep"]


def test_minutes_add_up_and_stay_unknown_when_one_row_lacks_them():
    table = build_cells(sample()).table.set_index(["unit", "setting"])["minutes"]
    assert table["P01", "rep/none"] == 5
    assert math.isnan(table["P02", "rep/none"])
    assert math.isnan(table["P01", "game"])


def test_game_minutes_count_once_per_game():
    games = games_frame([{"contest": "light", "minutes": 24}, {"contest": "none", "minutes": 24}])
    records = read_records(games=games)
    assert build_cells(records).table["minutes"].tolist() == [24]


def test_settings_choose_columns_and_mode_stays_first():
    by_mode = build_cells(sample(), ("mode",))
    assert by_mode.settings == ("rep", "live")
    assert build_cells(sample(), "contest,mode").settings == build_cells(sample()).settings
    entry = build_cells(sample(entry=["catch", "catch", "turn", "", "catch"]), ("mode", "entry"))
    assert entry.settings == ("rep/catch", "live/turn", "live/not_charted")


def test_unknown_or_uncharted_setting():
    with pytest.raises(ArgumentError, match="contest"):
        build_cells(sample(), ("mode", "contst"))
    with pytest.raises(RecordsError, match="footwork"):
        build_cells(sample(), ("mode", "footwork"))


@pytest.mark.parametrize(
    ("programs", "seasons", "unit"),
    [("AA", ["s1", "s1"], "P01"), ("AB", ["s1", "s1"], "A/P01"), ("AA", ["s1", "s2"], "s1/P01"),
     ("AB", ["25/26", "26/27"], "A/25/26/P01")],
)  # fmt: skip
def test_unit_keys_hold_the_parts_that_vary(programs, seasons, unit):
    rows = frame([{"program": p, "season": s, "player": f"P0{i + 1}"} for i, (p, s) in
                  enumerate(zip(programs, seasons, strict=True))])  # fmt: skip
    cells = build_cells(read_records(rows))
    assert cells.units[0] == unit
    assert len(cells.units) == 2


def test_equal_codes_of_two_programs_stay_two_units():
    rows = frame([{"program": "A"}, {"program": "B"}])
    assert build_cells(read_records(rows)).units == ("A/P01", "B/P01")


def test_blocked_is_a_missed_attempt_and_a_fouled_miss_none_unless_asked():
    records = read_records(frame([{"attempts": 10, "makes": 4, "blocked": 2, "fouled": 3}]))
    assert build_cells(records).table[["n", "y"]].to_numpy().tolist() == [[10, 4]]
    switched = build_cells(records, fouled_miss_counts=True)
    assert switched.table[["n", "y"]].to_numpy().tolist() == [[13, 4]]


def test_fouls_in_one_row_per_attempt():
    rows = frame([{"made": m, "fouled": f, "blocked": b} for m, f, b in
                  [(1, 0, 0), (1, 1, 0), (0, 1, 0), (0, 0, 1), (0, 0, 0)]])  # fmt: skip
    records = read_records(rows.drop(columns=["attempts", "makes"]))
    assert build_cells(records).table[["n", "y"]].to_numpy().tolist() == [[4, 2]]
    assert build_cells(records, fouled_miss_counts=True).table["n"].tolist() == [5]
    assert records.practice[["blocked", "fouled"]].to_numpy().tolist() == [[1, 1]]


def test_distance_is_weighted_by_attempts():
    rows = frame([{"distance_ft": 6, "attempts": 30}, {"distance_ft": 10, "attempts": 10},
                  {"drill": "other", "attempts": 10}])  # fmt: skip
    cells = build_cells(read_records(rows), distance=True)
    assert cells.table["distance_ft"].tolist() == [7.0]
    assert "distance_ft" not in build_cells(sample(), distance=True).table


def test_game_contest_and_defenders_split_cells():
    practice = frame([{**LIVE, "defender": "P07"}, {**LIVE, "defender": "P08"},
                      {"defender": "P07"}])  # fmt: skip
    games = games_frame([{"contest": "light"}, {"contest": "none"}])
    records = read_records(practice, games)
    assert len(build_cells(records).table) == 3
    split = build_cells(records, game_contest=True, defenders=True).table
    assert split[split["setting"] == "game"]["contest"].tolist() == ["light", "none"]
    assert split[split["mode"] == "live"]["defender"].tolist() == ["P07", "P08"]
    assert split[split["mode"] == "rep"]["defender"].tolist() == [""]


def test_second_charting_never_enters_the_counts():
    rows = frame([{}, {"charter": "C2", "second_chart": "yes", "makes": 5}])
    records = read_records(rows)
    assert build_cells(records).table[["n", "y"]].to_numpy().tolist() == [[10, 4]]
    assert session_cells(records)["n"].sum() == 10


def test_no_attempt_at_all():
    with pytest.raises(RecordsError, match="no attempt"):
        build_cells(read_records(games=games_frame([{"attempts": 0, "makes": 0}])))


def test_games_only_and_practice_only():
    assert build_cells(read_records(games=games_frame([{}]))).settings == ()
    assert build_cells(read_records(frame([{}]))).settings == ("rep/none",)


def test_session_cells_keep_sets_and_mark_those_that_reached_the_target():
    first = {"target": 5, "set": 1, "attempts": 11, "makes": 5}
    second = {"target": 5, "set": 2, "attempts": 9, "makes": 4}
    rows = frame([first, second, {"drill": "free"}])
    table = session_cells(read_records(rows))
    sets = table[table["set_id"] >= 0]
    assert sets[["target", "n", "y", "stopped"]].to_numpy().tolist() == [
        [5, 11, 5, True], [5, 9, 4, False]
    ]  # fmt: skip
    free = table[table["set_id"] < 0]
    assert free[["n", "y", "stopped"]].to_numpy().tolist() == [[10, 4, False]]


def test_a_set_over_two_spots_is_one_set():
    rows = frame([{"target": 5, "spot": "left_block", "attempts": 6, "makes": 3},
                  {"target": 5, "spot": "right_block", "attempts": 5, "makes": 2}])  # fmt: skip
    table = session_cells(read_records(rows))
    assert table[["n", "y", "stopped"]].to_numpy().tolist() == [[11, 5, True]]


def test_session_cells_hold_games():
    games = session_cells(sample()).query("setting == 'game'")
    assert games["session"].tolist() == ["G01", "G02"]
    assert games["n"].tolist() == [3, 2]


def test_weekly_cells_by_hand():
    practice = frame([{"minutes": 5}, {**LIVE, "minutes": 7},
                      {"date": "2025-11-19", "minutes": 6, "attempts": 12}])  # fmt: skip
    weekly = weekly_cells(read_records(practice, games_frame([{}])))
    assert weekly.weeks == 3
    assert str(weekly.starts[""]) == "2025-11-03"
    table = weekly.table.set_index(["week", "mode"])
    assert len(table) == 9
    assert table.loc[(0, "rep"), ["n", "y", "minutes"]].tolist() == [10, 4, 5]
    assert table.loc[(0, "live"), "minutes"] == 7
    assert table.loc[(1, "rep"), ["n", "y", "minutes"]].tolist() == [0, 0, 0]
    assert table.loc[(1, "game"), ["n", "y"]].tolist() == [3, 1]
    assert table.loc[(2, "rep"), "n"] == 12
    assert set(weekly.games["mode"]) == {"game"}
    assert set(weekly.practice["mode"]) == {"rep", "live"}


def test_weeks_run_monday_to_sunday_from_the_seasons_start():
    practice = frame([{"date": "2025-11-09", "minutes": 1}, {"date": "2025-11-10", "minutes": 1}])
    records = read_records(practice)
    rep = weekly_cells(records).practice.query("n > 0")
    assert rep["week"].tolist() == [0, 1]
    early = weekly_cells(records, season_start="2025-10-29").practice.query("n > 0")
    assert early["week"].tolist() == [1, 2]
    with pytest.raises(ArgumentError, match="season_start"):
        weekly_cells(records, season_start="2025-11-12")


def test_weekly_minutes_are_never_guessed():
    records = sample()
    with pytest.raises(RecordsError, match="1 of 5 practice rows lack minutes") as caught:
        weekly_cells(records)
    assert caught.value.problems[0]["value"] == "2025-11-03, session 1, P02, on_air"
    allowed = weekly_cells(records, minutes="allow_missing").table
    unknown = allowed[allowed["minutes"].isna() & (allowed["mode"] != "game")]
    assert unknown[["unit", "week", "mode"]].to_numpy().tolist() == [["P02", 0, "rep"]]
    with pytest.raises(ArgumentError, match="minutes"):
        weekly_cells(records, minutes="guess")  # type: ignore[arg-type]


def test_weekly_cells_need_practice():
    with pytest.raises(RecordsError, match="no practice"):
        weekly_cells(read_records(games=games_frame([{}])))


def test_pace_is_measured_on_rows_with_minutes():
    pace = attempt_pace(sample()).set_index("setting")
    assert pace.loc["rep", "per_minute"] == pytest.approx(18 / 5)
    assert pace.loc["rep", "share_charted"] == pytest.approx(18 / 38)
    assert pace.loc["live", "per_minute"] == pytest.approx(9 / 8)
    bare = attempt_pace(read_records(frame([{}])))
    assert bare["per_minute"].isna().all()


def test_hash_tells_cells_apart():
    one, two = build_cells(sample()), build_cells(sample(), ("mode",))
    assert one.data_hash == build_cells(sample()).data_hash
    assert one.data_hash != two.data_hash
    assert isinstance(one.table, pd.DataFrame)
