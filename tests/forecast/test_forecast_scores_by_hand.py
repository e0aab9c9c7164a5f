"""Scores by hand: every number of a table, and every word that hangs on one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from transfer.errors import ArgumentError
from transfer.forecast.scoring import (
    HeldOut,
    RateForecast,
    log_score,
    pooled_forecast,
    raw_forecast,
    score_forecasts,
)

UNITS = ("P01", "P02", "P03")
N, Y = np.array([40, 25, 60]), np.array([18, 9, 21])

#: Three players; a forecast of two draws with weights 3 to 1, and one of a single rate.
LOG3 = np.log(np.array([[3.0] * 3, [1.0] * 3]))
TWO_RATES = np.array([[0.4, 0.3, 0.2], [0.8, 0.7, 0.4]])


def weighted(name="both", **changes):
    return RateForecast(name, UNITS, TWO_RATES, LOG3, **changes)


def flat(name="game_only", rate=0.5):
    return RateForecast(name, UNITS, np.full((1, 3), rate))


def test_mean_rates_with_and_without_weights_by_hand():
    # (3 * .4 + .8) / 4, (3 * .3 + .7) / 4, (3 * .2 + .4) / 4.
    np.testing.assert_allclose(weighted().mean, [0.5, 0.4, 0.25])
    np.testing.assert_allclose(RateForecast("x", UNITS, TWO_RATES).mean, [0.6, 0.5, 0.3])


def test_log_score_by_hand():
    # One make of two: 2 p (1 - p). Two equal draws .5 and .25: the mean of .5 and .375.
    draws = np.array([[0.5], [0.25]])
    one, two = np.array([1]), np.array([2])
    np.testing.assert_allclose(log_score(one, two, draws), [np.log(0.4375)])
    np.testing.assert_allclose(log_score(one, two, draws[:1]), [np.log(0.5)])
    # Weights 3 to 1, in whatever scale.
    weights = np.log(np.array([[3.0], [1.0]]))
    expected = np.log((3 * 0.5 + 0.375) / 4)
    np.testing.assert_allclose(log_score(one, two, draws, weights), [expected])
    np.testing.assert_allclose(log_score(one, two, draws, weights - 800.0), [expected])


@pytest.mark.parametrize(
    ("y", "n", "rate", "told"),
    [
        (3, 2, 0.5, "makes exceed attempts"),
        (-1, 2, 0.5, "makes exceed attempts"),
        (1, 2, 1.001, "a rate draw is outside 0 to 1"),
        (1, 2, -0.001, "a rate draw is outside 0 to 1"),
    ],
)
def test_what_is_wrong_with_counts_or_rates_is_told(y, n, rate, told):
    with pytest.raises(ArgumentError, match=told):
        log_score(np.array([y]), np.array([n]), np.array([[rate]]))


def test_makes_of_none_and_of_all_and_sure_rates_are_scored():
    y, n = np.array([0, 2, 0]), np.array([2, 2, 0])
    found = log_score(y, n, np.array([[0.0, 1.0, 0.3]]))
    np.testing.assert_allclose(found, [0.0, 0.0, 0.0], atol=1e-12)


@pytest.mark.parametrize(
    ("y", "n", "rates"), [((2,), (3,), (2, 3)), ((2,), (2,), (2, 2, 1)), ((2,), (2,), (2,))]
)
def test_shapes_that_do_not_fit_are_told(y, n, rates):
    with pytest.raises(ArgumentError, match="rate_draws has shape"):
        log_score(np.zeros(y), np.ones(n), np.full(rates, 0.5))


def test_every_number_of_a_score_table_by_hand():
    held_out = HeldOut(UNITS, np.array([2, 4, 5]), np.array([1, 1, 0]))
    found = score_forecasts(held_out, [weighted(), flat()], "made up")
    # P(1 of 2), P(1 of 4) and P(0 of 5) under weights 3 to 1, and at one half.
    both = np.log(
        [
            (3 * 2 * 0.4 * 0.6 + 2 * 0.8 * 0.2) / 4,
            (3 * 4 * 0.3 * 0.7**3 + 4 * 0.7 * 0.3**3) / 4,
            (3 * 0.8**5 + 0.6**5) / 4,
        ]
    )
    half = np.log([2 / 4, 4 / 16, 1 / 32])
    gap = both - half
    se = np.sqrt(3 * np.sum((gap - gap.mean()) ** 2) / 2)
    errors = [
        (0.5 - 0.5) ** 2 + (0.4 - 0.25) ** 2 + 0.25**2,
        0.0 + (0.5 - 0.25) ** 2 + 0.5**2,
    ]
    assert list(found.table["forecast"]) == ["both", "game_only"]
    assert found.table["players"].tolist() == [3, 3]
    assert found.table["attempts"].tolist() == [11, 11]
    np.testing.assert_allclose(found.table["log_score"], [both.sum(), half.sum()])
    np.testing.assert_allclose(found.table["log_score_per_player"], [both.mean(), half.mean()])
    np.testing.assert_allclose(found.table["squared_error"], errors)
    np.testing.assert_allclose(found.table["minus_both"], [0.0, -gap.sum()])
    np.testing.assert_allclose(found.table["minus_game_only"], [gap.sum(), 0.0])
    np.testing.assert_allclose(found.table["se_minus_both"], [0.0, se])
    assert found.worth == {
        "with_practice": "both",
        "without_practice": "game_only",
        "log_score": pytest.approx(gap.sum()),
        "se": pytest.approx(se),
        "squared_error": pytest.approx(errors[0] - errors[1]),
        "players": 3,
    }
    each = found.by_player
    assert each["forecast"].tolist() == ["both"] * 3 + ["game_only"] * 3
    assert each["unit"].tolist() == [*UNITS, *UNITS]
    assert (each["n"].tolist(), each["y"].tolist()) == ([2, 4, 5] * 2, [1, 1, 0] * 2)
    np.testing.assert_allclose(each["rate"], [0.5, 0.4, 0.25, 0.5, 0.5, 0.5])
    np.testing.assert_allclose(each["log_score"], [*both, *half])
    np.testing.assert_allclose(
        each["squared_error"], [0, 0.0225, 0.0625, 0, 0.0625, 0.25], atol=1e-12
    )
    assert found.text.startswith(
        "Scored on 11 game attempts of 3 player-seasons that the forecasts had not seen (made up). "
        f"Best log score: {'both' if gap.sum() > 0 else 'game only'}."
    )
    assert found.scheme == found.to_dict()["scheme"] == "made up"


def test_worth_is_of_all_records_or_else_of_practice_alone():
    held_out = HeldOut(UNITS, N, Y)
    three = [weighted("practice_only"), weighted("both"), flat()]
    assert score_forecasts(held_out, three).worth["with_practice"] == "both"
    assert score_forecasts(held_out, three[::2]).worth["with_practice"] == "practice_only"
    assert score_forecasts(held_out, three[:2]).worth is None
    assert score_forecasts(held_out, three[2:]).worth is None
    assert "Charting practice" not in score_forecasts(held_out, three[2:]).text
    assert "minus_game_only" not in score_forecasts(held_out, three[:2]).table


def test_one_player_has_no_standard_error_and_luck_is_not_ruled_out():
    one = HeldOut(UNITS[:1], N[:1], Y[:1])
    found = score_forecasts(one, [weighted(), flat()])
    assert found.worth["players"] == 1
    assert np.isnan(found.worth["se"])
    assert "within two standard errors, so it may be luck" in found.text


@pytest.mark.parametrize(("apart", "settled"), [(2.01, True), (2.0, False), (-2.01, True)])
def test_luck_is_hardly_the_reason_beyond_two_standard_errors(apart, settled):
    found = score_forecasts(HeldOut(UNITS, N, Y), [weighted(), flat()])
    text = replace(found, worth={"log_score": apart * 3.0, "se": 3.0}).text
    assert ("so it is hardly luck" in text) is settled
    assert ("so it may be luck" in text) is not settled
    assert f"worth {3 * apart:+.1f} points of log score here (standard error 3.0," in text


def test_the_best_forecast_is_named():
    sure = RateForecast("raw", UNITS, np.array([Y / N]))
    for order in ([sure, flat()], [flat(), sure]):
        assert "Best log score: raw." in score_forecasts(HeldOut(UNITS, N, Y), order).text


def test_untrusted_players_are_named_to_the_staff_and_counted_for_others():
    odd = [weighted(untrusted=("P03", "P01")), flat("game_only")]
    found = score_forecasts(HeldOut(UNITS, N, Y), odd)
    assert found.untrusted == ("P01", "P03")
    assert "Not to be quoted yet: for P01, P03 the weights" in found.text
    assert "for 2 player-seasons the weights" in found.shared_text
    assert "P01" not in found.shared_text
    assert found.to_dict()["untrusted"] == ["P01", "P03"]
    # Only those whose games are scored.
    without = score_forecasts(HeldOut(UNITS, np.array([4, 4, 0]), np.array([2, 2, 0])), odd)
    assert without.untrusted == ("P01",)
    assert "for 1 player-season the weights" in without.shared_text
    trusted = score_forecasts(HeldOut(UNITS, N, Y), [weighted(), flat()])
    assert (trusted.untrusted, trusted.shared_text) == ((), trusted.text)
    assert "Not to be quoted" not in trusted.text


@pytest.mark.parametrize(("many", "ending"), [(8, "P08 the weights"), (9, "P08 and others the")])
def test_eight_untrusted_players_are_named_at_most(many, ending):
    units = tuple(f"P{i:02d}" for i in range(1, many + 1))
    forecast = RateForecast("both", units, np.full((1, many), 0.4), None, units)
    found = score_forecasts(HeldOut(units, np.full(many, 5), np.full(many, 2)), [forecast])
    assert f"for P01, P02, P03, P04, P05, P06, P07, {ending}" in found.text


def test_a_forecast_in_another_order_keeps_rates_weights_and_doubts():
    weights = np.log(np.array([[1.0, 2.0, 3.0], [3.0, 2.0, 1.0]]))
    turned = RateForecast("both", UNITS, TWO_RATES, weights, ("P02",)).for_units(("P03", "P01"))
    assert (turned.name, turned.units, turned.untrusted) == ("both", ("P03", "P01"), ("P02",))
    np.testing.assert_array_equal(turned.rates, TWO_RATES[:, [2, 0]])
    np.testing.assert_array_equal(turned.log_weights, weights[:, [2, 0]])
    assert weighted().for_units(UNITS[:1]).log_weights.shape == (2, 1)
    assert flat().for_units(UNITS).log_weights is None


def test_no_forecast_at_all_is_refused():
    with pytest.raises(ArgumentError, match="names are"):
        score_forecasts(HeldOut(UNITS, N, Y), [])


def test_one_held_out_attempt_is_enough():
    held_out = HeldOut(UNITS, np.array([1, 0, 0]), np.array([1, 0, 0]))
    assert score_forecasts(held_out, [flat()]).table["attempts"].tolist() == [1]


def test_raw_and_pooled_rates_by_hand():
    raw, pooled = raw_forecast(UNITS, N, Y), pooled_forecast(UNITS, N, Y)
    assert (raw.name, pooled.name) == ("raw", "pooled")
    np.testing.assert_allclose(raw.rates, [[18.5 / 41, 9.5 / 26, 21.5 / 61]])
    np.testing.assert_allclose(pooled.rates, np.full((1, 3), 48.5 / 126))


def test_two_seasons_of_a_player_are_one_player_to_the_standard_error():
    held_out = HeldOut(UNITS, N, Y, ("Q", "R", "Q"))
    found = score_forecasts(held_out, [weighted(), flat()])
    gap = np.array([0.0, 0.0])
    for unit, player in zip(UNITS, (0, 1, 0), strict=True):
        rows = found.by_player[found.by_player["unit"] == unit].set_index("forecast")["log_score"]
        gap[player] += rows["both"] - rows["game_only"]
    # Two players: the standard error of their sum is the distance between them.
    assert found.worth["se"] == pytest.approx(abs(gap[0] - gap[1]))
    assert found.worth["players"] == 2
    assert found.table["players"].tolist() == [3, 3]
    some = held_out.where(np.array([True, False, True]))
    assert (some.units, some.players) == (("P01", "P03"), ("Q", "Q"))
    assert (some.n.tolist(), some.y.tolist()) == ([40, 60], [18, 21])
    assert HeldOut(UNITS, N, Y).where(np.array([True, False, True])).players == ()


def test_five_players_without_a_forecast_are_named():
    units = tuple(f"Q{i}" for i in range(7))
    with pytest.raises(ArgumentError, match=r"'game_only' lacks \['Q0', 'Q1', 'Q2', 'Q3', 'Q4'\]"):
        flat().for_units((*UNITS, *units))


def test_rows_of_players_are_numbered_through():
    found = score_forecasts(HeldOut(UNITS, N, Y), [weighted(), flat()])
    assert found.by_player.index.tolist() == list(range(6))
