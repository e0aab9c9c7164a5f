"""Forecasts and conversions against simulated players and against each other."""

from __future__ import annotations

import dataclasses
import json

import numpy as np
import pytest
from invented_fits import SETTINGS, counts, for_verdict, known_population, one_factor, truth
from scipy import stats
from scipy.special import expit

from transfer.errors import ArgumentError, DiagnosticsError
from transfer.forecast.forecast import forecast_games, forecast_unseen
from transfer.forecast.leave_out import leave_player_out_weights
from transfer.reading.conversion import conversion_table, convert_rate
from transfer.reading.information import read_information
from transfer.results import plain

OMEGA = one_factor([0.8, 0.85, 0.9, 0.9])
TAU = np.array([0.5, 0.45, 0.5, 0.3])
MU = np.array([0.4, 0.2, -0.1, -0.4])


@pytest.fixture(scope="module")
def fitted():
    rng = np.random.default_rng(31)
    theta = truth(OMEGA, TAU, MU, 12, rng)
    n = np.tile([300, 150, 80, 70], (12, 1))
    n[11, 3] = 0  # a player without games
    return known_population(SETTINGS, MU, TAU, OMEGA, n, counts(theta, n, rng), draws=4000)


@pytest.fixture(scope="module")
def world():
    """Many players of the known population with their practice counts and true game rates."""
    rng = np.random.default_rng(32)
    theta = truth(OMEGA, TAU, MU, 400_000, rng)
    return theta, rng.binomial(60, expit(theta[:, 2])), rng


def test_conversion_is_the_average_game_rate_of_players_with_that_practice_rate(fitted, world):
    theta, makes, _ = world
    draws, khat = convert_rate(fitted[0], "live/trailing", 0.6, 60, np.random.default_rng(1))
    alike = expit(theta[makes == 36, 3])
    assert alike.size > 10_000
    assert draws.mean() == pytest.approx(alike.mean(), abs=0.004)
    np.testing.assert_allclose(
        np.quantile(draws, [0.05, 0.95]), np.quantile(alike, [0.05, 0.95]), atol=0.008
    )
    assert khat < 0.7


def test_unseen_player_agrees_with_conversion_and_simulation(fitted, world):
    theta, makes, _ = world
    found = forecast_unseen(fitted[0], {"live/trailing": (60, 36)}, seed=2)
    row = found.table.iloc[0]
    alike = expit(theta[makes == 36, 3])
    assert row["mean"] == pytest.approx(alike.mean(), abs=0.005)
    assert row["low"] == pytest.approx(np.quantile(alike, 0.05), abs=0.01)
    assert row["high"] == pytest.approx(np.quantile(alike, 0.95), abs=0.01)


def test_count_to_come_is_wider_than_the_rate_and_matches_simulation(fitted, world):
    theta, makes, rng = world
    table = conversion_table(
        fitted[0], rates=(0.6,), attempts=60, next_attempts=50, seed=3
    ).table.set_index("setting")
    row = table.loc["live/trailing"]
    to_come = rng.binomial(50, expit(theta[makes == 36, 3]))
    want = np.quantile(to_come, [0.05, 0.95])
    assert abs(row["makes_low"] - want[0]) <= 1
    assert abs(row["makes_high"] - want[1]) <= 1
    assert row["makes_high"] - row["makes_low"] > 50 * (row["game_high"] - row["game_low"])


def test_conversion_shrinks_more_for_fewer_attempts_and_rises_with_the_rate(fitted):
    few = conversion_table(fitted[0], rates=(0.3, 0.7), attempts=10, seed=4).table
    many = conversion_table(fitted[0], rates=(0.3, 0.7), attempts=1000, seed=4).table
    spread_few = few.groupby("setting")["game_mean"].agg(np.ptp)
    spread_many = many.groupby("setting")["game_mean"].agg(np.ptp)
    assert np.all(spread_many > spread_few)
    assert np.all(
        many.groupby("setting")["game_mean"].last() > many.groupby("setting")["game_mean"].first()
    )


def test_default_conversion_uses_round_rates_and_the_median_attempts(fitted):
    found = conversion_table(fitted[0])
    assert set(found.table["setting"]) == set(SETTINGS)
    np.testing.assert_allclose(
        np.round(found.table["practice_rate"] * 20) / 20, found.table["practice_rate"]
    )
    assert found.table.set_index("setting").loc["rep/none", "attempts"].iloc[0] == 300
    assert "count to come" in found.text
    assert "expected rate" in found.text
    key = ("rep/none", float(found.table["practice_rate"].iloc[0]))
    assert found.draws[key].shape == (4000,)


