"""Plans of lots that were drawn elsewhere."""

from __future__ import annotations

import pandas as pd
import pytest
from trial_seasons import trial_plan, trial_roster

from transfer.errors import ArgumentError, StorageError
from transfer.trial.plan import plan_from_dict
from transfer.trial.registered import plan_from_assignments


def assignments(**changes) -> pd.DataFrame:
    table = trial_plan(2, 6, weeks=12, **changes).table
    minutes = table["rep_minutes"] + table["live_minutes"]
    columns = ["program", "player", "week", "week_start", "arm", "live_share", "minutes"]
    return table.rename(columns={"first_day": "week_start"}).assign(minutes=minutes)[columns]


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"design": "parallel"},
        {"design": "blocks", "block_weeks": 3},
        {"breaks": [("2026-12-21", "2027-01-03")]},
    ],
)
def test_registered_plan_is_the_plan(changes):
    made = trial_plan(2, 6, weeks=12, **changes)
    found = plan_from_assignments(assignments(**changes), looks=(8,), rope=(-2, 2))
    pd.testing.assert_frame_equal(found.table, made.table)
    assert found.settings["design"] == made.settings["design"]
    assert found.settings["rope"] == [-2.0, 2.0]
    assert found.settings["looks"] == [8, 12]
    assert "lot drawn elsewhere" in found.text
    back = plan_from_dict(found.to_dict())
    assert back.plan_hash == found.plan_hash


def test_registered_plan_is_guarded_by_its_hash():
    value = plan_from_assignments(assignments()).to_dict()
    first = value["units"][0]["first_arm"]
    value["units"][0]["first_arm"] = {"live_heavy": "rep_heavy", "rep_heavy": "live_heavy"}[first]
    with pytest.raises(StorageError, match="changed after"):
        plan_from_dict(value)


def test_strata_come_from_the_roster():
    roster = trial_roster(2, 6).assign(position=["guard", "wing", "big"] * 4)
    found = plan_from_assignments(assignments(), roster, strata=("position",))
    assert set(found.units["stratum_position"]) == {"guard", "wing", "big"}


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda f: f.drop(columns="arm"), "no column arm"),
        (lambda f: f.replace({"arm": {"live_heavy": "live"}}), "arm 'live' is unknown"),
        (lambda f: f.iloc[1:], "lack some weeks"),
        (lambda f: pd.concat([f, f.iloc[[0]]]), "two rows for one week"),
        (lambda f: f.assign(week_start="2026-11-03"), "starts on 2026-11-03"),
        (lambda f: f.assign(live_share=0.7), "live shares"),
        (lambda f: f.assign(live_share="much"), "live_share 'much'"),
        (lambda f: f.assign(week=["one", *f["week"][1:]]), "row 1, week 'one'"),
        (lambda f: f.drop(columns="minutes"), "no column minutes"),
        (
            lambda f: f.assign(arm=["live_heavy", *f["arm"][1:-1], "rep_heavy"]),
            "different calendars",
        ),
    ],
)
def test_refusals(change, message):
    with pytest.raises(ArgumentError) as caught:
        plan_from_assignments(change(assignments()))
    assert message in str(caught.value)
