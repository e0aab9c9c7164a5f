"""Single cells by hand: what is read, and what is refused with which words."""

from __future__ import annotations

import datetime as dt

import pytest

from transfer.records import values
from transfer.records.schema import Column

YES_NO = Column("duplicate", "level", "", levels=("yes", "no"))
CONTEST = Column("contest", "level", "", levels=("none", "light", "tight"))
LABEL = Column("entry", "text", "")
FEET = Column("distance", "number", "", unit="ft", low=0.0, high=94.0)
COUNT = Column("attempts", "count", "", low=0.0, high=1000.0)


@pytest.mark.parametrize("text", ["yes", "Yes", "TRUE", "1", "1.0", "y", "t"])
def test_yes_is_read_as_yes(text):
    assert values._level(text, YES_NO) == "yes"


@pytest.mark.parametrize("text", ["no", "No", "FALSE", "0", "0.0", "n", "f"])
def test_no_is_read_as_no(text):
    assert values._level(text, YES_NO) == "no"


def test_levels_forgive_case_and_say_what_was_meant():
    assert values._level("Light", CONTEST) == "light"
    with pytest.raises(values.RefusedError, match="none, light, tight") as refused:
        values._level("ligt", CONTEST)
    assert refused.value.next_step == "did you mean 'light'?"
    with pytest.raises(values.RefusedError) as refused:
        values._level("1", CONTEST)  # yes and no only where these are the levels
    assert refused.value.next_step == "use one of the levels"


@pytest.mark.parametrize(("text", "made"), [("1", 1), ("Yes", 1), ("true", 1), ("0", 0), ("n", 0)])
def test_a_make_is_one_and_a_miss_zero(text, made):
    assert values._flag(text, Column("made", "flag", "")) == made


def test_a_label_has_two_hundred_characters_at_most_and_one_line():
    assert values._text("x" * 200, LABEL) == "x" * 200
    for text in ("x" * 201, "a\nb"):
        with pytest.raises(values.RefusedError, match="one short line"):
            values._text(text, LABEL)
        assert values._text(text, Column("description", "text", "")) == text


@pytest.mark.parametrize(("length", "shown"), [(19, True), (20, False)])
def test_codes_up_to_nineteen_characters_are_repeated(length, shown):
    text = "P" * length
    assert values.masked(text) == (text if shown else "(20 characters, not shown)")
    assert values.masked("Ann Smith") == "(a name, not shown)"


@pytest.mark.parametrize("year", [1900, 2100])
def test_the_first_and_the_last_year_that_are_read(year):
    assert values._date(f"{year}-12-31", LABEL) == dt.date(year, 12, 31)
    outside = 1899 if year == 1900 else 2101
    with pytest.raises(values.RefusedError, match=r"^a date lies between 1900 and 2100$"):
        values._date(f"{outside}-12-31", LABEL)


@pytest.mark.parametrize(
    ("text", "step"),
    [
        ("45964", "a spreadsheet's day number"),
        ("3.11.2025", "day-first and month-first"),
        ("2025-02-30", "check the order"),
    ],
)
def test_what_is_no_date_is_told_apart(text, step):
    with pytest.raises(values.RefusedError) as refused:
        values._date(text, LABEL)
    assert step in refused.value.next_step


def test_limits_belong_to_what_is_allowed():
    assert (values._limited(0.0, FEET), values._limited(94.0, FEET)) == (0.0, 94.0)
    for outside in (-0.001, 94.001):
        with pytest.raises(values.RefusedError, match=r"^distance is between 0 and 94 ft$"):
            values._limited(outside, FEET)
    with pytest.raises(values.RefusedError, match=r"^x is 2 or more$"):
        values._limited(1.0, Column("x", "number", "", low=2.0))


@pytest.mark.parametrize(("text", "count"), [("7", 7), ("+7", 7), ("7.0", 7), ("1000", 1000)])
def test_counts_are_whole(text, count):
    assert values._count(text, COUNT) == count


@pytest.mark.parametrize(
    ("text", "step"),
    [
        ("-3", "correct the negative count"),
        ("2.5", "correct the fractional count"),
        ("1,000", "write digits only"),
        ("1001", "correct the number"),
        ("1" * 16, "correct"),
    ],
)
def test_what_is_no_count_is_told_apart(text, step):
    with pytest.raises(values.RefusedError) as refused:
        values._count(text, COUNT)
    assert step in refused.value.next_step


@pytest.mark.parametrize(
    ("text", "step"),
    [("8,5", "write 8.5"), ("1,000", "write 1.000"), ("850,5", "no separator between thousands")],
)
def test_a_comma_is_advised_by_the_limits(text, step):
    with pytest.raises(values.RefusedError) as refused:
        values._number(text, FEET)
    assert step in refused.value.next_step
