"""No cell that leaves the package is a formula, and the reader gives every text back."""

from __future__ import annotations

import csv
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from records_samples import games_frame

from transfer.records.exports import csv_text, restored_cell, safe_cell, write_csv
from transfer.records.reading import read_records

#: Signs that start a formula in a spreadsheet (OWASP page on CSV injection, from memory).
SIGNS = ("=", "+", "-", "@", "＝", "＋", "－", "＠")
ATTACKS = ["=1+1", "+1+cmd|' /C calc'!A0", "-2+3", "@SUM(A1)", "\t=1", "\r=1", " =1", "'=1",
           "''=1", "x;=1", 'a";=cmd|x', "a\n=1", "＝1", "\x00=1", "-", "=", "x\t@y"]  # fmt: skip
texts = st.one_of(
    st.text(max_size=12),
    st.text(st.sampled_from([*"=+-@'\";\t\r\n ,a1.e", "＝"]), max_size=8),
    st.sampled_from(ATTACKS),
)


def armed(cell: str) -> bool:
    """Whether a spreadsheet would run the cell: a sign first, blanks and line ends aside."""
    bare = cell.lstrip(" \t\r\n\x00\"'") if cell[:1] != "'" else ""
    is_number = cell.replace(".", "", 1).lstrip("+-").isdigit()
    return bare.startswith(SIGNS) and not is_number


@settings(max_examples=300, deadline=None)
@given(texts)
@example("'-1")
@example("\t\t=1")
@example(";'=;=")
def test_a_text_comes_back(text):
    safe = safe_cell(text)
    assert restored_cell(safe) == text
    if safe != text:
        assert len(safe) > len(text)


@pytest.mark.parametrize("attack", ATTACKS)
@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_no_cell_is_run_in_any_locale(attack, separator):
    """A spreadsheet that expects another separator splits the line elsewhere."""
    written = csv_text(pd.DataFrame({"a": [attack], "b": ["x"], attack: [1]}))
    for line in written.splitlines():
        for cell in line.split(separator):
            assert not armed(cell.strip('"'))
    for row in csv.reader(io.StringIO(written, newline=""), delimiter=separator):
        assert not any(armed(cell) for cell in row)


def test_the_check_above_can_fail():
    assert all(armed(text) for text in ("=1+1", "@SUM(A1)", "-2+3", " =1"))
    assert not any(armed(text) for text in ("'=1", "-2", "+3.5", "x=1", ""))


@pytest.mark.parametrize("value", [-1, -1.5, None, True, "-1", "+2.5e-3", "P01", "a-b", "it's", ""])
def test_numbers_and_plain_texts_stay(value):
    assert safe_cell(value) is value


#: Beyond these a column that also holds fractions cannot keep every digit.
EXACT_INTEGERS = st.integers(-(2**53), 2**53)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(texts, st.floats() | EXACT_INTEGERS, texts), min_size=1, max_size=4))
def test_a_table_comes_back_through_csv(rows):
    frame = pd.DataFrame(rows, columns=["a", "n", "=b"])
    lines = list(csv.reader(io.StringIO(csv_text(frame), newline="")))
    assert [restored_cell(cell) for cell in lines[0]] == ["a", "n", "=b"]
    assert len(lines) == len(frame) + 1
    for line, (first, number, last) in zip(lines[1:], rows, strict=True):
        assert [restored_cell(line[0]), restored_cell(line[2])] == [first, last]
        if number != number:
            assert line[1] == ""
        else:
            assert float(line[1]) == number


def test_codes_that_look_like_formulas_survive_write_and_read(tmp_path):
    frame = games_frame([{"player": p, "opponent": "x;=y"} for p in ("=P1", "-P2", "'@P3", "P4")])
    before = read_records(games=frame)
    path = write_csv(before.games, tmp_path / "games.csv")
    assert b"'=P1" in path.read_bytes()
    after = read_records(games=path)
    assert after.games["player"].tolist() == before.games["player"].tolist()
    assert after.data_hash == before.data_hash


def test_dates_whole_numbers_and_missing_values():
    frame = pd.DataFrame({"d": pd.to_datetime(["2025-11-03", None]), "n": [3.0, np.nan],
                          "x": [0.1, 1 / 3], "s": pd.Series(["a", None], dtype="str")})  # fmt: skip
    assert csv_text(frame) == f"d,n,x,s\n2025-11-03,3,0.1,a\n,,{1 / 3!r},\n"
    assert csv_text(pd.DataFrame({"a": ["", "b"]})) == 'a\n""\nb\n'