@pytest.mark.parametrize(
    ("setting", "rate", "attempts"),
    [("live/none", 0.5, 10), ("rep/none", 1.2, 10), ("rep/none", 0.5, 0)],
)
def test_conversion_refuses_what_is_no_rate(fitted, setting, rate, attempts):
    with pytest.raises(ArgumentError):
        convert_rate(fitted[0], setting, rate, attempts, np.random.default_rng(0))


def test_forecast_is_the_posterior_of_each_player(fitted):
    posterior, _ = fitted
    found = forecast_games(posterior, prob=0.8, next_attempts=40)
    rates = expit(posterior.theta[:, :, -1])
    np.testing.assert_allclose(found.table["mean"], rates.mean(axis=0))
    np.testing.assert_allclose(found.table["low"], np.quantile(rates, 0.1, axis=0))
    assert found.table["attempts_game"].tolist() == [70] * 11 + [0]
    assert set(found.table["attempts_practice"]) == {530}
    counted = found.table["makes_high"] - found.table["makes_low"]
    assert np.all(counted > 40 * (found.table["high"] - found.table["low"]))
    data = json.loads(json.dumps(plain(found), allow_nan=False))
    assert set(data["players"][0]) >= {
        "player",
        "mean",
        "low",
        "high",
        "prob",
        "kind",
        "attempts_game",
        "attempts_practice",
    }
    assert data["scores"] is None
    assert "80% equal-tailed interval of an expected rate" in found.text


def test_same_seed_same_forecast(fitted):
    first, again = forecast_games(fitted[0], seed=5), forecast_games(fitted[0], seed=5)
    assert first.table.equals(again.table)
    one = forecast_unseen(fitted[0], {"rep/none": (50, 30)}, seed=5)
    assert one.table.equals(forecast_unseen(fitted[0], {"rep/none": (50, 30)}, seed=5).table)


def test_player_without_games_is_forecast_like_an_unseen_one(fitted):
    posterior, cells = fitted
    known = forecast_games(posterior).table.iloc[11]
    made = cells.table[cells.table["unit"] == posterior.units[11]].set_index("setting")
    practice = {s: (int(made.loc[s, "n"]), int(made.loc[s, "y"])) for s in SETTINGS}
    unseen = forecast_unseen(posterior, practice, seed=6).table.iloc[0]
    assert unseen["mean"] == pytest.approx(known["mean"], abs=0.006)
    assert unseen["low"] == pytest.approx(known["low"], abs=0.012)


def test_no_practice_gives_the_population(fitted):
    found = forecast_unseen(fitted[0], seed=7)
    draws = found.draws[:, 0]
    want = expit(stats.norm.ppf([0.05, 0.5, 0.95], MU[-1], TAU[-1]))
    np.testing.assert_allclose(np.quantile(draws, [0.05, 0.5, 0.95]), want, atol=0.01)
    assert "no practice and no games" in found.text


def test_program_effect_moves_and_program_spread_widens(fitted):
    posterior, _ = fitted
    draws = posterior.draws
    effect = np.zeros((draws, 2, 4))
    effect[:, 1, -1] = 0.5
    with_programs = dataclasses.replace(
        posterior,
        terms={"program_effect": effect, "program_sd": np.full((draws,), 0.4)},
        labels={"programs": ("A", "B")},
    )
    plain_mean = forecast_unseen(posterior, seed=8).draws[:, 0]
    known = forecast_unseen(with_programs, program="B", seed=8).draws[:, 0]
    assert known.mean() == pytest.approx(
        expit(stats.norm.rvs(MU[-1] + 0.5, TAU[-1], 200_000, random_state=1)).mean(), abs=0.006
    )
    unknown = forecast_unseen(with_programs, seed=8).draws[:, 0]
    assert unknown.std() > 1.4 * plain_mean.std()
    with pytest.raises(ArgumentError, match="program"):
        forecast_unseen(with_programs, program="C")


@pytest.mark.parametrize("practice", [{"live/none": (5, 2)}, {"rep/none": (5, 6)}])
def test_unseen_refuses_bad_practice(fitted, practice):
    with pytest.raises(ArgumentError):
        forecast_unseen(fitted[0], practice)


def test_nothing_is_said_from_a_failed_fit(fitted):
    posterior, _ = fitted
    bad = dataclasses.replace(
        posterior, diagnostics=dataclasses.replace(posterior.diagnostics, passed=False)
    )
    for call in (
        lambda: forecast_games(bad),
        lambda: forecast_unseen(bad),
        lambda: conversion_table(bad),
        lambda: read_information(for_verdict(bad)),
        lambda: leave_player_out_weights(bad),
    ):
        with pytest.raises(DiagnosticsError, match="did not pass"):
            call()
