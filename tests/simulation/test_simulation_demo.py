from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import logit

from transfer.records.reading import read_records
from transfer.records.schema import TABLES
from transfer.records.units import GAME
from transfer.simulation.conference import simulate_demo
from transfer.simulation.game_log import opponents
from transfer.simulation.plans import CONFERENCE, ONE_PROGRAM
from transfer.simulation.seasons import FOUR_SETTINGS, true_reading
from transfer.simulation.write import DEMO_SEED, write_demo

DATA = Path(__file__).parents[2] / "data"
STUDIES = ("conference", "one_program")


@pytest.fixture(scope="module")
def conference():
    return simulate_demo(CONFERENCE, DEMO_SEED)


@pytest.fixture(scope="module")
def charted(conference):
    """Practice rows that count, with blanks filled from the drills table."""
    rows = conference.tables["practice"]
    rows = rows[rows["second_chart"] == ""]
    drills = conference.tables["drills"].set_index("drill")
    labels = rows["drill"].map(drills["mode"] + "/" + drills["contest"])
    return rows.assign(setting=labels, order=rows["drill"].map(drills["order"]))


def records(study):
    return read_records(*(DATA / study / f"{name}.csv" for name in TABLES))


def test_committed_demo_is_what_the_generator_writes(tmp_path):
    written = write_demo(tmp_path)
    assert len(written) == 12
    for path in written:
        committed = DATA / path.relative_to(tmp_path)
        assert path.read_bytes() == committed.read_bytes(), committed.name
        assert b"\r" not in path.read_bytes()
    total = sum(path.stat().st_size for path in written)
    assert total < 5_000_000


def test_another_seed_is_another_season_of_the_same_scenario():
    first = simulate_demo(ONE_PROGRAM, 1)
    again = simulate_demo(ONE_PROGRAM, 1)
    other = simulate_demo(ONE_PROGRAM, 2)
    assert first.truth == again.truth
    for name, table in first.tables.items():
        assert table.equals(again.tables[name])
    assert not first.tables["practice"].equals(other.tables["practice"])
    assert first.truth["scenario"] == other.truth["scenario"]


@pytest.mark.parametrize("study", STUDIES)
def test_demo_is_read_without_an_error_or_a_warning(study):
    read = records(study)
    assert [p for p in read.problems if p.severity != "note"] == []
    assert read.practice["mode"].isin(["rep", "live"]).all()
    settings = set(read.practice["mode"] + "/" + read.practice["contest"])
    assert settings == set(FOUR_SETTINGS)


def test_demo_has_blanks_that_only_the_drills_table_fills(conference):
    practice = conference.tables["practice"]
    blank = practice["mode"] == ""
    assert 100 < blank.sum() < 0.02 * len(practice)
    assert set(practice.loc[blank, "drill"]) <= set(conference.tables["drills"]["drill"])


def test_columns_are_those_of_the_schema(conference):
    for name, spec in TABLES.items():
        assert set(conference.tables[name].columns) <= set(spec.names)


def test_volumes_are_those_of_the_scenario(conference, charted):
    assert len(conference.tables["practice"]) < 45_000
    games = conference.tables["games"]
    per_player = games.groupby("player")["attempts"].sum()
    assert len(per_player) == 168
    assert 69 <= per_player.mean() <= 81
    assert 0.35 < per_player.std() / per_player.mean() < 0.6
    assert (games["attempts"] == 0).mean() > 0.15
    pace = charted.groupby(charted["setting"].str[:4])[["attempts", "minutes"]].sum()
    pace = pace["attempts"] / pace["minutes"]
    assert 4.0 < pace["rep/"] < 6.0
    assert 0.5 < pace["live"] < 1.5
    per_week = charted["minutes"].sum() / (168 * 26)
    assert per_week == pytest.approx(70 * 0.96, rel=0.03)


def test_rates_are_near_the_truth(conference, charted):
    totals = charted.groupby("setting")[["attempts", "makes"]].sum()
    rate = totals["makes"] / totals["attempts"]
    truth = dict(zip(FOUR_SETTINGS, CONFERENCE.effects.rates, strict=False))
    for setting in FOUR_SETTINGS:
        assert rate[setting] == pytest.approx(truth[setting], abs=0.03)
    games = conference.tables["games"]
    assert games["makes"].sum() / games["attempts"].sum() == pytest.approx(0.37, abs=0.025)


def test_players_realise_the_stated_spread_and_correlations(conference):
    truth = conference.truth
    names = [*truth["settings"], GAME]
    rates = pd.DataFrame([p["rate"] for p in truth["players"]])[names]
    program = np.asarray([p["program"] for p in truth["players"]])
    theta = logit(rates.to_numpy())
    # Program effects (sd .06) come on top of the exactly realised player deviations.
    assert theta.std(axis=0) == pytest.approx(np.hypot(truth["tau"], 0.06), rel=0.08)
    omega = np.corrcoef(theta.T)
    assert np.allclose(omega, truth["omega"], atol=0.08)
    reading = true_reading(omega, ("rep", "rep", "live", "live"))
    assert reading["contrast"] == pytest.approx(0.30, abs=0.06)
    assert truth["reading"]["contrast"] == pytest.approx(0.30)
    assert len(np.unique(program)) == 12


def test_observed_player_rates_follow_their_true_rates(conference, charted):
    truth = pd.DataFrame(
        {p["player"]: p["rate"] for p in conference.truth["players"]}
    ).T  # players x settings
    for setting in FOUR_SETTINGS:
        rows = charted[charted["setting"] == setting]
        totals = rows.groupby("player")[["attempts", "makes"]].sum()
        seen = totals["makes"] / totals["attempts"]
        assert np.corrcoef(seen, truth.loc[seen.index, setting])[0, 1] > 0.8


