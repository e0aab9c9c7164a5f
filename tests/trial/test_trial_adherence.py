"""Planned against done, and laying records on a plan's calendar."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from trial_seasons import START, play, trial_plan, weekly_of

from transfer.errors import RecordsError
from transfer.records.weeks import WeeklyCells
from transfer.simulation.growth import GrowthTruth
from transfer.trial.adherence import adherence
from transfer.trial.cells import log_cells, plan_cells


@pytest.fixture(scope="module")
def season():
    plan = trial_plan(1, 8, weeks=12)
    return plan, weekly_of(play(plan, GrowthTruth(players=8, weeks=12), 1))


def changed(weekly: WeeklyCells, **columns) -> WeeklyCells:
    return WeeklyCells(weekly.table.assign(**columns), weekly.weeks, weekly.starts, "changed")


def test_a_followed_plan(season):
    plan, weekly = season
    found = adherence(plan, plan_cells(weekly, plan))
    assert len(found.table) == 8 * 12
    assert (found.table["state"] == "done").all()
    np.testing.assert_allclose(found.table["done_live"], found.table["planned_live"])
    assert found.separation == pytest.approx(1.0)
    assert not found.players["mixed"].any()
    assert not found.players["left"].any()
    assert "0 of 96 planned player-weeks were missed" in found.text


def test_missed_weeks_and_a_player_who_left(season):
    plan, weekly = season
    gone = (weekly.table["player"] == "P003") & (weekly.table["week"] >= 7)
    away = (weekly.table["player"] == "P005") & weekly.table["week"].isin([2, 3])
    practice = weekly.table["mode"] != "game"
    minutes = weekly.table["minutes"].mask(gone | (away & practice), 0.0)
    counts = {c: weekly.table[c].mask(gone | (away & practice), 0) for c in ("n", "y")}
    found = adherence(plan, plan_cells(changed(weekly, minutes=minutes, **counts), plan))
    players = found.players.set_index("player")
    assert players.loc["P003", "left"]
    assert players.loc["P003", "last_active_week"] == 7
    assert players.loc["P003", "missed_weeks"] == 5
    assert players.loc["P005", "missed_weeks"] == 2
    assert players.loc["P005", "minutes_share"] == pytest.approx(10 / 12)
    assert players["left"].sum() == 1
    assert "7 of 96 planned player-weeks were missed" in found.text
    assert "1 players stopped early (P003)" in found.text


def test_mixing_the_arms_is_flagged(season):
    plan, weekly = season
    wrong = (weekly.table["player"] == "P002") & (weekly.table["week"] < 4)
    rows = weekly.table.set_index(["player", "week", "mode"])["minutes"]
    other = {"rep": "live", "live": "rep", "game": "game"}
    crossed = [
        rows[(p, w, other[m])] if flag else value
        for p, w, m, flag, value in zip(
            weekly.table["player"],
            weekly.table["week"],
            weekly.table["mode"],
            wrong,
            weekly.table["minutes"],
            strict=True,
        )
    ]
    found = adherence(plan, plan_cells(changed(weekly, minutes=crossed), plan))
    players = found.players.set_index("player")
    assert players.loc["P002", "other_side_share"] == pytest.approx(4 / 12)
    assert list(players.index[players["mixed"]]) == ["P002"]
    assert players.loc["P002", "separation"] < 0.5
    assert "Cross-contamination: 1 players (P002)" in found.text


def test_minutes_not_charted_are_not_a_missed_week(season):
    plan, weekly = season
    blank = (weekly.table["player"] == "P001") & (weekly.table["week"] == 5)
    minutes = weekly.table["minutes"].mask(blank & (weekly.table["mode"] == "rep"))
    found = adherence(plan, plan_cells(changed(weekly, minutes=minutes), plan))
    state = found.table.set_index(["player", "week"])["state"]
    assert state["P001", 6] == "not_charted"
    assert "1 lack charted minutes" in found.text


def test_weeks_before_the_trial_set_the_exposure_only(season):
    plan, weekly = season
    early = WeeklyCells(
        weekly.table, weekly.weeks, {"S1": START - dt.timedelta(weeks=3)}, "earlier"
    )
    cells = plan_cells(early, plan)
    assert cells.recorded_weeks == 9
    assert set(cells.table["week"]) == set(range(1, 13))
    three = weekly.table[(weekly.table["week"] < 3) & (weekly.table["mode"] == "live")]
    keep = 2 ** (-1 / 4)
    for unit, minutes in three.groupby("unit")["minutes"]:
        carried = 20.0
        for done in minutes:
            carried = keep * carried + (1 - keep) * done
        assert cells.start[unit][1] == pytest.approx(carried)
    assert any("before week 1" in note for note in cells.notes)


def test_other_players_and_late_games_are_left_out(season):
    plan, weekly = season
    extra = weekly.table[weekly.table["player"] == "P001"].assign(player="P099", unit="T01/P099")
    more = WeeklyCells(
        pd.concat([weekly.table, extra], ignore_index=True), weekly.weeks, weekly.starts, "more"
    )
    cells = plan_cells(more, plan)
    assert "P099" not in set(cells.table["player"])
    assert any("T01/P099" in note for note in cells.notes)
    late = WeeklyCells(weekly.table, 12, {"S1": START + dt.timedelta(weeks=6)}, "late")
    cut = plan_cells(late, plan)
    assert any("after the last week" in note for note in cut.notes)
    assert cut.table["n"].sum() < weekly.games["n"].sum()


def test_refusals(season):
    plan, weekly = season
    with pytest.raises(RecordsError, match="no player of the plan"):
        plan_cells(changed(weekly, player="X"), plan)
    with pytest.raises(RecordsError, match="no week of the plan"):
        plan_cells(WeeklyCells(weekly.table, 12, {"S1": START - dt.timedelta(weeks=99)}, ""), plan)


def test_log_keeps_every_week(season):
    _, weekly = season
    cells = log_cells(weekly)
    assert len(cells.table) == 8 * 12
    assert cells.table["n"].sum() == weekly.games["n"].sum()
    assert set(cells.start.values()) == {(20.0, 20.0)}
