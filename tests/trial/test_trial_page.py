"""Pages of a trial: every figure with its words and the table behind it."""

from __future__ import annotations

import html

import numpy as np
import pandas as pd
import pytest
from test_reports_html import Outline

from transfer.trial import figure_dose as dose
from transfer.trial import figure_until_known as until_known
from transfer.trial.adherence import Adherence
from transfer.trial.page import adherence_section, expectation_section, plan_page
from transfer.trial.plan import make_plan
from transfer.trial.precision import curve_of_plan, plan_warnings


@pytest.fixture(scope="module")
def plan():
    people = pd.DataFrame({"player": [f"P{i:02d}" for i in range(12)], "program": "T01"})
    return make_plan(
        people,
        strata=(),
        weeks=26,
        start="2026-11-02",
        seed=3,
        breaks=[("2026-12-21", "2027-01-03")],
        registered="2026-10-26",
    )


@pytest.fixture(scope="module")
def page(plan):
    return plan_page(plan, curve_of_plan(plan), plan_warnings(plan))


def outline(page: str) -> Outline:
    found = Outline()
    found.feed(page)
    assert not found.open
    return found


def test_plan_page_stands_alone_and_opens_with_the_expectation(plan, page):
    found = outline(page)
    assert found.lang == "en"
    assert len(found.ids) == len(set(found.ids))
    assert all(link.startswith("#") for link in found.links)
    assert "script" not in found.tags
    words = " ".join(" ".join(found.text).split())
    assert "you will almost surely still not know after 26 weeks" in words
    assert plan_warnings(plan)[0].split(",")[0] in words
    assert "return to play" in words
    assert plan.plan_hash in words


def test_plan_page_is_the_same_for_the_same_plan(plan, page):
    assert plan_page(plan, curve_of_plan(plan), plan_warnings(plan)) == page


def test_until_we_know_has_words_for_those_who_do_not_see_it_and_a_table(plan, page):
    curve = curve_of_plan(plan)
    table = until_known.frame(curve)
    assert ("img", until_known.describe(table)) in outline(page).alts
    _, figure, numbers = expectation_section(curve).blocks
    assert figure["kind"] == "figure"
    assert [c.title for c in numbers["columns"]][:2] == ["Weeks", "1 team-season"]
    rows = [[cell.text for cell in row] for row in numbers["groups"][0]["rows"]]
    assert [row[0] for row in rows] == [str(w) for w in sorted(table["weeks"].unique())]
    last = table[(table["weeks"] == 26) & (table["team_seasons"] == 24)].iloc[0]
    assert rows[-1][-1] == f"{100 * last['knowing']:.0f}%"


def test_curve_of_a_plan_stops_growing_in_its_break(plan):
    curve = curve_of_plan(plan)
    assert curve.scenario.weeks == 26
    assert curve.scenario.players == 12
    assert "this plan (one swap)" in curve.text


def charted(states: list[str]) -> Adherence:
    """Two players over four weeks; the second is on the wrong side in week 2."""
    table = pd.DataFrame(
        {
            "program": "T01",
            "player": ["P01"] * 4 + ["P02"] * 4,
            "week": [1, 2, 3, 4] * 2,
            "arm": ["live_heavy"] * 4 + ["rep_heavy"] * 4,
            "planned_rep": [14.0] * 4 + [56.0] * 4,
            "planned_live": [56.0] * 4 + [14.0] * 4,
            "done_rep": [15.0, 16.0, 17.0, 18.0, 50.0, 20.0, 50.0, 50.0],
            "done_live": [45.0, 44.0, 43.0, 42.0, 10.0, 40.0, 10.0, 10.0],
            "state": states,
        }
    )
    table["done_share"] = table["done_live"] / (table["done_live"] + table["done_rep"])
    table["other_side"] = [False] * 5 + [True] + [False] * 2
    players = pd.DataFrame({"player": ["P01", "P02"], "left": False, "mixed": [False, True]})
    return Adherence(table, players)


def test_adherence_shows_planned_against_done_with_its_numbers():
    found = charted(["done"] * 3 + ["missed"] + ["done"] * 4)
    told, figure, numbers = adherence_section(found).blocks
    assert told["text"].startswith("1 of 8 planned player-weeks were missed")
    alt = dose.describe(dose.frame(found))
    assert f'aria-label="{alt}"' in html.unescape(str(figure["svg"]))
    titles = [column.title for column in numbers["columns"]]
    assert titles[1:4] == ["live heavy: planned", "live heavy: done", "live heavy: minutes"]
    rows = [[cell.text for cell in row] for row in numbers["groups"][0]["rows"]]
    assert rows[0] == ["1", "80%", "75%", "60", "20%", "17%", "60", "2", "0"]
    assert rows[1] == ["2", "80%", "73%", "60", "20%", "67%", "60", "2", "1"]
    # the live-heavy player missed week 4
    assert rows[3] == ["4", "–", "–", "–", "20%", "17%", "60", "1", "0"]


def test_adherence_without_charted_minutes_has_words_only():
    section = adherence_section(charted(["not_charted"] * 8))
    assert [block["kind"] for block in section.blocks] == ["text"]
    assert "8 lack charted minutes" in section.blocks[0]["text"]
    assert not np.isfinite(charted(["not_charted"] * 8).separation)
