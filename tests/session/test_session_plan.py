"""The session plan: minutes, order of defence, balance, pairings, targets, chart sheet, page."""

import re
import time

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from transfer.errors import ArgumentError, InfeasibleError
from transfer.page.pdf import page_count
from transfer.provenance import Provenance
from transfer.records.reading import read_records
from transfer.results import plain
from transfer.session.calls import LEVELS, balanced_calls
from transfer.session.challenge import find_challenge
from transfer.session.chart_sheet import COLUMNS, chart_sheet
from transfer.session.page import render_chart, render_session
from transfer.session.plan import plan_session
from transfer.session.race import Side, choose_target, finish_probability, simulate_race
from transfer.session.timing import SHORTEST
from transfer.session.write import write_session


def codes(count):
    return [f"P{i:02d}" for i in range(1, count + 1)]


@pytest.fixture(scope="module")
def usual():
    return plan_session(codes(16), 3, 45, 1)


def test_sixteen_players_and_three_baskets_take_less_than_five_seconds():
    began = time.perf_counter()
    plan_session(codes(16), 3, 60, 2)
    assert time.perf_counter() - began < 5.0


def test_defence_goes_up_and_down_and_ends_in_free_live_play(usual):
    blocks = usual.blocks
    spent = blocks["minutes"] + blocks["pause"]
    assert spent.sum() == 45
    assert (blocks["start"].to_numpy() == np.r_[0, spent.cumsum()[:-1]]).all()
    assert blocks["mode"].iloc[0] == "rep"
    assert blocks["drill"].iloc[-1] == "kick_and_drive_live"
    steps = np.diff(blocks["level"])
    assert (steps > 0).any()
    assert (steps < 0).any()
    assert abs(usual.live_minutes - usual.work_minutes / 2) <= 1
    assert blocks["minutes"].min() >= SHORTEST


@settings(max_examples=12, deadline=None)
@given(
    count=st.integers(2, 20),
    baskets=st.integers(1, 4),
    minutes=st.integers(8, 100),
    live=st.floats(0, 1),
    seed=st.integers(0, 50),
)
def test_any_size_gives_a_whole_plan(count, baskets, minutes, live, seed):
    plan = plan_session(codes(count), baskets, minutes, seed, live_share=live)
    each = plan.blocks["minutes"] + plan.blocks["pause"]
    assert each.sum() == plan.floor.squad_minutes
    assert plan.blocks["contest"].iloc[-1] == ""
    if live == 1.0:
        assert (plan.blocks["mode"] == "live").all()
    sheet = chart_sheet(plan, "2026-11-25")
    assert set(sheet["player"]) == set(codes(count))
    spent = sheet.groupby("player")["minutes"].sum()
    assert np.allclose(spent.astype(float), plan.work_minutes, atol=0.5)


def test_the_same_sizes_give_the_same_plan_however_slow_the_machine_is(monkeypatch):
    """A solver with a time limit once found nothing where the machine was busy."""
    from scipy import optimize

    solve = optimize.milp

    def unhurried(*arguments, **named):
        assert "options" not in named
        return solve(*arguments, **named)

    monkeypatch.setattr(optimize, "milp", unhurried)
    plan = plan_session(codes(3), 1, 57, 0, live_share=0.125)
    assert plan.work_minutes == 57 - 3 - 2
    assert plan.live_minutes in (6, 7)


@pytest.mark.parametrize("count", [1, 5, 12, 13, 24, 60, 96, 110])
def test_calls_are_balanced_and_neighbours_differ(count):
    calls = balanced_calls(count, LEVELS, 4)
    assert len(calls) == count
    for trait, levels in LEVELS.items():
        seen = calls[trait].value_counts().reindex(list(levels), fill_value=0)
        assert seen.max() - seen.min() <= 1
    for pair in (["side", "hand"], ["side", "entry"]):
        every = pd.MultiIndex.from_product([LEVELS[name] for name in pair])
        both = calls.groupby(pair).size().reindex(every, fill_value=0)
        assert both.max() - both.min() <= 1
    traits = calls[list(LEVELS)]
    if count <= 24:
        assert not traits.duplicated().any()
    if count > 2:
        same = (traits.to_numpy()[1:] == traits.to_numpy()[:-1]).sum(axis=1)
        assert same.mean() < 1.0
    with pytest.raises(ArgumentError, match="count=0"):
        balanced_calls(0, LEVELS, 1)


