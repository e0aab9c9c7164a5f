"""Information of attempts against simulation and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from invented_fits import SETTINGS, known_population, make_cells, one_factor
from scipy.special import expit, logit

from transfer.models.posterior import PopulationDraws
from transfer.reading.information import (
    attempts_per_minute,
    equivalent_attempts,
    mode_information,
    read_information,
    reliability,
)

OMEGA = one_factor([0.9, 0.8, 0.85, 0.9])
TAU = np.array([0.45, 0.4, 0.4, 0.2])
MU = np.array([0.5, 0.2, -0.1, -0.4])


def fixed(draws=3):
    return PopulationDraws(
        np.tile(MU, (draws, 1)), np.tile(TAU, (draws, 1)), np.tile(OMEGA, (draws, 1, 1))
    )


def test_reliability_is_signal_over_signal_and_noise():
    p = expit(MU[0])
    want = TAU[0] ** 2 / (TAU[0] ** 2 + 1 / (80 * p * (1 - p)))
    np.testing.assert_allclose(reliability(fixed(), 0, 80), want)


def test_free_throw_reliability_published():
    # Published: at p = .75 with a talent sd of .085 half of the variance is talent at 24.95
    # attempts. On the rate scale the between variance is (tau p (1 - p))^2, exact here up to the
    # published sampling term p (1 - p) - sd^2 (25.95 without it).
    p, talent = 0.75, 0.085
    tau = talent / (p * (1 - p))
    one = PopulationDraws(np.array([[logit(p)]]), np.array([[tau]]), np.ones((1, 1, 1)))
    n = p * (1 - p) / talent**2
    assert reliability(one, -1, n)[0] == pytest.approx(0.5)
    assert n - 1 == pytest.approx(24.95, abs=0.01)


def test_one_setting_is_rho_squared_times_reliability():
    info = mode_information(fixed(), np.array([2]), np.ones(1))
    for n in (1, 30, 1000):
        want = OMEGA[2, 3] ** 2 * reliability(fixed(), 2, n)
        np.testing.assert_allclose(info.r2(float(n)), want)


def test_composite_r2_is_that_of_a_regression_on_noisy_rates():
    rng = np.random.default_rng(8)
    info = mode_information(fixed(1), np.array([0, 1]), np.array([300.0, 100.0]))
    n = np.array([60, 20])
    u = rng.multivariate_normal(np.zeros(4), np.outer(TAU, TAU) * OMEGA, size=200_000)
    p = expit(MU[:2])
    seen = u[:, :2] + rng.standard_normal((200_000, 2)) / np.sqrt(n * p * (1 - p))
    got = np.corrcoef(seen @ np.linalg.lstsq(seen, u[:, 3], rcond=None)[0], u[:, 3])[0, 1] ** 2
    assert info.r2(80.0)[0] == pytest.approx(got, abs=0.006)


def test_r2_rises_to_the_r2_of_true_rates():
    info = mode_information(fixed(1), np.array([0, 1]), np.array([1.0, 1.0]))
    values = [info.r2(n)[0] for n in (1.0, 10.0, 100.0, 1e4, 1e9)]
    assert np.all(np.diff(values) > 0)
    inner, to_game = OMEGA[:2, :2], OMEGA[:2, 3]
    assert values[-1] == pytest.approx(to_game @ np.linalg.solve(inner, to_game), abs=1e-5)


def test_equivalent_attempts_have_equal_r2_and_invert():
    rep = mode_information(fixed(), np.array([0, 1]), np.array([1.0, 1.0]))
    live = mode_information(fixed(), np.array([2]), np.ones(1))
    amount = equivalent_attempts(live, rep, 100.0)
    np.testing.assert_allclose(rep.r2(amount), live.r2(100.0), rtol=1e-9)
    np.testing.assert_allclose(equivalent_attempts(rep, live, float(amount[0]))[0], 100.0)


def test_no_amount_reaches_a_setting_that_tells_more_than_all_of_the_other():
    omega = one_factor([0.3, 0.3, 0.95, 0.95])
    population = PopulationDraws(MU[None], TAU[None], omega[None])
    rep = mode_information(population, np.array([0]), np.ones(1))
    live = mode_information(population, np.array([2]), np.ones(1))
    assert np.isinf(equivalent_attempts(live, rep, 5000.0)[0])


def small(minutes=None):
    n = np.tile([200, 100, 60, 70], (4, 1))
    y = np.random.default_rng(9).binomial(n, 0.5)
    return known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=200, minutes=minutes)


def test_minutes_turn_attempts_into_time():
    minutes = np.tile([40.0, 20.0, 60.0], (4, 1))
    posterior, _ = small(minutes)
    found = read_information(posterior, reference_minutes=60.0)
    assert found.rates == {"rep": 5.0, "live": 1.0}
    by = found.equivalence.set_index("basis")
    rep = mode_information(posterior.population, np.array([0, 1]), np.array([800.0, 400.0]))
    live = mode_information(posterior.population, np.array([2]), np.ones(1))
    want = np.median(equivalent_attempts(live, rep, 60.0)) / 5.0
    assert by.loc["per minute", "median"] == pytest.approx(want)
    assert by.loc["per attempt", "low"] <= by.loc["per attempt", "high"]
    assert "60 live minutes a player" in found.text
    assert "5.0 rep and 1.0 live attempts a minute" in found.text


def test_without_minutes_the_figure_per_minute_is_absent_and_said():
    posterior, _ = small()
    found = read_information(posterior)
    assert list(found.equivalence["basis"]) == ["per attempt"]
    assert found.rates == {"rep": None, "live": None}
    assert "Minutes were not charted for rep and live work" in found.text


def test_only_charted_minutes_count_for_the_pace():
    minutes = np.array([[10.0, np.nan, np.nan]] + [[np.nan] * 3] * 3)
    cells = make_cells(SETTINGS, np.tile([50, 50, 50, 20], (4, 1)), np.full((4, 4), 10), minutes)
    assert attempts_per_minute(cells, "rep") == 5.0
    assert attempts_per_minute(cells, "live") is None
