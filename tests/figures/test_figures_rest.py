from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_mix, invented_posterior

from transfer.errors import ArgumentError
from transfer.forecast import figure_calibration as calibration
from transfer.forecast.track_record import game_counts, track_record
from transfer.mix import figure_response as mix_response
from transfer.reading import figure_information as information
from transfer.reading import figure_shares as shares
from transfer.reading.information import rate_information, read_information
from transfer.reading.reading import read_transfer
from transfer.records.geometry import BODIES, spot
from transfer.reports import figure_court as court
from transfer.simulation.schedules import Crossover
from transfer.trial import figure_dose as dose
from transfer.trial import figure_until_known as until_known
from transfer.trial.adherence import Adherence
from transfer.trial.assurance import until_we_know


@pytest.fixture(scope="module")
def cells():
    return invented_cells(5, ("A", "B"))


@pytest.fixture(scope="module")
def posterior(cells):
    return invented_posterior(cells)


@pytest.fixture(scope="module")
def verdict_fit(cells):
    return invented_posterior(cells, purpose="verdict")


@pytest.fixture(scope="module")
def weeks():
    rows = [
        {
            "program": "A",
            "player": f"P{p:02d}",
            "week": w,
            "arm": "live_heavy" if (p + (w > 6)) % 2 else "rep_heavy",
            "planned_rep": 10.0 if (p + (w > 6)) % 2 else 40.0,
            "planned_live": 40.0 if (p + (w > 6)) % 2 else 10.0,
            "done_rep": 12.0 if (p + (w > 6)) % 2 else 36.0,
            "done_live": 36.0 if (p + (w > 6)) % 2 else 12.0,
            "done_share": 0.75 if (p + (w > 6)) % 2 else 0.25,
            "state": "missed" if (p, w) == (1, 3) else "done",
            "other_side": (p, w) == (2, 5),
        }
        for p in range(1, 5)
        for w in range(1, 13)
    ]
    return Adherence(pd.DataFrame(rows), pd.DataFrame())


@pytest.fixture(scope="module")
def practice():
    return pd.DataFrame(
        {
            "mode": ["rep", "rep", "rep", "live", "live"],
            "spot": ["left_elbow", "elbow", "block", "right elbow", None],
            "side": ["", "left", "right", "", "left"],
            "attempts": [30, 10, 20, 8, 5],
            "makes": [15, 6, 13, 3, 2],
        }
    )


@pytest.fixture(scope="module")
def frames(cells, posterior, verdict_fit, weeks, practice):
    facts = invented_mix()
    later = cells.table.assign(season="2026-27")
    later = later.assign(unit=later["unit"].str.replace("2025-26", "2026-27"))
    moved = type(cells)(later, cells.settings, tuple(sorted(later["unit"].unique())), "later")
    return {
        shares: shares.frame(read_transfer(verdict_fit)),
        information: information.frame(read_information(verdict_fit)),
        dose: dose.frame(weeks),
        until_known: until_known.frame(until_we_know(Crossover(13), team_seasons=(1, 3, 12))),
        mix_response: facts.response(),
        calibration: calibration.frame(track_record(posterior, game_counts(cells), moved)),
        court: court.frame(practice, "NCAA"),
    }


MODULES = [shares, information, dose, until_known, mix_response, calibration, court]


@pytest.mark.parametrize("module", MODULES, ids=lambda m: m.__name__.rsplit(".", 1)[1])
def test_each_figure_draws_its_frame_and_says_it_in_words(module, frames):
    table = frames[module]
    figure = module.draw(table)
    assert any(axes.has_data() for axes in figure.axes)
    words = module.describe(table)
    assert len(words) > 80
    assert words.endswith(".")
    assert sum(sign.isdigit() for sign in words) >= 4
    assert "nan" not in words


def test_shares_are_those_of_the_reading(verdict_fit, frames):
    reading = read_transfer(verdict_fit)
    table = frames[shares]
    assert list(table["quantity"]) == ["rep", "live", "all"]
    known = reading.r2.set_index("quantity")["mean"]
    np.testing.assert_allclose(table["mean"], known.loc[table["quantity"]])


