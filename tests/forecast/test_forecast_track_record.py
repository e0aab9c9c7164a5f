"""Earlier forecasts against later games."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_posterior
from scipy.special import expit, logit
from scipy.stats import binom

from transfer.errors import ArgumentError
from transfer.forecast.track_record import (
    game_counts,
    games_since,
    pooled_adjacent_violators,
    track_record,
)
from transfer.records.cells import Cells


def next_season(cells: Cells, counts: dict[str, tuple[int, int]], season="2026-27") -> Cells:
    """The same players a season later, with these game counts (others as they were)."""
    table = cells.table.assign(season=season)
    table = table.assign(unit=table["unit"].str.replace("2025-26", season))
    game = table["setting"] == "game"
    for player, (n, y) in counts.items():
        table.loc[game & (table["player"] == player), ["n", "y"]] = n, y
    return Cells(table, cells.settings, tuple(sorted(table["unit"].unique())), season)


@pytest.fixture(scope="module")
def cells():
    return invented_cells(6)


@pytest.fixture(scope="module")
def earlier(cells):
    return invented_posterior(cells, draws=500)


def test_pooled_adjacent_violators_by_hand():
    """Two violators, of weights 1 and 3, are pooled to their weighted mean."""
    curve = pooled_adjacent_violators(
        np.array([0.1, 0.2, 0.3, 0.4]), np.array([0.2, 0.6, 0.4, 0.8]), np.array([1, 1, 3, 1])
    )
    np.testing.assert_allclose(curve, [0.2, 0.45, 0.45, 0.8])


def test_ties_of_the_forecast_share_one_value():
    curve = pooled_adjacent_violators(
        np.array([0.4, 0.2, 0.4]), np.array([0.9, 0.1, 0.5]), np.array([1.0, 2.0, 3.0])
    )
    np.testing.assert_allclose(curve, [0.6, 0.1, 0.6])


def test_scores_bands_and_transform_against_a_direct_sum(cells, earlier):
    now = next_season(cells, {"P02": (40, 18)})
    found = track_record(earlier, game_counts(cells), now)
    row = found.table.set_index("player").loc["P02"]
    rates = expit(earlier.theta[:, earlier.units.index("A/2025-26/P02"), -1])
    mass = np.array([binom.pmf(k, 40, rates).mean() for k in range(41)])
    assert row["forecast"] == pytest.approx(rates.mean())
    assert row["log_score"] == pytest.approx(np.log(mass[18]))
    assert row["pit"] == pytest.approx(mass[:18].sum() + 0.5 * mass[18])
    below = mass.cumsum()
    assert below[row["low_90"]] >= 0.05 > below[row["low_90"]] - mass[row["low_90"]]
    assert below[row["high_90"]] >= 0.95
    assert row["mass_90"] >= 0.90
    everyone = expit(earlier.theta[:, :, -1]).mean()
    assert row["pooled_score"] == pytest.approx(binom.logpmf(18, 40, everyone))
    assert found.gain == pytest.approx(
        (found.table["log_score"] - found.table["pooled_score"]).sum()
    )


def test_right_forecasts_are_covered_and_wrong_ones_are_not():
    """200 players whose games follow the draws, and the same with rates 15 points too high."""
    many = invented_cells(200)
    fit = invented_posterior(many, draws=300)
    rng = np.random.default_rng(8)
    rates = expit(fit.theta[rng.integers(0, 300, 200), np.arange(200), -1])
    counts = {
        unit.rsplit("/", 1)[1]: (50, int(rng.binomial(50, rate)))
        for unit, rate in zip(fit.units, rates, strict=True)
    }
    now = next_season(many, counts)
    right = track_record(fit, game_counts(many), now)
    for row in right.coverage.itertuples():
        error = np.sqrt(row.expected * (1 - row.expected) / 200)
        assert row.expected >= row.nominal
        assert abs(row.observed - row.expected) < 3.5 * error
    assert 0.45 < right.table["pit"].mean() < 0.55
    inside = right.reliability.eval("band_low <= reliability <= band_high").mean()
    assert inside > 0.75
    assert right.gain > 2 * right.gain_se > 0
    high = replace(fit, theta=logit(np.clip(expit(fit.theta) + 0.15, 0, 0.99)))
    wrong = track_record(high, game_counts(many), now)
    assert wrong.coverage["observed"].iloc[1] < 0.80
    assert wrong.table["pit"].mean() < 0.25
    assert wrong.reliability.eval("band_low <= reliability <= band_high").mean() < 0.5
    assert wrong.table["log_score"].sum() < right.table["log_score"].sum() - 50


def test_games_of_the_same_season_count_only_from_then_on(cells):
    today = game_counts(cells)
    since = games_since(today.assign(n=today["n"] // 2, y=0), cells).set_index("unit")
    known = today[today["n"] > 0].set_index("unit")
    assert set(since.index) == set(known.index)
    assert (since["n"] == (known["n"] - known["n"] // 2).loc[since.index]).all()
    assert (since["y"] == known["y"].loc[since.index]).all()
    with pytest.raises(ArgumentError, match="no player of the earlier run"):
        games_since(today, cells)


def test_a_player_without_a_game_row_then_is_judged_too(cells):
    bare = cells.table[cells.table["setting"] != "game"]
    then = game_counts(Cells(bare, cells.settings, cells.units, "x"))
    assert then["n"].sum() == 0
    assert len(games_since(then, cells)) == 5


def test_seasons_named_on_one_side_only_are_refused(cells):
    with pytest.raises(ArgumentError, match="which season"):
        games_since(game_counts(cells).assign(season=""), cells)


def test_shrinking_records_and_other_players_are_refused(cells, earlier):
    games = game_counts(cells)
    with pytest.raises(ArgumentError, match="fewer game attempts or makes"):
        games_since(games.assign(n=games["n"] + 1), cells)
    with pytest.raises(ArgumentError, match="its fit does not"):
        track_record(earlier, games.assign(unit="Z" + games["unit"]), next_season(cells, {}))
    table = cells.table.assign(
        player="Q" + cells.table["player"], season="2026-27",
        unit=cells.table["unit"].str.replace("2025-26/P", "2026-27/QP"),
    )  # fmt: skip
    strangers = Cells(table, cells.settings, tuple(sorted(table["unit"].unique())), "x")
    with pytest.raises(ArgumentError, match="no player of the earlier run"):
        track_record(earlier, game_counts(cells), strangers)


def test_a_player_of_two_earlier_seasons_is_forecast_from_the_latest(cells):
    two = pd.concat([cells.table, next_season(cells, {}).table], ignore_index=True)
    both = Cells(two, cells.settings, tuple(sorted(two["unit"].unique())), "two")
    third = next_season(cells, {}, "2027-28")
    since = games_since(game_counts(both), third)
    assert set(since["unit"].str.split("/").str[1]) == {"2026-27"}
    assert since["n"].sum() == cells.table.query("setting == 'game'")["n"].sum()


def test_the_text_gives_coverage_and_score(cells, earlier):
    found = track_record(earlier, game_counts(cells), next_season(cells, {}))
    first = found.coverage.iloc[0]
    assert f"{first['observed']:.0%} of them fell in their 50% ranges" in found.text
    assert f"{abs(found.gain):.1f} (standard error {found.gain_se:.1f})" in found.text
    assert (
        track_record(earlier, game_counts(cells), next_season(cells, {})).to_dict()
        == found.to_dict()
    )
