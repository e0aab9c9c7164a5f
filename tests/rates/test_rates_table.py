"""The rate table on cells: shape, shrinkage within a setting, words, target sets."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from transfer.errors import ArgumentError
from transfer.rates.full_bayes import beta_binomial_posterior
from transfer.rates.intervals import proportion_limits
from transfer.rates.rate_table import rate_table
from transfer.rates.shrinkage import fit_beta_binomial
from transfer.records.cells import Cells
from transfer.results import Result

SETTINGS = ("rep/none", "live/trailing")


def build(frame, settings=SETTINGS):
    return Cells(frame, settings, tuple(sorted(set(frame["unit"]))), "a" * 64)


@pytest.fixture(scope="module")
def cells():
    rng = np.random.default_rng(9)
    rows = []
    for player in range(14):
        for setting, n, a, b in (
            ("rep/none", 600, 60, 40),
            ("live/trailing", 150, 45, 60),
            ("game", 70, 40, 60),
        ):
            rows.append((f"P{player:02d}", setting, n, rng.binomial(n, rng.beta(a, b))))
    rows.append(("P14", "game", 0, 0))
    return build(pd.DataFrame(rows, columns=["unit", "setting", "n", "y"]))


@pytest.fixture(scope="module")
def found(cells):
    return rate_table(cells)


def test_shape_and_order(found):
    assert isinstance(found, Result)
    assert len(found.table) == 42
    assert list(found.settings["setting"]) == ["rep/none", "live/trailing", "game"]
    assert list(found.table["setting"].unique()) == ["rep/none", "live/trailing", "game"]
    assert list(found.table.columns[:11]) == [
        "unit", "setting", "n", "y", "raw", "raw_low", "raw_high",
        "shrunken", "shrunken_low", "shrunken_high", "reliability",
    ]  # fmt: skip
    assert found.dropped == 1
    assert "1 cell(s) without attempts" in found.text


@pytest.mark.parametrize("shrinkage", ["full_bayes", "empirical_bayes"])
def test_each_setting_is_shrunken_by_itself(cells, shrinkage):
    table = rate_table(cells, 0.8, shrinkage=shrinkage).table
    for setting, rows in table.groupby("setting"):
        counts = rows["y"].to_numpy(), rows["n"].to_numpy()
        low, high = proportion_limits(*counts, "wilson", 0.8)
        np.testing.assert_allclose(rows["raw_low"], low)
        np.testing.assert_allclose(rows["raw_high"], high)
        fit = beta_binomial_posterior if shrinkage == "full_bayes" else fit_beta_binomial
        alone = fit(*counts).shrink(prob=0.8)
        np.testing.assert_allclose(rows["shrunken"], alone["shrunken"], err_msg=setting)
        np.testing.assert_allclose(rows["shrunken_low"], alone["low"])
        np.testing.assert_allclose(rows["reliability"], alone["reliability"])


def test_shrunken_rates_are_nearer_and_narrower(found):
    table = found.table
    for _, rows in table.groupby("setting"):
        assert np.ptp(rows["shrunken"]) < np.ptp(rows["raw"])
        width = (rows["shrunken_high"] - rows["shrunken_low"]).mean()
        assert width < (rows["raw_high"] - rows["raw_low"]).mean()
    game = table[table["setting"] == "game"]["reliability"].mean()
    assert game < table[table["setting"] == "rep/none"]["reliability"].mean()


def test_words_and_json(found):
    assert "game: 14 players, 980 attempts" in found.text
    assert "Bands hold the expected rate, not a count to come: 90% wilson" in found.text
    plain = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert plain["interval"] == {
        "prob": 0.9, "raw_kind": "wilson", "shrunken_kind": "eti", "holds": "expected rate",
    }  # fmt: skip
    assert plain["players"][0]["unbiased"] is None
    assert plain["provenance"]["data_hash"] == "a" * 64


def test_cells_of_one_player_and_setting_are_added_up(cells):
    split = cells.table.copy()
    half = split.assign(n=split["n"] // 2, y=split["y"] // 3)
    rest = split.assign(n=split["n"] - half["n"], y=split["y"] - half["y"])
    parts = build(pd.concat([half, rest], ignore_index=True))
    pd.testing.assert_frame_equal(rate_table(parts).table, rate_table(cells).table)


def test_a_setting_without_enough_players_says_so():
    frame = pd.DataFrame(
        {
            "unit": ["P01", "P02", "P01", "P02", "P03"],
            "setting": ["rep/none"] * 2 + ["game"] * 3,
            "n": [50, 60, 30, 30, 30],
            "y": [30, 31, 12, 12, 12],
        }
    )
    found = rate_table(build(frame), shrinkage="empirical_bayes")
    rep = found.table[found.table["setting"] == "rep/none"]
    assert rep["shrunken"].isna().all()
    assert rep["raw_low"].notna().all()
    assert "not shrunken: the spread between players cannot be estimated from 2" in found.text
    assert "game: 3 players, 90 attempts" in found.text
    assert "differ by no more than chance explains" in found.text
    json.dumps(found.to_dict(), allow_nan=False)


def test_sets_with_a_target_get_their_unbiased_rate(cells):
    sets = pd.DataFrame(
        [
            ("P00", "live/trailing", 5, 9, 5),
            ("P00", "live/trailing", 5, 12, 5),
            ("P00", "live/trailing", np.nan, 20, 8),
            ("P01", "live/trailing", 3, 9, 2),
        ],
        columns=["unit", "setting", "target", "n", "y"],
    )
    found = rate_table(replace(cells, sessions=sets))
    rows = found.table.set_index(["unit", "setting"])
    first = rows.loc[("P00", "live/trailing")]
    assert first["unbiased"] == pytest.approx(9 / 20)
    assert (first["target_sets"], first["target_n"], first["target_y"]) == (2, 21, 10)
    assert rows.loc[("P01", "live/trailing"), "unbiased"] == pytest.approx(2 / 9)
    assert rows["unbiased"].notna().sum() == 2
    assert "2 row(s) hold sets that stop at a target" in found.text
    strange = sets.assign(unit="P99")
    with pytest.raises(ArgumentError, match="P99"):
        rate_table(replace(cells, sessions=strange))
    with pytest.raises(ArgumentError, match="lacks the column"):
        rate_table(replace(cells, sessions=sets.drop(columns="target")))


def test_refusals(cells):
    with pytest.raises(ArgumentError, match="full_bayes"):
        rate_table(cells, shrinkage="none")
    with pytest.raises(ArgumentError, match="live/front"):
        rate_table(build(cells.table.replace("rep/none", "live/front")))
    with pytest.raises(ArgumentError, match="no attempts"):
        rate_table(build(cells.table.assign(n=0, y=0)))