def test_stopped_sets_end_on_their_target_and_are_biased_upward(charted):
    stopped = charted[charted["target"].notna()]
    assert len(stopped) > 5_000
    assert (stopped["makes"] == stopped["target"].astype(int)).all()
    assert set(stopped["drill"]) == {"transition_first_to", "lane_rungs"}
    k, n = stopped["makes"], stopped["attempts"]
    small = k == 5
    assert small.sum() > 20
    raw = (k / n)[small].mean()
    unbiased = ((k - 1) / (n - 1))[small].mean()
    assert raw > unbiased + 0.02


def test_live_rows_name_a_defender_of_the_same_program_other_than_the_shooter(charted):
    live = charted["setting"].str.startswith("live")
    assert (charted.loc[~live, "defender"] == "").all()
    rows = charted[live]
    assert (rows["defender"].str[:3] == rows["program"]).all()
    assert (rows["defender"] != rows["player"]).all()
    assert rows.groupby("player")["defender"].nunique().min() >= 11


def test_two_charters_agree_mostly_but_not_always(conference):
    practice = conference.tables["practice"]
    second = practice[practice["second_chart"] == "yes"]
    keys = ["date", "player", "drill"]
    pairs = second.merge(practice[practice["second_chart"] == ""], on=keys, suffixes=("", "_1"))
    assert len(pairs) == len(second)
    assert (pairs["charter"] != pairs["charter_1"]).all()
    assert practice.groupby("program")["charter"].nunique().max() == 2
    labelled = pairs[pairs["contest_1"] != ""]
    agreement = (labelled["contest"] == labelled["contest_1"]).mean()
    assert 0.85 < agreement < 0.97


def test_mix_was_assigned_by_lot_with_one_swap(conference, charted):
    plan = conference.tables["assignments"]
    assert set(plan["arm"]) == {"live_heavy", "rep_heavy"}
    assert set(plan["live_share"]) == {0.8, 0.2}
    assert (plan["seed"] == DEMO_SEED).all()
    arms = plan.pivot(index="player", columns="week", values="arm")
    assert (arms.nunique(axis=1) == 2).all()
    assert (arms[13] != arms[14]).all()
    assert (arms.loc[:, :13].nunique(axis=1) == 1).all()
    started_live = (arms[1] == "live_heavy").groupby(arms.index.str[:3]).sum()
    assert (started_live == 7).all()
    day = pd.to_datetime(charted["date"]) - pd.Timestamp(CONFERENCE.first_day)
    done = charted.assign(week=day.dt.days // 7 + 1, live=charted["setting"].str[:4] == "live")
    done["live_minutes"] = done["minutes"] * done["live"]
    done = done.groupby(["player", "week"])[["minutes", "live_minutes"]].sum().reset_index()
    done = done.merge(plan, on=["player", "week"], suffixes=("", "_planned"))
    gap = done["live_minutes"] / done["minutes"] - done["live_share"]
    assert abs(gap.mean()) < 0.01
    assert 0.005 < gap.std() < 0.05


def test_positions_are_strata_of_the_lot(conference):
    first = {p["player"]: p["first_half"] for p in conference.truth["players"]}
    roster = conference.tables["roster"]
    sides = roster["player"].map(first)
    table = pd.crosstab([roster["program"], roster["position"]], sides)
    assert (table["live_heavy"] == table["rep_heavy"]).all()


def test_free_throws_do_not_follow_the_mix(conference):
    throws = conference.tables["free_throws"].merge(
        conference.tables["assignments"], on=["program", "player", "week"]
    )
    totals = throws.groupby("arm")[["attempts", "makes"]].sum()
    rate = totals["makes"] / totals["attempts"]
    se = np.sqrt((rate * (1 - rate) / totals["attempts"]).sum())
    assert rate.mean() == pytest.approx(0.75, abs=0.03)
    assert abs(rate["live_heavy"] - rate["rep_heavy"]) < 3 * se


def test_small_program_was_not_assigned_and_keeps_its_truth():
    read = records("one_program")
    truth = json.loads((DATA / "one_program" / "truth.json").read_text())
    assert truth["scenario"]["swap_after_week"] is None
    assert {p["first_half"] for p in truth["players"]} == {"usual"}
    assert len(truth["players"]) == 13
    assert set(read.games["player"]) == {p["player"] for p in truth["players"]}
    assert not (DATA / "one_program" / "assignments.csv").exists()


def test_growth_truth_is_written_out():
    truth = json.loads((DATA / "conference" / "truth.json").read_text())
    game = truth["growth"]["gain_per_typical_week"]["game"]
    assert truth["growth"]["delta_game"] == pytest.approx(game["live"] - game["rep"])
    assert 0.25 <= truth["growth"]["delta_game"] <= 0.30
    assert set(truth["growth"]["gain_per_typical_week"]) == {*FOUR_SETTINGS, GAME}
    assert truth["rho"]["live/trailing"] > truth["rho"]["rep/none"]


@pytest.mark.parametrize("programs", [4, 12])
def test_round_robin_meets_everybody_once_before_it_repeats(programs):
    schedule = opponents(programs, programs - 1)
    everyone = np.arange(programs)
    assert np.array_equal(np.sort(schedule, axis=1), np.tile(everyone, (programs - 1, 1)))
    for day in schedule:
        assert np.array_equal(day[day], everyone)
        assert (day != everyone).all()
    for program in range(programs):
        assert len(set(schedule[:, program].tolist())) == programs - 1
