"""A season with many mistakes of few kinds is told in few lines, and told rightly."""

from __future__ import annotations

import json
import re

import pandas as pd
import pytest
from bad_season import bad_season
from records_samples import frame, games_frame, put, refused

from transfer.errors import RecordsError
from transfer.records.causes import by_cause, cause_lines
from transfer.records.problems import Problem, Problems
from transfer.records.reading import read_records


def told(**inputs):
    with pytest.raises(RecordsError) as caught:
        read_records(**inputs)
    return caught.value


def folded(error):
    return by_cause(Problem(**problem) for problem in error.problems)


@pytest.fixture(scope="module")
def bad(tmp_path_factory):
    return bad_season(tmp_path_factory.mktemp("bad"))


def test_a_bad_season_is_told_in_a_dozen_lines_or_so(bad):
    error = told(**bad)
    lines = cause_lines(error.problems)
    assert len(error.problems) > 1000
    assert len(lines) <= 16
    assert all(line["rule"] and line["next_step"] for line in lines)


def test_counts_of_a_cause_are_those_of_the_file(bad):
    games, practice = (pd.read_csv(bad[name], dtype=str) for name in ("games", "practice"))
    counted = {(c["file"], *c["columns"]): c for c in folded(told(**bad)) if c["count"] > 100}
    iso = r"\d{4}-\d{2}-\d{2}"
    dates = counted["games.csv", "date"]
    assert dates["count"] == (~games["date"].str.fullmatch(iso)).sum()
    assert dates["first_rows"] == list(games.index[~games["date"].str.fullmatch(iso)][:3] + 2)
    assert dates["more_rows"] == dates["count"] - 3
    assert counted["games.csv", "makes"]["count"] == (games["makes"] == "-").sum()
    assert counted["games.csv", "minutes"]["count"] == len(games)
    written = practice["date"].dropna()
    assert counted["practice.csv", "date"]["count"] == (~written.str.fullmatch(iso)).sum()
    known = ["none", "trailing", "Trailing", "front"]
    contests = practice["contest"].dropna()
    assert counted["practice.csv", "contest"]["count"] == (~contests.isin(known)).sum()


def test_more_distinct_values_than_are_listed_are_all_counted():
    rows = [{"player": f"P{i}", "mode": f"x{i // 2}"} for i in range(260)]
    (cause,) = folded(told(practice=frame(rows)))
    assert cause["count"] == 260
    assert cause["first_rows"] == [1, 2, 3]
    assert cause["more_rows"] == 257
    assert cause["values"] == ["x100", "x0", "x1", "…"]  # the sum of those not listed comes first


def test_next_steps_are_told_apart_by_value_or_column():
    error = told(practice=frame([{"mode": "liv"}, {"mode": "zzz"}, {"mode": "zzz"}]))
    (cause,) = folded(error)
    assert cause["next_step"] == "zzz: use one of the levels; liv: did you mean 'live'?"
    (missing,) = folded(told(games=games_frame([{}]).drop(columns=["game", "date"])))
    assert missing["next_step"] == "date: add the column 'date'; game: add the column 'game'"
    assert missing["rule"] == "a column that is needed is missing"


def test_a_problem_of_the_file_has_no_row():
    problems = Problems()
    problems.add(("a.csv", ""), "the rule", "do this")
    (line,) = cause_lines(p.to_dict() for p in problems.found)
    assert line["rows"] == ""


def test_check_prints_the_lines_and_json_holds_causes_and_rows(bad, run, run_json):
    words = [word for name, path in bad.items() for word in (f"--{name}", path)]
    code, out, _ = run("check", *words)
    assert code == 2
    causes = folded(told(**bad))
    table = out.split("\n\n")[0].splitlines()[1:]
    assert len(table) - 2 == len(causes)
    assert re.search(r"practice.csv +16, 17, 18 and \d+ more +date ", out)
    assert ".0 " not in out
    assert not any(name in out for name in ("Ada", "Byron", "Grace", "Hopper", "A…", "G…"))
    code, shown = run_json("check", *words)
    assert code == 2
    assert shown["causes"] == json.loads(json.dumps(causes))
    assert len(shown["problems"]) > 1000
    code, out, err = run("rates", *words)
    assert (code, out) == (2, "")
    assert len(err.splitlines()) <= len(causes) + 3


@pytest.mark.parametrize(
    ("code", "shown"),
    [("Ada Byron/1", "(a name, not shown)"), ("A/P01", "A/P01"),
     ("P/" + "x" * 40, "(42 characters, not shown)")],
)  # fmt: skip
def test_a_code_is_shown_whole_or_not_at_all(code, shown):
    table = refused(practice=frame([{"player": code}]))
    assert table["value"].tolist() == [shown]


def test_a_row_of_another_length_does_not_repeat_what_stands_in_it(tmp_path):
    text = "date,game,player,attempts,makes\n2025-11-10,G01,Byron, Ada,3,1\n"
    table = refused(games=put(tmp_path, "g.csv", text))
    assert table["value"].tolist() == ["6 cells"]


def step(column, **inputs):
    table = refused(**inputs)
    return " ".join(table.loc[table["column"] == column, "next_step"])


def test_a_column_that_stands_already_is_not_advised_as_a_new_name():
    rows = games_frame([{"distance_ft": 8, "distance": 8}])
    records = read_records(games=rows)
    assert all("distance_ft" not in problem.next_step for problem in records.problems)
    assert (
        "rename it to 'distance_ft'"
        in read_records(games=rows.drop(columns="distance_ft")).problems[0].next_step
    )


def test_one_header_is_not_advised_two_names():
    rows = games_frame([{}]).drop(columns=["attempts", "makes"]).assign(makets=3)
    steps = refused(games=rows)["next_step"]
    assert steps.str.contains("rename 'makets'").sum() == 1


def test_made_is_not_advised_beside_counts():
    assert "made" not in step("attempts", games=games_frame([{}]).drop(columns="attempts"))


def test_thousands_are_not_advised_as_a_distance():
    assert "write 8.5" in step("distance_ft", practice=frame([{"distance_ft": "8,5"}]))
    assert "write 300" not in step("distance_ft", practice=frame([{"distance_ft": "300,5"}]))


def test_another_program_is_advised_only_where_none_is_written():
    roster = pd.DataFrame({"player": ["P01", "P01"], "program": ["A", "A"]})
    advice = step("player", practice=frame([{"program": "A"}]), roster=roster)
    assert "program" not in advice


def test_an_attempt_entered_twice_has_no_counts_to_add():
    rows = frame([{"made": 1, "attempt": 1}] * 2).drop(columns=["attempts", "makes"])
    assert step("player", practice=rows) == "delete the row, or correct the number of the attempt"


def test_a_table_that_is_needed_is_not_advised_to_be_left_out():
    empty = games_frame([{}]).iloc[:0]
    assert step("", practice=frame([{}]), games=empty) == "fill in the table"


def test_contests_of_other_words_are_not_taken_for_a_near_spelling():
    assert "did you mean" not in step("contest", practice=frame([{"contest": "tight"}]))


def test_unread_dates_are_no_sign_of_two_programs():
    error = told(games=games_frame([{"date": "x"}, {"date": "y", "game": "G02"}]))
    assert not any("two programs" in problem["rule"] for problem in error.problems)