def test_a_group_race_with_a_smaller_side_is_fair_and_meets_play_shot_by_shot():
    sides = [Side((0.6,) * 6, 3.75, "A"), Side((0.6,) * 5, 3.125, "B", 5 / 6)]
    found = choose_target([sides], 6.0, 0.8)
    assert found.goals == {"A": found.target, "B": round(found.target * 5 / 6)}
    share, won = simulate_race(sides, found.target, 6.0, 40_000, 3)
    exact = finish_probability(sides, found.target, 6.0)
    assert found.probability == pytest.approx(exact)
    assert share == pytest.approx(exact, abs=0.01)
    assert won["A"] == pytest.approx(found.wins["A"], abs=0.01)
    assert abs(found.wins["A"] - found.wins["B"]) < 0.12


def test_targets_follow_the_make_rates_and_the_stated_probability():
    strong = {"rep": dict.fromkeys(codes(8), 0.75), "live": dict.fromkeys(codes(8), 0.6)}
    weak = {"rep": dict.fromkeys(codes(8), 0.35), "live": dict.fromkeys(codes(8), 0.25)}

    def in_a_minute(plan):
        return {b: t.race.target / t.race.minutes for b, t in plan.targets.items()}

    a = plan_session(codes(8), 2, 40, 1, make_rates=strong)
    b = plan_session(codes(8), 2, 40, 1, make_rates=weak)
    sure = plan_session(codes(8), 2, 40, 1, make_rates=strong, probability=0.97)
    assert a.targets
    for block, speed in in_a_minute(a).items():
        assert speed > in_a_minute(b)[block]
        assert in_a_minute(sure)[block] <= speed
        assert sure.targets[block].race.probability >= 0.97


