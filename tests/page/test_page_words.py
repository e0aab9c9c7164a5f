from __future__ import annotations

import math

import pytest

from transfer.page import words


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [(0.4567, 0, "46%"), (0.975, 1, "97.5%"), (None, 0, "–"), (math.nan, 0, "–"), (0.0, 0, "0%")],
)
def test_percent(value, places, text):
    assert words.percent(value, places) == text


@pytest.mark.parametrize(
    ("value", "text"), [(-0.123, "−0.12"), (-0.001, "0.00"), (1.5, "1.50"), (math.inf, "–")]
)
def test_number_has_a_true_minus_and_no_minus_zero(value, text):
    assert words.number(value) == text


def test_spans_and_intervals():
    assert words.span(0.123, 0.456) == "12 to 46%"
    assert words.span(None, 0.4) == "–"
    assert words.interval(-0.5, 0.25) == "−0.50 to 0.25"


def test_sentences_split_at_full_stops_and_not_at_decimals():
    text = "Live is 0.3 ahead. (R² is a share: 1 is all.) The rest? Yes."
    parts = words.sentences(text)
    assert parts == ["Live is 0.3 ahead.", "(R² is a share: 1 is all.)", "The rest?", "Yes."]


def test_asides_join_the_sentence_before():
    assert words.join_asides(["(Freed.)", "(first) stays.", "A.", "(why)", "B."]) == [
        "Freed.", "(first) stays.", "A. (why)", "B.",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("value", "text"),
    [(1.0, "over 99%"), (0.0, "under 1%"), (0.99, "99%"), (0.01, "1%"), (0.5, "50%")],
)
def test_a_chance_is_never_certain(value, text):
    assert words.chance(value) == text
