"""Classical companions against published values."""

from __future__ import annotations

import pytest
from statsmodels.stats.power import NormalIndPower
from statsmodels.stats.proportion import (
    power_proportions_2indep,
    proportion_effectsize,
    samplesize_proportions_2indep_onetail,
)

from transfer.errors import ArgumentError
from transfer.trial.classical import (
    CARRY_OVER_WARNING,
    cohen_h,
    cohen_h_power,
    crossover_ab_ba,
    equivalence_power,
    equivalence_region,
    two_rate_n,
    two_rate_power,
)


def test_sample_size_of_r():
    """R power.prop.test, p .75 v .50, power .9: 76.7 two-sided, 62.33551 one-sided."""
    assert two_rate_n(0.75, 0.50, power=0.9) == pytest.approx(76.70692, abs=2e-5)
    assert two_rate_n(0.75, 0.50, power=0.9, alternative="one-sided") == pytest.approx(
        62.33551, abs=2e-5
    )


def test_power_of_r_and_stata():
    """R power.prop.test (n 50, n 83.4373); Stata power twoproportions as in statsmodels' tests."""
    assert two_rate_power(0.50, 0.75, 50) == pytest.approx(0.740, abs=5e-4)
    assert two_rate_power(0.65, 0.50, 83.4373) == pytest.approx(0.5, abs=1e-6)
    assert two_rate_power(0.015 - 0.014, 0.015, 550) == pytest.approx(0.7415600, abs=1e-7)
    assert two_rate_power(0.1, 0.2, 154, ratio=2) == pytest.approx(0.7995659211532175, abs=1e-7)


@pytest.mark.parametrize(("p1", "p2"), [(0.40, 0.435), (0.60, 0.70), (0.2, 0.1)])
@pytest.mark.parametrize("power", [0.8, 0.9])
def test_sample_size_against_statsmodels(p1, p2, power):
    ours = two_rate_n(p1, p2, power=power, alpha=0.05)
    theirs = samplesize_proportions_2indep_onetail(p1 - p2, p2, power, 1, 0.05)
    assert ours == pytest.approx(theirs, rel=1e-6)
    assert two_rate_power(p1, p2, ours) == pytest.approx(power, abs=1e-4)
    both_tails = power_proportions_2indep(p1 - p2, p2, ours, alpha=0.05).power
    assert two_rate_power(p1, p2, ours) == pytest.approx(both_tails, abs=1e-9)


def test_arcsine_effect():
    """proportion_effectsize(.5, .4) and test_power.py of statsmodels; R pwr.2p.test."""
    assert cohen_h(0.5, 0.4) == pytest.approx(0.20135792079033088, abs=1e-14)
    assert cohen_h(0.3, 0.4) == pytest.approx(-0.21015893, abs=1e-8)
    assert cohen_h_power(0.3, 80) == pytest.approx(0.475100870572638, abs=1e-12)
    assert cohen_h_power(-0.01, 80, alternative="one-sided") == pytest.approx(
        0.0438089705093578, abs=1e-10
    )
    theirs = NormalIndPower().power(proportion_effectsize(0.45, 0.40), 300, 0.05)
    assert cohen_h_power(cohen_h(0.45, 0.40), 300) == pytest.approx(theirs, abs=1e-12)


def test_exact_equivalence_of_pass():
    """PASS manual: exact TOST, n=500, limits .5 and .7; region and power at p .60 to .69."""
    published = [0.9965, 0.9940, 0.9815, 0.9482, 0.8783, 0.7583, 0.5914, 0.4041, 0.2352, 0.1139]
    assert equivalence_region(500, (0.5, 0.7)) == (269, 332)
    found = [equivalence_power(500, (0.5, 0.7), p / 100) for p in range(60, 70)]
    assert found == pytest.approx(published, abs=5e-5)
    assert equivalence_power(10, (0.45, 0.55), 0.5) == 0.0


def test_crossover_of_the_peak_flow_trial(reference):
    """Senn's formoterol and salbutamol trial: 46.6, se 10.8, t 4.32, 11 df, p .0012."""
    result = crossover_ab_ba(reference("crossover_pef"))
    row = result.table.loc["treatment"]
    assert row["estimate"] == pytest.approx(46.60714, abs=5e-6)
    assert row["se"] == pytest.approx(10.77656, abs=5e-6)
    assert row["t"] == pytest.approx(4.32486, abs=5e-6)
    assert row["df"] == 11
    assert row["p"] == pytest.approx(0.00120485, abs=5e-9)
    assert result.counts == (7, 6)
    assert result.interval.kind == "t"
    assert CARRY_OVER_WARNING in result.text
    # The other rows follow from the same half differences by identities.
    assert result.table.loc["treatment_welch", "estimate"] == pytest.approx(row["estimate"])
    assert result.table.loc["ignoring_period", "df"] == 12


def test_crossover_refuses_small_or_odd_sequences(reference):
    table = reference("crossover_pef")
    with pytest.raises(ArgumentError, match="two with BA"):
        crossover_ab_ba(table[table["sequence"] == "AB"])
    with pytest.raises(ArgumentError, match="unknown"):
        crossover_ab_ba(table.assign(sequence="ABA"))


@pytest.mark.parametrize(
    "call",
    [
        lambda: two_rate_n(0.4, 0.4),
        lambda: two_rate_n(0.4, 1.2),
        lambda: two_rate_n(0.4, 0.5, power=1.0),
        lambda: two_rate_power(0.4, 0.5, 0),
        lambda: two_rate_power(0.4, 0.5, 100, alpha=0),
    ],
)
def test_refusals(call):
    with pytest.raises(ArgumentError):
        call()
