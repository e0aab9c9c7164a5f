"""The guide's example: its figures come from running it, and it shows what it says it shows."""

from __future__ import annotations

from pathlib import Path

import pytest
from hot_form import hot_form_example

from transfer.trial.wording import CHOSEN_MIX

GUIDE = Path(__file__).resolve().parents[2] / "docs" / "trial.md"
START = "<!-- figures: start (python tests/studies/hot_form.py) -->\n"
END = "<!-- figures: end -->"


@pytest.fixture(scope="module")
def example():
    return hot_form_example()


def test_guide_quotes_the_run(example):
    guide = GUIDE.read_text(encoding="utf-8")
    quoted = guide[guide.index(START) + len(START) : guide.index(END)]
    assert quoted.strip() == example.text.strip()


def test_hot_form_misleads_the_naive_comparison_and_the_model_but_not_the_lot(example):
    """The truth is no difference at all."""
    assert example.naive > 4.0
    assert example.chosen.verdict.interval.low > 0.0
    assert example.chosen.verdict.verdict == "leaning"
    assert example.assigned.verdict.interval.low < 0.0 < example.assigned.verdict.interval.high
    assert CHOSEN_MIX in example.text
