"""The picture of the answer: its numbers are those of the verdict, and it stands on the page."""

from __future__ import annotations

import html
from dataclasses import replace

import numpy as np
import pytest
from trial_seasons import play, trial_plan, weekly_of

from transfer.simulation.growth import GrowthTruth
from transfer.trial import figure_answer as answer
from transfer.trial.analysis import analyse_trial
from transfer.trial.page import analysis_page, answer_section


@pytest.fixture(scope="module")
def trial():
    plan = trial_plan(2, 8, weeks=12, rope=(-1.5, 2.0))
    truth = GrowthTruth(players=8, weeks=12, teams=2, gain_rep=0.5, gain_live=0.0)
    return analyse_trial(weekly_of(play(plan, truth, 1)), plan, sensitivity=False, redraws=99)


@pytest.fixture(scope="module")
def table(trial):
    return answer.frame(trial)


def test_numbers_are_those_of_the_verdict_and_of_its_prior(trial, table):
    assert list(table["reading"]) == ["as assigned", "as assigned", "as done", "as done"]
    after = table[table["which"] == "after"].set_index("reading")
    for reading in (trial.main, trial.as_done):
        row, v = after.loc[reading.label], reading.verdict
        assert (row["low"], row["high"]) == (v.interval.low, v.interval.high)
        assert row["mean"] == pytest.approx(v.mean)
        assert row["inside"] == pytest.approx(v.probability_in_rope)
        assert (row["rope_low"], row["rope_high"]) == (-1.5, 2.0)
    before = table[table["which"] == "before"]
    assert before["mean"].to_numpy() == pytest.approx(0.0, abs=0.2)
    wide = before["high"].to_numpy() - before["low"].to_numpy()
    assert (wide > after["high"].to_numpy() - after["low"].to_numpy()).all()


def test_drawn_where_the_table_says(table):
    figure = answer.draw(table)
    (axes,) = figure.axes
    marks = {line.get_label(): line for line in axes.get_lines() if ":" in str(line.get_label())}
    assert set(marks) == {
        "starting assumption: mean and 90% interval",
        "with the records: mean and 90% interval",
    }
    drawn = marks["with the records: mean and 90% interval"]
    after = table[table["which"] == "after"]
    np.testing.assert_allclose(drawn.get_xdata(), after["mean"])
    assert np.all(np.diff(drawn.get_ydata()) < 0)
    (band,) = axes.patches
    assert band.get_extents().transformed(axes.transData.inverted()).intervalx.tolist() == (
        pytest.approx([-1.5, 2.0])
    )
    low, high = axes.get_xlim()
    assert low == -high
    assert low < table["low"].min()
    assert high > table["high"].max()


def test_words_for_those_who_do_not_see_it(table):
    words = answer.describe(table)
    assert "Differences from \N{MINUS SIGN}1.5 to 2 points would not matter." in words
    assert "as assigned" in words
    assert words.count("starting assumption") == 2


def test_page_opens_its_answer_with_the_picture(trial, table):
    picture, *numbers = answer_section(trial).blocks
    assert picture["kind"] == "figure"
    assert f'aria-label="{answer.describe(table)}"' in html.unescape(str(picture["svg"]))
    titles = [column.title for column in numbers[0]["columns"]]
    assert "Chance of its sign" in titles
    page = analysis_page(trial)
    assert html.escape(answer.describe(table)) in page
    assert analysis_page(trial) == page


def test_without_minutes_done_there_is_one_line(trial, table):
    alone = answer.frame(replace(trial, as_done=None))
    assert list(alone["reading"]) == ["as assigned", "as assigned"]
    assert len(answer.draw(alone).axes[0].get_yticks()) == 1
