"""Weekly cells to arrays, and refusals of records that cannot answer at any size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from transfer.errors import ArgumentError, IdentificationError
from transfer.models.growth_data import (
    GrowthData,
    check_identified,
    dose_of,
    growth_data,
    growth_data_from_season,
    until_week,
)
from transfer.models.growth_posterior import growth_provenance
from transfer.models.growth_settings import GrowthSettings
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Observational, Parallel


def weekly_cells(season) -> pd.DataFrame:
    wide = season.table.pivot(
        index=["program", "player", "week", "minutes_rep", "minutes_live"],
        columns="setting",
        values=["n", "y"],
    ).reset_index()
    wide.columns = ["_".join(c).strip("_") for c in wide.columns]
    return pd.DataFrame(
        {
            "unit": wide["player"],
            "program": wide["program"],
            "season": "2026-27",
            "week": wide["week"],
            "rep_minutes": wide["minutes_rep"],
            "live_minutes": wide["minutes_live"],
            "n": wide["n_game"],
            "y": wide["y_game"],
            "rep_n": wide["n_rep"],
            "rep_y": wide["y_rep"],
            "live_n": wide["n_live"],
            "live_y": wide["y_live"],
        }
    )


@pytest.fixture(scope="module")
def season():
    return simulate_growth(GrowthTruth(teams=2), Crossover(13), 5)


def test_cells_and_season_give_the_same_arrays(season):
    direct = growth_data_from_season(season)
    cells = weekly_cells(season).sample(frac=1.0, random_state=1)
    built = growth_data(cells, randomised=True)
    for name in ("n", "y", "minutes", "team", "start", "practice_n", "practice_y"):
        np.testing.assert_array_equal(getattr(built, name), getattr(direct, name), err_msg=name)
    assert built.rates == pytest.approx(season.truth.rates, rel=0.02)
    assert built.notes == ()


def test_absent_weeks_and_assumed_rates_are_said(season):
    cells = weekly_cells(season).drop(columns=["rep_n", "rep_y", "live_n", "live_y"])
    built = growth_data(cells.drop(cells.index[3]))
    assert built.n.sum() == cells["n"].sum() - cells["n"].iloc[3]
    assert any("assumed, not measured" in note for note in built.notes)
    assert any(note.startswith("1 player-weeks have no row") for note in built.notes)


@pytest.mark.parametrize("column", ["live_minutes", "n"])
def test_missing_column_is_named(season, column):
    with pytest.raises(ArgumentError, match=column):
        growth_data(weekly_cells(season).drop(columns=column))


def test_repeated_rows_are_refused(season):
    cells = weekly_cells(season)
    with pytest.raises(ArgumentError, match="1 player-weeks appear more than once"):
        growth_data(pd.concat([cells, cells.head(1)]))


def test_dose_splits_into_inside_and_between(season):
    data = growth_data_from_season(season)
    dose = dose_of(data)
    weighted = np.einsum("kpt,pt->kp", dose.within, data.n) / data.n.sum(axis=1)
    np.testing.assert_allclose(weighted, 0.0, atol=1e-12)
    np.testing.assert_allclose(dose.between.mean(axis=1), 0.0, atol=1e-12)
    shift = season.dose - dose.total
    np.testing.assert_allclose(shift - shift[:, :1, :1], 0.0, atol=1e-12)


def test_same_mix_for_everyone_is_refused(season):
    data = growth_data_from_season(season)
    together = np.repeat(data.minutes[:, :1], data.players, axis=1)
    with pytest.raises(IdentificationError, match="same mix") as caught:
        check_identified(replace(data, minutes=together))
    assert "trial plan" in caught.value.next_step


def test_one_flat_team_is_named_and_the_other_is_kept(season):
    data = growth_data_from_season(season)
    minutes = data.minutes.copy()
    minutes[:, data.team == 1] = 35.0
    checked = check_identified(replace(data, minutes=minutes))
    assert checked.notes == ("T02: all players did the same mix, it tells nothing",)


def test_short_season_and_no_games_are_refused(season):
    data = growth_data_from_season(season)
    with pytest.raises(IdentificationError, match="5 weeks"):
        check_identified(until_week(data, 5))
    none = replace(data, n=np.zeros_like(data.n), y=np.zeros_like(data.y))
    with pytest.raises(IdentificationError, match="no game attempts"):
        check_identified(none)


def test_a_look_before_the_end_has_its_own_hash(season):
    data = growth_data(weekly_cells(season), randomised=True)
    whole, early = until_week(data, data.weeks), until_week(data, 20)
    assert whole.data_hash == data.data_hash
    hashes = {growth_provenance(d, GrowthSettings(), 1, {}).data_hash for d in (data, early, whole)}
    assert len(hashes) == 2


def test_dose_that_follows_the_calendar_alone_is_refused():
    season = simulate_growth(GrowthTruth(teams=1), Parallel(0.8), 2)
    data = growth_data_from_season(season)
    # each player keeps one mix from before the first week: constant dose, no movement inside
    still = replace(data, start=data.minutes[:, :, 0].copy())
    with pytest.raises(IdentificationError, match="collinear") as caught:
        check_identified(still)
    assert "parallel=True" in caught.value.next_step
    assert check_identified(replace(still, parallel=True)).notes == ()


@pytest.mark.parametrize("schedule", [Crossover(13), Crossover(4), Observational(week_noise=0.2)])
def test_usable_schedules_pass(schedule):
    data = growth_data_from_season(simulate_growth(GrowthTruth(), schedule, 3))
    assert check_identified(data) is data


def test_parallel_needs_a_lot(season):
    with pytest.raises(ArgumentError, match="parallel=True"):
        replace(growth_data_from_season(season), randomised=False, parallel=True)


def test_impossible_counts_are_refused():
    with pytest.raises(ArgumentError, match="1 cells have more makes"):
        GrowthData(
            n=np.ones((1, 2)),
            y=np.array([[2, 1]]),
            minutes=np.ones((2, 1, 2)),
            team=np.zeros(1, dtype=int),
            start=np.ones((2, 1)),
        )