def test_the_chance_of_a_target_is_that_of_who_shoots_in_the_minutes_he_has():
    """Played shot by shot along the line, a ladder ends as often as the page says."""
    rate = dict(zip(codes(5), [0.4, 0.5, 0.6, 0.7, 0.8], strict=True))
    plan = next(
        plan for seed in range(60)
        if "ladder" in set(
            (plan := plan_session(codes(5), 1, 40, seed, make_rates={"rep": rate})).blocks["ending"]
        )
    )  # fmt: skip
    row = plan.blocks[plan.blocks["ending"] == "ladder"].iloc[0]
    line = plan.reps[plan.reps["block"] == row["block"]]["shooter"].to_numpy()
    line = line[: len(line) // int(row["sets"])]
    rng = np.random.default_rng(3)
    ended = []
    for _ in range(4000):
        day = 0.15 * rng.standard_normal()
        logit = {p: special.logit(r) + day + 0.2 * rng.standard_normal() for p, r in rate.items()}
        made = rng.random(line.size) < special.expit([logit[p] for p in line])
        ended += [made[line == p].sum() >= row["target"] for p in rate]
    assert np.mean(ended) == pytest.approx(row["probability"], abs=0.03)


def test_same_seed_same_plan_and_another_seed_another(usual):
    again = plan_session(codes(16), 3, 45, 1)
    assert plain(again.to_dict()) == plain(usual.to_dict())
    assert render_session(again, "A") == render_session(usual, "A")
    other = plan_session(codes(16), 3, 45, 2)
    assert not other.reps.equals(usual.reps)


def test_caps_are_kept_or_named():
    capped = plan_session(codes(6), 2, 40, 1, live_cap=12, attempts_cap=110)
    assert capped.live_minutes <= 12
    assert capped.blocks["attempts"].sum() <= 110 + 1e-6
    assert "the limits decided" in capped.text
    with pytest.raises(InfeasibleError, match=r"free live play at the end.*live-minute cap 1"):
        plan_session(codes(6), 2, 40, 1, live_cap=1)
    with pytest.raises(InfeasibleError, match=r"session of 40 min.*attempts cap 20"):
        plan_session(codes(6), 2, 40, 1, attempts_cap=20)
    with pytest.raises(InfeasibleError, match="jumps cap 10"):
        plan_session(codes(6), 2, 40, 1, jumps_cap=10)
    only = plan_session(codes(6), 2, 40, 1, settings=["rep/none", "live/trailing"])
    assert set(only.blocks["setting"]) <= {"rep/none", "live/trailing", "live"}


def test_sizes_outside_the_rule_are_refused():
    for players, baskets, minutes in (
        (codes(1), 1, 40),
        (codes(4), 5, 40),
        (["P1", "P1"], 1, 40),
        (codes(4), 1, 4),
    ):
        with pytest.raises(ArgumentError):
            plan_session(players, baskets, minutes, 1)
    with pytest.raises(ArgumentError, match="live_share"):
        plan_session(codes(4), 1, 40, 1, live_share=1.2)
    with pytest.raises(ArgumentError, match="attempts per minute of 'live'"):
        plan_session(codes(4), 1, 40, 1, rates={"live": 0.0})


def test_assumed_pace_is_marked_and_stated_pace_is_used(usual):
    assert "assumed (judgement, no source)" in usual.text
    told = plan_session(codes(4), 2, 40, 1, rates={"rep": 4.0, "live/trailing": 0.8})
    assert "assumed" not in told.text
    rate = told.blocks.set_index("mode")["rate"]
    assert (rate.loc["rep"] <= 4.0).all()
    assert (rate.loc["rep"] > 2.0).all()  # four share a basket of 10 shots a minute
    crowded = plan_session(codes(20), 1, 40, 1, rates={"rep": 4.0})
    assert "the basket sets the pace" in crowded.text


def test_the_filled_in_chart_sheet_passes_the_checks(usual, tmp_path):
    sheet = chart_sheet(usual, "2026-11-25", "1", "A", "2026-27")
    assert tuple(sheet.columns) == COLUMNS
    rng = np.random.default_rng(1)
    blank = sheet["attempts"] == ""
    sheet.loc[blank, "attempts"] = rng.integers(3, 9, blank.sum())
    sheet.loc[blank, "makes"] = sheet.loc[blank, "target"].replace("", 2).clip(upper=3).astype(int)
    sheet.loc[blank & (sheet["target"] != ""), "makes"] = sheet["target"]
    sheet.loc[blank & (sheet["target"] != ""), "attempts"] = 9
    sheet.loc[sheet["contest"] == "", "contest"] = "trailing"
    sheet.to_csv(tmp_path / "practice.csv", index=False)
    records = read_records(tmp_path / "practice.csv")
    assert len(records.practice) == len(sheet)
    assert not [p for p in records.problems if p.severity == "warning"]
    assert set(records.practice["drill"]) == set(usual.blocks["drill"])


def test_page_holds_the_plan_and_the_cautions_without_script_or_link(usual, tmp_path):
    files = write_session(usual, tmp_path, "2026-11-25")
    assert {f.name for f in files} == {
        "session.html",
        "session.csv",
        "reps.csv",
        "calls.csv",
        "chart.csv",
        "chart.html",
        "tap_basket_1.html",
        "tap_basket_2.html",
        "tap_basket_3.html",
    }
    page = (tmp_path / "session.html").read_text()
    assert "<script" not in page
    assert not re.findall(r'(?:href|src)="', page)
    for words in ("licensed medical staff", "Landing space", "governing body", "concussion"):
        assert words in page
    for title in usual.blocks["title"]:
        assert title in page
    for order in usual.lines.values():
        assert f"<b>{' '.join(order)}</b>" in page
    for raw in ("mark_", "_foot", "circle_bottom", "nan", "probability 1.00"):
        assert raw not in page
    chart = pd.read_csv(tmp_path / "chart.csv")
    assert list(chart.columns) == list(COLUMNS)
    odd = plan_session(["<b>", "P2"], 1, 20, 1)
    assert "&lt;b&gt;" in render_session(odd, "x")


@pytest.mark.needs("pango")
@pytest.mark.slow  # the layout engine takes seconds a page
@pytest.mark.parametrize(("count", "baskets", "minutes"), [(2, 1, 20), (16, 3, 45), (20, 4, 60)])
def test_the_plan_prints_on_one_page_and_the_sheet_on_one_a_basket(count, baskets, minutes):
    plan = plan_session(codes(count), baskets, minutes, 1)
    assert page_count(render_session(plan, "Session 1")) == 1
    assert page_count(render_chart(plan, "Session 1")) == len(plan.floor.places)


def test_starting_spots_come_from_the_challenge_band():
    rng = np.random.default_rng(2)
    rows = [
        (p, "rep/none", "rep", d, 80, rng.binomial(80, 0.75 - 0.03 * (d - 6)))
        for p in codes(5)
        for d in (6.4, 8.4, 10.8, 13.6)
    ]
    table = pd.DataFrame(rows, columns=["player", "setting", "mode", "distance_ft", "n", "y"])
    band = find_challenge(table, Provenance(1, "none", {}))
    plan = plan_session(codes(5), 2, 40, 1, challenge=band)
    assert plan.starts["rate"].between(0.45, 0.65).all()
    assert set(plan.starts["player"]) <= set(codes(5))
    assert len(plan.starts) >= 4
    assert plan.ladders["distance_ft"].between(4.0, 14.0).all()
    assert plan.ladders.groupby("player").size().between(2, 5).all()
    assert (
        plan.ladders.groupby("player")["distance_ft"]
        .apply(lambda d: d.is_monotonic_increasing)
        .all()
    )
    page = render_session(plan, "x")
    assert "Where reps are a challenge" in page
    one = plan.ladders[plan.ladders["player"] == "P01"]["distance_ft"].to_list()
    assert "  ".join(f"{feet:.0f}" for feet in one[:3]) in page
