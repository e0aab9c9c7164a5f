"""Over-dispersion of session cells: test size, ICC recovery, agreement with a GLM."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.dispersion import deflate, dispersion


def sessions(icc, groups, cells, seed):
    """Session cells of 4 to 20 attempts with a given within-session correlation."""
    rng = np.random.default_rng(seed)
    p = np.repeat(rng.beta(24, 36, groups), cells)
    n = rng.integers(4, 21, p.size)
    rate = p if icc == 0 else rng.beta(p * (1 / icc - 1), (1 - p) * (1 / icc - 1))
    units = np.repeat(np.arange(groups), cells)
    return pd.DataFrame({"unit": units, "setting": "rep", "n": n, "y": rng.binomial(n, rate)})


def test_star98_published_fit_and_the_same_pearson_statistic():
    # R and Stata on star98 (statsmodels results_glm.py): deviance 4078.76541772, null deviance
    # 34345.3688931, log-likelihood -2998.61255899391, Pearson 4051.921614.
    import statsmodels.api as sm

    data = sm.datasets.star98.load_pandas()
    model = sm.GLM(data.endog, sm.add_constant(data.exog, prepend=False), sm.families.Binomial())
    fit = model.fit()
    assert fit.deviance == pytest.approx(4078.76541772, rel=1e-6)
    assert fit.null_deviance == pytest.approx(34345.3688931, rel=1e-6)
    assert fit.llf == pytest.approx(-2998.61255899391, rel=1e-6)
    assert fit.pearson_chi2 == pytest.approx(4051.921614, rel=1e-5)
    # Ours about one rate is the Pearson statistic of the model with a constant only.
    counts = data.endog.to_numpy(float)
    constant = sm.GLM(counts, np.ones(len(counts)), sm.families.Binomial()).fit()
    frame = pd.DataFrame({"unit": "a", "setting": "b", "n": counts.sum(1), "y": counts[:, 0]})
    found = dispersion(frame)
    assert found.chi_squared == pytest.approx(constant.pearson_chi2, rel=1e-9)
    assert found.df == constant.df_resid
    assert found.reading == "not_harmless"


def test_pearson_equals_a_glm_with_one_rate_for_each_group():
    import statsmodels.api as sm

    frame = sessions(0.05, 6, 12, 1)
    counts = np.column_stack([frame["y"], frame["n"] - frame["y"]])
    dummies = pd.get_dummies(frame["unit"], dtype=float)
    fit = sm.GLM(counts, dummies, sm.families.Binomial()).fit()
    found = dispersion(frame)
    assert found.chi_squared == pytest.approx(fit.pearson_chi2, rel=1e-9)
    assert found.df == fit.df_resid
    assert found.by_group["chi_squared"].sum() == pytest.approx(found.chi_squared)
    np.testing.assert_allclose(found.by_group["rate"], fit.fittedvalues[::12], rtol=1e-6)


@pytest.mark.parametrize("icc", [0.0, 0.02, 0.08])
def test_icc_is_recovered_and_covered(icc):
    # Own simulation: 14 players, 40 sessions each, 40 data sets.
    found = [dispersion(sessions(icc, 14, 40, seed)) for seed in range(40)]
    assert np.mean([one.icc for one in found]) == pytest.approx(icc, abs=0.006)
    covered = [one.interval.low <= icc <= one.interval.high for one in found]
    assert np.mean(covered) >= 0.8


def test_size_of_both_tests():
    # Own simulation without over-dispersion: about 5 % below .05 (standard error 2 %).
    found = [dispersion(sessions(0.0, 14, 20, 1000 + seed)) for seed in range(120)]
    assert 0.0 < np.mean([one.p_value < 0.05 for one in found]) < 0.11
    assert 0.0 < np.mean([one.tarone_p < 0.05 for one in found]) < 0.11
    assert np.mean([one.tarone_z for one in found]) == pytest.approx(0, abs=0.3)


def test_power_and_design_effect():
    found = dispersion(sessions(0.1, 14, 60, 7))
    assert found.p_value < 1e-6
    assert found.tarone_p < 1e-6
    assert found.design_effect == pytest.approx(1 + 13 * 0.1, abs=0.35)
    assert f"was not harmless: {found.design_effect:.2f} attempts tell as much as one" in found.text
    assert "p < 0.001" in found.text
    y, n = deflate([40], [100], found.design_effect)
    assert y / n == pytest.approx(0.4)
    assert n < 100


def test_harmless_is_said_with_its_limit():
    wide = dispersion(sessions(0.0, 3, 4, 12))
    large = dispersion(sessions(0.0, 70, 60, 3))
    assert large.text.endswith("Adding up sessions was harmless.")
    assert wide.reading == "open"
    assert "do not settle" in wide.text
    assert large.to_dict()["reading"] == "harmless"
    assert large.to_dict()["icc_interval"]["kind"] == "q_profile"


def test_equal_sessions_have_no_correlation():
    frame = pd.DataFrame({"unit": "a", "setting": "b", "n": [10] * 6, "y": [4] * 6})
    found = dispersion(frame)
    assert (found.chi_squared, found.icc, found.design_effect) == (0, 0, 1)
    assert found.interval.low == 0


def test_groups_that_say_nothing_are_left_out():
    frame = pd.DataFrame(
        {
            "unit": ["a", "a", "b", "c", "c"],
            "setting": ["s"] * 5,
            "n": [10, 12, 9, 5, 5],
            "y": [4, 7, 3, 0, 0],
        }
    )
    found = dispersion(frame)
    assert (found.cells, found.groups, found.df, found.attempts) == (2, 1, 1, 22)
    with pytest.raises(IdentificationError, match="two sessions"):
        dispersion(frame[frame["unit"] != "a"])


@settings(max_examples=30)
@given(
    st.lists(
        st.integers(2, 20).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))),
        min_size=3,
        max_size=12,
    ).filter(lambda rows: 0 < sum(y for y, _ in rows) < sum(n for _, n in rows))
)
def test_numbers_stay_in_range(rows):
    y, n = np.array(rows).T
    found = dispersion(pd.DataFrame({"unit": "a", "setting": "b", "n": n, "y": y}))
    assert 0 <= found.interval.low <= found.icc <= found.interval.high <= 1
    assert 1 <= found.design_effect <= found.design_effect_high
    assert 0 <= found.p_value <= 1


def test_refusals():
    with pytest.raises(ArgumentError, match="lacks the column"):
        dispersion(pd.DataFrame({"n": [1], "y": [1]}))
    with pytest.raises(ArgumentError, match="without unit or setting"):
        dispersion(pd.DataFrame({"unit": ["a", None], "setting": "b", "n": [5, 5], "y": [1, 2]}))
    with pytest.raises(ArgumentError, match="design_effect >= 1"):
        deflate([1], [2], 0.9)
