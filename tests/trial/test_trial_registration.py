"""The day of the lot against the first game: a lot that came later counts as chosen."""

from __future__ import annotations

import datetime as dt

import pytest
from test_trial_analysis import CAUSAL, LARGE
from test_trial_registered import assignments
from trial_seasons import REGISTERED, START, play, trial_plan, weekly_of

from transfer.errors import ArgumentError, IdentificationError, StorageError
from transfer.records.weeks import WeeklyCells
from transfer.trial.analysis import analyse_trial
from transfer.trial.plan import plan_from_dict
from transfer.trial.precision import plan_warnings
from transfer.trial.protocol import protocol_text
from transfer.trial.registered import plan_from_assignments
from transfer.trial.registration import Registration
from transfer.trial.wording import CHOSEN_MIX

LATE = dt.date(2026, 12, 7)
GAME = dt.date(2026, 11, 6)


@pytest.mark.parametrize(
    ("registered", "fixed_on", "in_time", "said"),
    [
        (GAME, None, True, "before or on the day of the first game (2026-11-06)"),
        (GAME + dt.timedelta(1), None, False, "it counts as chosen"),
        (
            LATE,
            GAME,
            False,
            "it counts as chosen. That it was fixed on 2026-11-06 is somebody's word",
        ),
        (GAME, REGISTERED, True, "before or on the day of the first game (2026-11-06)."),
    ],
)
def test_the_day_decides(registered, fixed_on, in_time, said):
    found = Registration(registered, fixed_on, GAME)
    assert found.in_time is in_time
    assert said in found.text
    assert registered.isoformat() in found.text
    assert found.to_dict()["in_time"] is in_time


@pytest.fixture(scope="module")
def weekly():
    return weekly_of(play(trial_plan(12), LARGE, 3))


@pytest.fixture(scope="module")
def late(weekly):
    return analyse_trial(weekly, trial_plan(12, registered=LATE), sensitivity=False, redraws=99)


def test_late_lot_counts_as_chosen_and_is_said_to_be_late(late):
    v = late.main.verdict
    assert v.probability >= 0.975
    assert v.contraction <= 0.6
    assert late.verdict == "leaning"
    assert not late.randomised
    assert not late.main.posterior.data.randomised
    assert late.main.label == "as listed, after the first game"
    assert "registered on 2026-12-07, after the first game (2026-11-02)" in late.text
    assert "counts as chosen" in late.text
    assert CHOSEN_MIX not in late.text
    assert not CAUSAL.search(" ".join(late.report))
    assert late.randomisation is None
    assert late.classical is None
    assert late.to_dict()["registration"]["in_time"] is False
    assert late.to_dict()["growth"]["randomised"] is False
    assert set(late.looks["verdict"]) == {"leaning"}


def test_lot_in_time_says_its_day(weekly):
    plan = trial_plan(12)
    found = analyse_trial(weekly, plan, sensitivity=False, redraws=99)
    assert found.verdict == "ahead"
    assert found.registration.in_time
    assert "The lot was registered on 2026-10-26, before or on" in " ".join(found.report)


def test_no_game_yet_is_nothing_to_be_late_for(weekly):
    plan = trial_plan(12, registered=LATE)
    before = weekly.table["mode"] != "game"
    none = weekly.table.assign(
        n=weekly.table["n"].where(before, 0), y=weekly.table["y"].where(before, 0)
    )
    with pytest.raises(IdentificationError, match="no game attempts"):
        analyse_trial(WeeklyCells(none, weekly.weeks, weekly.starts, "none"), plan)


def test_late_groups_that_keep_their_mix_are_compared_within_players():
    """Without a lot the difference between groups is the difference between their players."""
    plan = trial_plan(2, design="parallel", registered=LATE)
    season = weekly_of(play(plan, LARGE.__class__(teams=2), 3))
    late = analyse_trial(season, plan, sensitivity=False, redraws=99)
    in_time = analyse_trial(season, trial_plan(2, design="parallel"), sensitivity=False, redraws=99)
    assert in_time.main.posterior.data.parallel
    assert not late.main.posterior.data.parallel
    assert late.main.verdict.contraction > in_time.main.verdict.contraction


def test_day_is_printed_kept_and_covered_by_the_hash():
    plan = trial_plan(2, 6)
    assert "registered on 2026-10-26" in plan.text
    assert "registered on 2026-10-26" in " ".join(protocol_text(plan).split())
    assert plan.plan_hash != trial_plan(2, 6, registered=LATE).plan_hash
    value = plan.to_dict()
    value["settings"]["registered"] = "2026-10-25"
    with pytest.raises(StorageError, match="changed after the lot"):
        plan_from_dict(value)
    assert not any("counts the mix as chosen" in note for note in plan_warnings(plan))
    late = plan_warnings(trial_plan(2, 6, registered=LATE))
    assert any("after week 1 began (2026-11-02)" in note for note in late)


def test_today_is_the_day_when_none_is_given(monkeypatch):
    monkeypatch.setattr("transfer.trial.plan.today", lambda: LATE)
    assert trial_plan(2, 6, registered=None).settings["registered"] == "2026-12-07"
    found = plan_from_assignments(assignments(), fixed_on=REGISTERED)
    assert found.settings["registered"] == "2026-12-07"
    assert found.settings["fixed_on"] == "2026-10-26"
    assert "registered on 2026-12-07, fixed on 2026-10-26 by the word of who drew it" in found.text
    with pytest.raises(ArgumentError, match="fixed_on=2026-12-08 lies after 2026-12-07"):
        plan_from_assignments(assignments(), fixed_on="2026-12-08")
    with pytest.raises(ArgumentError, match="fixed_on='soon'"):
        plan_from_assignments(assignments(), fixed_on="soon")
    assert START > REGISTERED
