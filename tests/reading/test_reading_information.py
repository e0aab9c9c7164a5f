"""Information of attempts against simulation and closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_fits import SETTINGS, for_verdict, known_population, make_cells, one_factor
from scipy.special import expit, logit

from transfer.models.posterior import PopulationDraws
from transfer.reading.information import (
    attempts_per_minute,
    equivalent_attempts,
    rate_information,
    read_information,
)

OMEGA = one_factor([0.9, 0.8, 0.85, 0.9])
TAU = np.array([0.45, 0.4, 0.4, 0.2])
MU = np.array([0.5, 0.2, -0.1, -0.4])


def fixed(draws=3):
    return PopulationDraws(
        np.tile(MU, (draws, 1)), np.tile(TAU, (draws, 1)), np.tile(OMEGA, (draws, 1, 1))
    )


def reliability(population, k, attempts):
    info = rate_information(population, k)
    return info.r2(attempts) / info.limit


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
    one = PopulationDraws(np.array([[logit(p)] * 2]), np.array([[tau] * 2]), np.ones((1, 2, 2)))
    n = p * (1 - p) / talent**2
    assert reliability(one, 0, n)[0] == pytest.approx(0.5)
    assert n - 1 == pytest.approx(24.95, abs=0.01)


def test_r2_of_a_rate_is_that_of_a_regression_on_noisy_rates():
    rng = np.random.default_rng(8)
    u = rng.multivariate_normal(np.zeros(4), np.outer(TAU, TAU) * OMEGA, size=200_000)
    p = expit(MU[1])
    seen = u[:, 1] + rng.standard_normal(200_000) / np.sqrt(80 * p * (1 - p))
    got = np.corrcoef(seen, u[:, 3])[0, 1] ** 2
    assert rate_information(fixed(1), 1).r2(80.0)[0] == pytest.approx(got, abs=0.006)


def test_r2_rises_to_the_r2_of_true_rates():
    info = rate_information(fixed(1), 1)
    values = [info.r2(n)[0] for n in (1.0, 10.0, 100.0, 1e4, 1e9)]
    assert np.all(np.diff(values) > 0)
    assert values[-1] == pytest.approx(OMEGA[1, 3] ** 2, abs=1e-5)


def test_equivalent_attempts_have_equal_r2_and_invert():
    rep = rate_information(fixed(), 0)
    live = rate_information(fixed(), 2)
    amount = equivalent_attempts(live, rep, 100.0)
    np.testing.assert_allclose(rep.r2(amount), live.r2(100.0), rtol=1e-9)
    np.testing.assert_allclose(equivalent_attempts(rep, live, float(amount[0]))[0], 100.0)


def test_no_amount_reaches_a_setting_that_tells_more_than_all_of_the_other():
    omega = one_factor([0.3, 0.3, 0.95, 0.95])
    population = PopulationDraws(MU[None], TAU[None], omega[None])
    rep = rate_information(population, 0)
    live = rate_information(population, 2)
    assert np.isinf(equivalent_attempts(live, rep, 5000.0)[0])


MODES = ("rep", "live")


def small(minutes=None):
    """Fit with one rate a mode of four players."""
    n = np.tile([300, 60, 70], (4, 1))
    y = np.random.default_rng(9).binomial(n, 0.5)
    keep = np.array([0, 2, 3])
    fit, _ = known_population(
        MODES, MU[keep], TAU[keep], OMEGA[np.ix_(keep, keep)], n, y, draws=200, minutes=minutes
    )
    return for_verdict(fit)


def test_minutes_turn_attempts_into_time():
    fit = small(np.tile([60.0, 60.0], (4, 1)))
    found = read_information(fit, reference_minutes=60.0)
    assert found.rates == {"rep": 5.0, "live": 1.0}
    by = found.equivalence.set_index("basis")
    rep, live = (rate_information(fit.population, k) for k in (0, 1))
    want = np.median(equivalent_attempts(live, rep, 60.0)) / 5.0
    assert by.loc["per minute", "median"] == pytest.approx(want)
    assert by.loc["per attempt", "low"] <= by.loc["per attempt", "high"]
    assert "60 live minutes a player" in found.text
    assert "5.0 rep and 1.0 live attempts a minute" in found.text


def test_rows_of_settings_come_from_the_fit_by_setting_and_those_of_modes_do_not():
    n = np.tile([200, 100, 60, 70], (4, 1))
    y = np.random.default_rng(9).binomial(n, 0.5)
    by_setting, cells = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=200)
    fit = small()
    fit = replace(fit, provenance=replace(fit.provenance, data_hash=cells.data_hash))
    sources = read_information(fit, by_setting).table.set_index(["source", "attempts"])["mean"]
    assert sources["rep/light", 100] == pytest.approx(
        rate_information(by_setting.population, 1).r2(100).mean()
    )
    assert sources["all live", 100] == pytest.approx(
        rate_information(fit.population, 1).r2(100).mean()
    )


def test_without_minutes_the_figure_per_minute_is_absent_and_said():
    found = read_information(small())
    assert list(found.equivalence["basis"]) == ["per attempt"]
    assert found.rates == {"rep": None, "live": None}
    assert "Minutes were not charted for rep and live work" in found.text


def test_only_charted_minutes_count_for_the_pace():
    minutes = np.array([[10.0, np.nan, np.nan]] + [[np.nan] * 3] * 3)
    cells = make_cells(SETTINGS, np.tile([50, 50, 50, 20], (4, 1)), np.full((4, 4), 10), minutes)
    assert attempts_per_minute(cells, "rep") == 5.0
    assert attempts_per_minute(cells, "live") is None
