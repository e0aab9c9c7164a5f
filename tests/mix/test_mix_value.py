"""Value of information against closed forms (Raiffa & Schlaifer 1961) and statsmodels."""

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, stats
from statsmodels.stats.rates import confint_poisson

from transfer.errors import ArgumentError
from transfer.mix.rates import attempts_per_minute
from transfer.mix.value import evpi, evpi_two_actions, evsi, unit_normal_loss


@pytest.mark.parametrize(
    ("u", "loss"),
    # Unit normal loss table of Raiffa & Schlaifer 1961, from memory, 4 significant digits.
    [(0.0, 0.3989), (0.5, 0.1978), (1.0, 0.08332), (1.5, 0.02931), (2.0, 0.008491)],
)
def test_unit_normal_loss_table_and_integral(u, loss):
    assert unit_normal_loss(u) == pytest.approx(loss, rel=3e-4)
    exact, _ = integrate.quad(lambda z: (z - u) * stats.norm.pdf(z), u, np.inf)
    assert unit_normal_loss(u) == pytest.approx(exact, abs=1e-10)


def test_evpi_of_draws_meets_the_two_action_closed_form():
    mean, sd = 0.03, 0.08
    z = stats.norm.ppf((np.arange(200_001) + 0.5) / 200_001)
    values = np.column_stack([np.zeros(z.size), mean + sd * z])
    assert evpi(values) == pytest.approx(evpi_two_actions(mean, sd), rel=1e-4)


def test_evsi_meets_the_normal_closed_form_and_its_limits():
    mean, direction = np.array([0.1, 0.13]), np.array([-1.0, 1.0])
    cov, slopes = np.diag([0.02, 0.01]), np.array([[0.0, 0.0], [-0.4, 0.4]])
    spread, gain = 0.03, 0.4 * 0.03
    for se in (0.05, 0.2):
        before = 0.4 * spread / np.sqrt(spread + se**2)
        closed = before * unit_normal_loss(gain / before)
        assert evsi(mean, cov, direction, se, slopes) == pytest.approx(closed, rel=2e-3)
    perfect = evpi_two_actions(gain, 0.4 * np.sqrt(spread))
    assert evsi(mean, cov, direction, 1e-6, slopes) == pytest.approx(perfect, rel=2e-3)
    assert evsi(mean, cov, direction, 1e6, slopes) == pytest.approx(0.0, abs=1e-9)


def test_value_refuses_nonsense():
    with pytest.raises(ArgumentError, match="sd=0"):
        evpi_two_actions(0.1, 0.0)
    with pytest.raises(ArgumentError, match="draws x actions"):
        evpi(np.empty((0, 2)))
    with pytest.raises(ArgumentError, match="se=nan"):
        evsi(np.zeros(2), np.eye(2), np.ones(2), float("nan"), np.eye(2))


def test_rate_interval_equals_statsmodels_jeffreys_when_rows_are_poisson():
    table = pd.DataFrame(
        {"setting": "rep/none", "mode": "rep", "n": [20, 19, 21], "minutes": [5.0, 5.0, 5.0]}
    )
    rate = attempts_per_minute(table, ["rep/none"], prob=0.9)["rep/none"]
    low, high = confint_poisson(60, 15.0, method="jeff", alpha=0.1)
    assert rate.rate == pytest.approx(4.0)
    assert (rate.interval.low, rate.interval.high) == pytest.approx((low, high))
    assert rate.dispersion == 1.0


def test_scattered_rows_widen_the_interval_and_a_stated_rate_wins():
    even = pd.DataFrame({"setting": "live", "mode": "live", "n": [10, 10, 10, 10], "minutes": 10.0})
    wild = pd.DataFrame({"setting": "live", "mode": "live", "n": [1, 19, 2, 18], "minutes": 10.0})
    a = attempts_per_minute(even, ["live"])["live"].interval
    b = attempts_per_minute(wild, ["live"])["live"]
    assert b.dispersion > 5
    assert b.interval.high - b.interval.low > 2 * (a.high - a.low)
    assert attempts_per_minute(wild, ["live"], {"live": 1.5})["live"].interval is None
    uncharted = pd.DataFrame({"setting": "live", "mode": "live", "n": [9], "minutes": [np.nan]})
    with pytest.raises(ArgumentError, match="no charted attempts with minutes"):
        attempts_per_minute(uncharted, ["live"])
    with pytest.raises(ArgumentError, match="rep"):
        attempts_per_minute(uncharted, ["rep"], {"rep": 0.0})