def test_information_counts_minutes_by_the_charted_pace(verdict_fit, cells, frames):
    table = frames[information]
    for mode, rows in table.groupby("mode"):
        charted = cells.table[cells.table["mode"] == mode]
        pace = charted["n"].sum() / charted["minutes"].sum()
        np.testing.assert_allclose(rows["minutes"], rows["attempts"] / pace)
    live = rate_information(verdict_fit.population, 1)
    row = table[(table["mode"] == "live") & (table["attempts"] == 100)].iloc[0]
    assert row["mean"] == pytest.approx(live.r2(100.0).mean())


def test_information_without_minutes_has_one_panel(verdict_fit):
    bare = replace(verdict_fit.cells, table=verdict_fit.cells.table.assign(minutes=np.nan))
    table = information.frame(read_information(replace(verdict_fit, cells=bare)))
    assert table["minutes"].isna().all()
    assert len(information.draw(table).axes) == 1
    assert "a minute" not in information.describe(table)


def test_dose_leaves_missed_weeks_out_and_counts_the_other_side(frames):
    table = frames[dose]
    assert len(table) == 4 * 12 - 1
    assert table.groupby("arm")["planned_share"].mean().to_dict() == pytest.approx(
        {"live_heavy": 0.8, "rep_heavy": 0.2}
    )
    assert "1 of 47 player-weeks" in dose.describe(table)


def test_the_curve_names_every_number_of_team_seasons(frames):
    figure = until_known.draw(frames[until_known])
    labels = [t.get_text() for t in figure.axes[0].get_legend().get_texts()]
    assert labels == ["1 team-season", "3 team-seasons", "12 team-seasons"]


def test_the_lines_of_a_whole_curve_look_different():
    figure = until_known.draw(until_known.frame(until_we_know(Crossover(13))))
    lines = figure.axes[0].get_legend().get_lines()
    assert len(lines) == 6
    assert len({(str(line.get_linestyle()), line.get_marker()) for line in lines}) == 6


def test_mix_response_is_zero_now_and_best_where_the_advice_says(frames):
    facts = invented_mix()
    table = frames[mix_response]
    now = table.iloc[(table["live"] - 20.0).abs().argmin()]
    assert abs(now["gain"]) < 0.05
    best = table.loc[table["gain"].idxmax()]
    assert best["live"] == pytest.approx(facts.advice.best[1], abs=1.0)
    assert best["gain"] == pytest.approx(facts.advice.makes_per_100, abs=0.02)
    assert (table["rep"] + table["live"]).to_numpy() == pytest.approx(60.0)
    assert (table["regret"] >= 0).all()
    assert table["regret"].idxmin() == table["gain"].idxmax()


def test_court_adds_up_spots_and_keeps_the_rule_books_places(practice, frames):
    table = frames[court].set_index(["mode", "spot", "side"])
    assert table.loc[("rep", "elbow", "left"), "attempts"] == 40
    assert table.loc[("rep", "elbow", "left"), "rate"] == pytest.approx(21 / 40)
    assert table["attempts"].sum() == 68
    place = spot("left_elbow", "NCAA")
    assert table.loc[("rep", "elbow", "left"), ["x", "y"]].tolist() == [place.x, place.y]


@pytest.mark.parametrize("body", sorted(BODIES))
def test_court_is_to_scale_in_feet_and_metres_and_names_the_rule_body(practice, body):
    feet, metres = court.frame(practice, body), court.frame(practice, body, "m")
    for column in ("x", "y", "distance"):
        np.testing.assert_allclose(metres[column], feet[column] * 0.3048)
    for table, unit in ((feet, "feet"), (metres, "metres")):
        axes = court.draw(table).axes[0]
        assert axes.get_aspect() == 1.0
        assert axes.get_xlabel() == f"{unit} from the ring, {body} court"


def test_court_refuses_an_unknown_unit(practice):
    with pytest.raises(ArgumentError, match="yd"):
        court.frame(practice, "NCAA", "yd")


def test_calibration_frame_rises(frames, cells):
    table = frames[calibration]
    assert len(table) == len(cells.table.query("setting == 'game' and n > 0"))
    assert table["forecast"].is_monotonic_increasing
    assert table["reliability"].is_monotonic_increasing
    assert (table["band_low"] <= table["band_high"]).all()
