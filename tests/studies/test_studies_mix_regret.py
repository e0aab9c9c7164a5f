"""Regret of the advised mix against simple rules; the long run is in reports/studies."""

import numpy as np
import pytest
from mix_regret import DEMO, RULES, regret_of, regret_study, summarise, true_gain


def test_regret_is_zero_at_the_best_week_and_positive_elsewhere():
    live = np.linspace(0, 70, 701)
    weeks = np.column_stack([70 - live, live])
    effects = (0.2, 0.2)
    lost = regret_of(effects, weeks)
    assert lost.min() == pytest.approx(0.0, abs=1e-12)
    assert live[lost.argmin()] == pytest.approx(40.0, abs=0.2)  # evens out 50 + 20 carried along
    assert true_gain(effects, np.array([[50.0, 20.0]]))[0] == pytest.approx(0.0)
    assert regret_of(DEMO, np.array([[0.0, 70.0]]))[0] == pytest.approx(0.0, abs=1e-12)


def test_a_small_run_is_repeatable_and_has_every_rule():
    one = regret_study("demo truth (live better)", "1 team, one swap 80/20", 3, 5)
    two = regret_study("demo truth (live better)", "1 team, one swap 80/20", 3, 5)
    assert one.equals(two)
    assert set(RULES) <= set(one.columns)
    assert summarise(one).loc["keep current", "regret"] == pytest.approx(4.93, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("truth", "design"),
    [
        ("demo truth (live better)", "12 teams, one swap 80/20"),
        ("demo truth or its reverse, by lot", "1 team, one swap 80/20"),
        ("each program its own, from the prior", "1 team, one swap 80/20"),
    ],
)
def test_advised_mix_is_no_worse_than_any_simple_rule(truth, design):
    found = summarise(regret_study(truth, design, 100, 7))["regret"]
    for rule in RULES:
        assert found["best mix"] <= found[rule] + 1e-9
