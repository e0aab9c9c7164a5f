"""Scores: closed forms, published data, and splits by date."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_fits import make_cells
from scipy import stats
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.forecast.leave_out import leave_player_out_weights, practice_only_forecast
from transfer.forecast.rolling_origin import held_out_games, rolling_origin_split
from transfer.forecast.scoring import (
    HeldOut,
    RateForecast,
    log_score,
    pooled_forecast,
    raw_forecast,
    score_forecasts,
)
from transfer.models.fit import fit_transfer
from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors

UNITS = ("P01", "P02", "P03")
N, Y = np.array([40, 25, 60]), np.array([18, 9, 21])


def test_point_forecast_scores_the_binomial():
    rate = np.array([[0.4, 0.35, 0.45]])
    np.testing.assert_allclose(log_score(Y, N, rate), stats.binom.logpmf(Y, N, rate[0]))


def test_beta_draws_score_the_beta_binomial():
    rng = np.random.default_rng(1)
    draws = rng.beta(12, 18, (200_000, 3))
    np.testing.assert_allclose(
        log_score(Y, N, draws), stats.betabinom.logpmf(Y, N, 12, 18), atol=0.01
    )


@settings(max_examples=40, deadline=None)
@given(n=st.integers(1, 40), seed=st.integers(0, 1000))
def test_scores_of_all_outcomes_are_a_distribution(n, seed):
    draws = np.random.default_rng(seed).beta(2, 3, (30, 1))
    weights = np.random.default_rng(seed).normal(size=(30, 1))
    y = np.arange(n + 1)
    every = log_score(y, np.full(n + 1, n), np.tile(draws, n + 1), np.tile(weights, n + 1))
    assert np.exp(every).sum() == pytest.approx(1.0)


def test_weights_stand_for_repeated_draws():
    draws = np.array([[0.3, 0.3, 0.3], [0.5, 0.5, 0.5]])
    weighted = log_score(Y, N, draws, np.log(np.array([[3.0] * 3, [1.0] * 3])))
    np.testing.assert_allclose(weighted, log_score(Y, N, draws[[0, 0, 0, 1]]))


def test_a_forecast_that_ruled_it_out_scores_minus_infinity():
    assert log_score(np.array([1]), np.array([2]), np.array([[0.0]]))[0] == -np.inf
    assert log_score(np.array([0]), np.array([2]), np.array([[0.0]]))[0] == 0.0


@pytest.mark.parametrize(
    ("y", "n", "rates"),
    [
        (np.array([3]), np.array([2]), np.array([[0.5]])),
        (np.array([1]), np.array([2]), np.array([[1.5]])),
        (np.array([1]), np.array([2]), np.array([0.5])),
        (np.array([1, 1]), np.array([2, 2]), np.array([[0.5]])),
        (np.array([1]), np.array([2]), np.array([[np.nan]])),
    ],
)
def test_bad_scores_are_refused(y, n, rates):
    with pytest.raises(ArgumentError):
        log_score(y, n, rates)


def test_raw_and_pooled_are_as_documented():
    raw = raw_forecast(UNITS, np.array([0, 10, 10]), np.array([0, 0, 10]))
    np.testing.assert_allclose(raw.rates, [[0.5, 0.5 / 11, 10.5 / 11]])
    pooled = pooled_forecast(UNITS, np.array([0, 10, 10]), np.array([0, 0, 10]))
    np.testing.assert_allclose(pooled.rates, 10.5 / 21)


def five(rng):
    return [
        raw_forecast(UNITS, np.array([9, 9, 9]), np.array([3, 4, 6])),
        RateForecast("game_only", UNITS, rng.beta(20, 30, (500, 3))),
        RateForecast("both", UNITS, rng.beta([45, 36, 35], [55, 64, 65], (500, 3))),
    ]


def test_differences_and_standard_errors_are_over_players():
    found = score_forecasts(HeldOut(UNITS, N, Y), five(np.random.default_rng(2)))
    table = found.table.set_index("forecast")
    each = found.by_player.pivot(index="unit", columns="forecast", values="log_score")
    gap = each["both"] - each["game_only"]
    assert table.loc["both", "minus_game_only"] == pytest.approx(gap.sum())
    assert table.loc["both", "se_minus_game_only"] == pytest.approx(gap.std() * np.sqrt(3))
    assert table.loc["game_only", "minus_both"] == pytest.approx(-gap.sum())
    assert table.loc["raw", "log_score"] == pytest.approx(each["raw"].sum())
    assert found.worth["log_score"] == pytest.approx(gap.sum())
    assert f"Charting practice is worth {gap.sum():+.1f} points of log score" in found.text
    raw = np.array([3.5, 4.5, 6.5]) / 10
    assert table.loc["raw", "squared_error"] == pytest.approx(np.sum((raw - Y / N) ** 2))
    assert int(table.loc["raw", "attempts"]) == 125


def test_order_of_units_does_not_matter():
    forecasts = five(np.random.default_rng(3))
    first = score_forecasts(HeldOut(UNITS, N, Y), forecasts)
    turned = score_forecasts(HeldOut(UNITS[::-1], N[::-1], Y[::-1]), forecasts)
    np.testing.assert_allclose(first.table["log_score"], turned.table["log_score"])


def test_players_without_held_out_attempts_do_not_count():
    forecasts = five(np.random.default_rng(4))
    found = score_forecasts(HeldOut(UNITS, np.array([40, 0, 60]), np.array([18, 0, 21])), forecasts)
    assert set(found.table["players"]) == {2}


def test_scoring_refuses_what_it_cannot_score():
    forecasts = five(np.random.default_rng(5))
    with pytest.raises(ArgumentError, match="no held-out"):
        score_forecasts(HeldOut(UNITS, np.zeros(3, int), np.zeros(3, int)), forecasts)
    with pytest.raises(ArgumentError, match="lacks"):
        score_forecasts(HeldOut(("P09",), N[:1], Y[:1]), forecasts)
    with pytest.raises(ArgumentError, match="names"):
        score_forecasts(HeldOut(UNITS, N, Y), [forecasts[0], forecasts[0]])


def games_fit(n, y, mu_game: tuple[float, float]) -> TransferPosterior:
    """The transfer model of games alone, half-normal spread of scale .25."""
    cells = make_cells((), np.asarray(n)[:, None], np.asarray(y)[:, None])
    chosen = TransferPriors(mu_game=mu_game, tau_family="half_normal", tau_game_sd=0.25)
    return fit_transfer(cells, chosen, seed=6)


@pytest.mark.fit
def test_game_only_is_the_posterior_by_brute_force():
    n, y = np.array([30, 8, 55, 40]), np.array([18, 2, 20, 15])
    fit = games_fit(n, y, (-0.4, 0.3))
    rng = np.random.default_rng(7)
    count = 300_000
    mu, tau = rng.normal(-0.4, 0.3, count), np.abs(rng.normal(0, 0.25, count))
    rates = expit(mu[:, None] + tau[:, None] * rng.standard_normal((count, 4)))
    log_lik = stats.binom.logpmf(y, n, rates).sum(axis=1)
    weights = np.exp(log_lik - log_lik.max())
    want = np.average(rates, weights=weights, axis=0)
    sd = np.sqrt(np.average((rates - want) ** 2, weights=weights, axis=0))
    found = expit(fit.theta[:, :, -1])
    np.testing.assert_allclose(found.mean(axis=0), want, atol=0.004)
    np.testing.assert_allclose(found.std(axis=0), sd, rtol=0.05)
    tau_mean = np.average(tau, weights=weights)
    assert fit.population.tau[:, -1].mean() == pytest.approx(tau_mean, abs=0.015)
    without = np.exp(stats.binom.logpmf(y[1:], n[1:], rates[:, 1:]).sum(axis=1))
    unseen = np.average(rates[:, 0], weights=without)
    left_out = practice_only_forecast(leave_player_out_weights(fit), 3, "game_only")
    assert left_out.mean[0] == pytest.approx(unseen, abs=0.006)
    assert left_out.untrusted == ()


@pytest.mark.fit
def test_shrunken_averages_of_the_18_batters_beat_raw_ones(reference):
    # Efron & Morris 1975: the first 45 at-bats forecast the rest of the season. Published total
    # squared error of the raw averages over that of James-Stein: 3.50.
    table = reference("efron_morris")
    n, y = table["at_bats"].to_numpy(), table["hits"].to_numpy()
    # weak priors, not fitted to these players
    found = expit(games_fit(n, y, (0.0, 1.5)).theta[:, :, -1]).mean(axis=0)
    rest = table["remainder_avg"].to_numpy()
    raw, shrunken = np.sum((y / n - rest) ** 2), np.sum((found - rest) ** 2)
    assert np.max(np.abs(found - table["js_1975"])) < 0.015
    assert raw / shrunken > 3.4


def test_standard_errors_are_over_players_not_their_seasons():
    forecasts = five(np.random.default_rng(2))
    found = score_forecasts(HeldOut(UNITS, N, Y, ("A/P", "A/P", "A/Q")), forecasts)
    each = found.by_player.pivot(index="unit", columns="forecast", values="log_score")
    gap = (each["both"] - each["game_only"]).to_numpy()
    assert found.worth["players"] == 2
    assert found.worth["log_score"] == pytest.approx(gap.sum())
    assert found.worth["se"] == pytest.approx(abs(gap[0] + gap[1] - gap[2]))
    kept = HeldOut(UNITS, N, Y, ("A/P", "A/P", "A/Q")).where(np.array([False, True, True]))
    assert kept.players == ("A/P", "A/Q")


def games(dates, attempts, **columns):
    return pd.DataFrame(
        {
            "date": pd.to_datetime(dates),
            "player": ["P01", "P02"] * (len(dates) // 2),
            "attempts": attempts,
            "makes": [a // 2 for a in attempts],
            **columns,
        }
    )


DATES = ["2031-01-01", "2031-01-01", "2031-01-05", "2031-01-05", "2031-01-09", "2031-01-09"]


def test_split_keeps_dates_whole_and_loses_nothing():
    frame = games(DATES, [4, 4, 4, 4, 4, 4])
    split = rolling_origin_split(frame, fraction=0.5)
    # one third of the attempts lies before 5 January, two thirds before the 9th
    assert split.cuts == {"all": dt.date(2031, 1, 9)}
    assert split.early["date"].max() < split.late["date"].min()
    assert len(split.early) + len(split.late) == len(frame)
    assert split.counts.set_index("player")["n"].to_dict() == {"P01": 4, "P02": 4}
    by_date = rolling_origin_split(frame, date="2031-01-05")
    assert by_date.counts.set_index("player")["y"].to_dict() == {"P01": 4, "P02": 4}
    exactly = rolling_origin_split(frame, fraction=1 / 3)
    assert exactly.cuts == {"all": dt.date(2031, 1, 5)}


def test_each_season_gets_its_own_cut():
    later = [d.replace("2031", "2032") for d in DATES]
    frame = games(DATES + later, [4] * 6 + [20, 20, 1, 1, 1, 1], season=["a"] * 6 + ["b"] * 6)
    split = rolling_origin_split(frame, fraction=0.5)
    assert split.cuts == {"a": dt.date(2031, 1, 9), "b": dt.date(2032, 1, 5)}
    assert set(split.counts["season"]) == {"a", "b"}


@pytest.mark.parametrize(
    "wrong", [{"fraction": 1.0}, {"fraction": None}, {"date": "2030-01-01"}, {"date": "2040-01-01"}]
)
def test_split_refuses_an_empty_part(wrong):
    with pytest.raises(ArgumentError):
        rolling_origin_split(games(DATES, [4] * 6), **wrong)


def test_split_names_missing_columns():
    with pytest.raises(ArgumentError, match="makes"):
        rolling_origin_split(games(DATES, [4] * 6).drop(columns="makes"))


def test_held_out_counts_come_from_game_cells_only():
    from invented_fits import SETTINGS, make_cells

    n = np.array([[50, 50, 50, 20], [50, 50, 50, 0], [50, 50, 50, 7]])
    found = held_out_games(make_cells(SETTINGS, n, n // 2))
    assert found.n.tolist() == [20, 7]
    assert found.y.tolist() == [10, 3]
