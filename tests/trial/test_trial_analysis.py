"""The whole analysis: both verdicts, the rule, the words, the guards."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm
from trial_seasons import REGISTERED, START, play, trial_plan, trial_roster, weekly_of

from transfer.errors import IdentificationError, RecordsError, StorageError
from transfer.records.weeks import WeeklyCells
from transfer.simulation.growth import GrowthTruth, without_difference
from transfer.trial.analysis import analyse_trial
from transfer.trial.companions import control_text
from transfer.trial.plan import make_plan
from transfer.trial.sheets import write_plan
from transfer.trial.wording import CHOSEN_MIX, chance
from transfer.verdict import word

#: Words that claim a cause; a chosen mix never allows them.
CAUSAL = re.compile(r"\b(gave|gives|caused?|causes|because|improve[sd]?|built|made)\b")
LARGE = GrowthTruth(gain_rep=0.05, gain_live=0.40, teams=12)


@pytest.fixture(scope="module")
def conference():
    plan = trial_plan(12, looks=(20,))
    return plan, weekly_of(play(plan, LARGE, 3))


@pytest.fixture(scope="module")
def trial(conference):
    plan, weekly = conference
    return analyse_trial(weekly, plan, sensitivity=False, redraws=199)


@pytest.fixture(scope="module")
def small():
    plan = trial_plan(2, looks=(20,))
    return plan, weekly_of(play(plan, replace(LARGE, teams=2), 3))


@pytest.fixture(scope="module")
def log(conference):
    """The same records as if nobody had drawn a lot."""
    return analyse_trial(conference[1], None, sensitivity=False)


def true_points(trial) -> float:
    rep, live = trial.main.effect.estimand.weights
    logits = rep * LARGE.gain_rep + live * LARGE.gain_live
    rate = trial.main.effect.base_rate
    return 100 * (1 / (1 + (1 - rate) / rate * np.exp(-logits)) - rate)


def test_large_difference_in_twelve_programs_is_ahead(trial):
    verdict = trial.main.verdict
    assert trial.verdict == "ahead"
    assert trial.favours == "live"
    assert verdict.prior_probability == pytest.approx(0.5, abs=1e-12)
    assert word(verdict.contraction, verdict.probability, verdict.probability_in_rope) == "ahead"
    assert verdict.interval.low < true_points(trial) < verdict.interval.high
    assert trial.text.startswith("With the mix assigned by lot, live work gave more game ")
    assert f"{verdict.interval.low:.1f} to {verdict.interval.high:.1f} points" in trial.text
    assert trial.randomisation.p_value <= 0.01
    assert trial.classical is not None
    assert trial.classical.effect > 0


def test_as_assigned_comes_first_and_as_done_is_capped(trial):
    assert list(trial.table["reading"]) == ["as assigned", "as done"]
    assert trial.as_done.verdict.verdict == "leaning"
    assert trial.as_done.verdict.mean == pytest.approx(trial.main.verdict.mean, abs=0.3)
    assert trial.randomised


def test_looks_follow_the_plan(trial):
    assert list(trial.looks["week"]) == [20, 26]
    last = trial.looks.iloc[-1]
    assert last["mean"] == pytest.approx(trial.main.verdict.mean, abs=1e-9)
    assert trial.looks["contraction"].iloc[0] > last["contraction"]
    assert not any("Unplanned" in note for note in trial.notes)


def test_results_travel(trial, conference):
    value = trial.to_dict()
    text = json.dumps(value, allow_nan=False)
    assert value["question"] == "building"
    assert value["verdict"] == "ahead"
    assert value["plan_hash"] == conference[0].plan_hash
    assert value["provenance"]["settings"]["plan_hash"] == conference[0].plan_hash
    assert value["contrast"]["interval"]["kind"] == "eti"
    assert json.loads(text)["randomised"] is True
    assert value["growth"]["randomised"] is True
    assert value["as_done"]["growth"]["randomised"] is False


def test_per_attempt_starts_from_its_own_prior(trial):
    """Equal priors per minute give .69 for live per attempt at four times the pace of rep work.

    P(g_live / rate_live > g_rep / rate_rep) for g ~ N(.10, .15) and rates 1 and 4: own
    calculation, normal probability of the mean over the sd of .10 (1 - 1/4) / (.15 sqrt(1 + 1/16)).
    """
    row = trial.effects.set_index("quantity").loc["attempt"]
    mean, sd = 0.10 * (1 - 1 / 4), 0.15 * np.hypot(1, 1 / 4)
    expected = norm.cdf(mean / sd)
    assert expected == pytest.approx(0.69, abs=0.005)
    assert row["prior_probability_live_better"] == pytest.approx(expected, abs=0.03)
    assert trial.effects.set_index("quantity").loc["mix", "prior_probability_live_better"] == (
        pytest.approx(0.5, abs=0.03)
    )


def test_same_records_without_a_lot_lean_at_most(log):
    verdict = log.main.verdict
    assert verdict.probability >= 0.975
    assert verdict.contraction <= 0.6
    assert log.verdict == "leaning"
    assert not log.randomised
    assert CHOSEN_MIX in log.text
    assert not CAUSAL.search(" ".join(log.report).replace(CHOSEN_MIX, ""))
    assert log.adherence is log.randomisation is log.classical is None


def test_one_team_cannot_tell():
    plan = trial_plan(1, design="blocks", block_weeks=4)
    season = play(plan, replace(LARGE, teams=1), 2)
    found = analyse_trial(weekly_of(season), plan, redraws=99)
    assert found.verdict == "cannot_tell"
    assert found.favours is None
    assert found.main.verdict.contraction > 0.85
    assert "cannot tell whether live or rep work builds game shooting more" in found.text
    assert "This is not evidence that they are equal." in found.text
    assert "repeat the trial next season" in found.text
    table = found.sensitivity
    assert set(table["assumption"]) == {
        "headline",
        "half-life",
        "response",
        "prior of a gain",
        "joint",
    }
    assert list(table.loc[table["assumption"] == "half-life", "value"]) == [
        "2 weeks",
        "4 weeks",
        "8 weeks",
    ]
    assert table.loc[table["assumption"] == "joint", "no_carry_over"].between(0, 1).all()
    wide = table.set_index("value").loc["twice as wide", "sd"]
    assert wide > table.set_index("value").loc["half as wide", "sd"]
    assert any("If practice gains carry over" in part for part in found.report)


def test_no_difference_is_not_ahead():
    """One season; of 100 such seasons 5 are wrongly "ahead" (own simulation, expected 2 to 5)."""
    plan = trial_plan(6)
    season = play(plan, without_difference(replace(LARGE, teams=6)), 1)
    found = analyse_trial(weekly_of(season), plan, sensitivity=False, redraws=199)
    assert found.verdict != "ahead"
    assert found.randomisation.p_value > 0.05


def test_changed_plan_is_refused(small, tmp_path):
    plan, weekly = small
    with pytest.raises(StorageError, match="changed after the lot"):
        analyse_trial(weekly, replace(plan, settings={**plan.settings, "seed": 6}))
    write_plan(plan, tmp_path)
    value = json.loads((tmp_path / "plan.json").read_text())
    value["settings"]["rope"] = [-9, 9]
    (tmp_path / "plan.json").write_text(json.dumps(value))
    with pytest.raises(StorageError, match="changed after the lot"):
        analyse_trial(weekly, tmp_path / "plan.json")
    with pytest.raises(StorageError, match="the protocol has"):
        analyse_trial(weekly, plan, expected_hash="0" * 64)


def test_one_mix_for_everybody_is_refused():
    plan = trial_plan(1, 8, weeks=12)
    weekly = weekly_of(play(plan, GrowthTruth(players=8, weeks=12), 1))
    same = weekly.table["minutes"].where(weekly.table["mode"] == "game", 35.0)
    flat = WeeklyCells(weekly.table.assign(minutes=same), 12, weekly.starts, "flat")
    with pytest.raises(IdentificationError, match="same mix") as caught:
        analyse_trial(flat, None)
    assert "transfer trial plan" in caught.value.next_step
    trial = analyse_trial(flat, plan, sensitivity=False, redraws=99)
    assert trial.as_done is None
    assert any("No analysis as done" in note for note in trial.notes)


def test_interim_look_before_the_swap(small):
    plan, weekly = small
    early = weekly.table[weekly.table["week"] < 10]
    found = analyse_trial(
        WeeklyCells(early, 10, weekly.starts, "early"), plan, sensitivity=False, redraws=99
    )
    assert found.main.posterior.data.parallel
    assert any("Unplanned look after week 10; planned: 20, 26" in n for n in found.notes)
    assert any("Nobody has swapped yet" in n for n in found.notes)
    assert "keep to the plan; 16 of its weeks are still to come" in found.text
    assert found.classical is None


@pytest.mark.parametrize(("squads", "said"), [(1, "leaning"), (7, "ahead")])
def test_ahead_for_squads_only_when_the_lots_agree(squads, said):
    """Two squads in three programs: 8 lots, so no p-value is small enough, whatever happened."""
    programs = 3 if squads == 1 else 12
    roster = trial_roster(programs)
    half = 7 if squads == 1 else 2
    roster["squad"] = [f"S{(i % 14) // half}" for i in range(len(roster))]
    plan = make_plan(
        roster, weeks=26, start=START, seed=2, unit="squad", strata=(), registered=REGISTERED
    )
    large = replace(LARGE, gain_rep=0.0, gain_live=0.9, teams=programs)
    found = analyse_trial(weekly_of(play(plan, large, 3)), plan, sensitivity=False, redraws=199)
    v = found.main.verdict
    assert word(v.contraction, v.probability, v.probability_in_rope) == "ahead"
    assert found.verdict == said
    assert any("must agree" in note for note in found.notes) == (said == "leaning")
    assert ("gave more game improvement" in found.text) == (said == "ahead")


def test_pairs_are_named_and_a_player_without_records_is_kept():
    roster = trial_roster(1, 8).assign(pair=[f"D{i // 2}" for i in range(8)])
    plan = make_plan(
        roster, weeks=12, start=START, seed=2, unit="pair", strata=(), registered=REGISTERED
    )
    weekly = weekly_of(play(plan, GrowthTruth(players=8, weeks=12), 1))
    absent = weekly.table[weekly.table["player"] != "P004"]
    found = analyse_trial(
        WeeklyCells(absent, 12, weekly.starts, "absent"), plan, sensitivity=False, redraws=99
    )
    assert found.main.posterior.data.players == 8
    assert any("drawn in pairs" in note for note in found.notes)
    assert found.adherence.players.set_index("player").loc["P004", "missed_weeks"] == 12


def test_check_outcome_in_line_and_out_of_line(small):
    plan, weekly = small
    rng = np.random.default_rng(5)
    rows = plan.table[["program", "player", "week", "arm"]].copy()
    rows["attempts"] = rng.poisson(12, len(rows))
    fair = rows.assign(makes=rng.binomial(rows["attempts"], 0.7)).drop(columns="arm")
    found = analyse_trial(weekly, plan, free_throws=fair, sensitivity=False, redraws=99)
    assert found.control.verdict.probability < 0.975
    assert any("In line with a fair lot" in part for part in found.report)
    moved = np.where(rows["arm"] == "live_heavy", 0.78, 0.62)
    tilted = rows.assign(makes=rng.binomial(rows["attempts"], moved)).drop(columns="arm")
    odd = analyse_trial(weekly, plan, free_throws=tilted, sensitivity=False, redraws=99)
    assert odd.control.verdict.probability > 0.975
    assert any("That is out of line" in part for part in odd.report)
    dated = fair.assign(date=pd.Timestamp(START) + pd.to_timedelta(7 * fair["week"] - 5, unit="D"))
    dated["date"] = dated["date"].dt.strftime("%Y-%m-%d")
    again = analyse_trial(
        weekly, plan, free_throws=dated.drop(columns="week"), sensitivity=False, redraws=99
    )
    assert again.control.verdict.mean == pytest.approx(found.control.verdict.mean)


@pytest.mark.parametrize(
    ("outcome", "message"),
    [
        ({"player": ["P001"], "attempts": [3], "makes": [1]}, "week or date"),
        ({"player": ["P001"], "week": [1], "attempts": [3], "makes": [4]}, "makes 4 of attempts 3"),
        ({"player": ["P001"], "week": ["x"], "attempts": [3], "makes": [1]}, "row 1: week or"),
        ({"player": ["Z"], "week": [1], "attempts": [3], "makes": [1]}, "no player and week"),
        ({"player": ["P001"], "week": [1], "attempts": ["x"], "makes": [1]}, "attempts x"),
    ],
)
def test_bad_check_outcome(small, outcome, message):
    plan, weekly = small
    with pytest.raises(RecordsError, match=message):
        analyse_trial(weekly, plan, free_throws=pd.DataFrame(outcome), sensitivity=False)


def test_control_sentence_names_the_side():
    row = {"low": -1.0, "high": 2.0, "probability": 0.8, "favoured": "better in live-heavy weeks"}
    assert "-1.0 to +2.0 points, chance 80% for better in live-heavy weeks" in control_text(row)


def test_missing_minutes_leave_the_assigned_analysis_standing():
    plan = trial_plan(2, 8, weeks=12)
    weekly = weekly_of(play(plan, GrowthTruth(players=8, weeks=12, teams=2), 1))
    blank = (weekly.table["week"] == 3) & (weekly.table["mode"] == "live")
    minutes = weekly.table["minutes"].mask(blank)
    lacking = WeeklyCells(weekly.table.assign(minutes=minutes), 12, weekly.starts, "lacking")
    found = analyse_trial(lacking, plan, sensitivity=False, redraws=99)
    assert found.as_done is None
    assert any("lacks minutes" in note for note in found.notes)
    whole = analyse_trial(weekly, plan, sensitivity=False, redraws=99)
    assert found.main.verdict.mean == pytest.approx(whole.main.verdict.mean)


@pytest.mark.parametrize(
    ("probability", "said"),
    [(0.5, "50%"), (0.87, "87%"), (0.99, "99.0%"), (0.9995, "over 99.9%"), (1.0, "over 99.9%")],
)
def test_chance_never_claims_certainty(probability, said):
    assert chance(probability) == said


def test_parallel_groups_use_the_difference_between_players():
    plan = trial_plan(6, design="parallel")
    season = play(plan, replace(LARGE, teams=6), 4)
    found = analyse_trial(weekly_of(season), plan, sensitivity=False, redraws=199)
    assert found.main.posterior.data.parallel
    assert found.favours == "live"
    assert found.main.verdict.contraction < 0.6
    assert found.randomisation.difference > 0
    assert found.as_done is not None
    assert found.classical is None
    assert not any("Nobody has swapped" in note for note in found.notes)
