"""Shrinkage with known standard errors against textbook and package numbers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from normal_shrinkage import between_sd, shrink_estimates

from transfer.errors import ArgumentError


@pytest.fixture(scope="module")
def schools(reference):
    return reference("eight_schools")


def test_eight_schools_pooled_mean(schools):
    # Rubin 1981; Gelman et al., Bayesian Data Analysis, section 5.5: 7.7 with s.e. 4.1.
    pooled = shrink_estimates(schools["y"], schools["sigma"], tau=0.0)
    assert (pooled.mean, pooled.mean_se) == pytest.approx((7.7, 4.1), abs=0.05)
    assert (pooled.mean, pooled.mean_se) == pytest.approx((7.68562, 4.07192), abs=5e-6)
    np.testing.assert_allclose(pooled.shrunken, pooled.mean)
    np.testing.assert_allclose(pooled.shrunken_sd, pooled.mean_se)


@pytest.mark.parametrize(
    ("tau", "mean", "shrunken", "sd"),
    [
        (
            5.0,
            (7.8510, 4.4921),
            [9.8659, 7.8808, 6.8856, 7.7053, 5.7635, 6.6779, 9.8808, 8.1482],
            [6.2326, 5.7371, 6.2868, 5.8804, 5.5576, 5.8804, 5.7371, 6.3719],
        ),
        (
            10.0,
            (8.1265, 5.5200),
            [14.2414, 8.0632, 5.0011, 7.6168, 3.0842, 4.9018, 13.0632, 9.0400],
            [9.1561, 7.5906, 9.3630, 7.9928, 7.1312, 7.9928, 7.5906, 9.7061],
        ),
    ],
)
def test_eight_schools_at_fixed_tau(schools, tau, mean, shrunken, sd):
    # Exact closed form from a second computation (own, not published).
    found = shrink_estimates(schools["y"], schools["sigma"], tau)
    assert (found.mean, found.mean_se) == pytest.approx(mean, abs=5.1e-5)
    np.testing.assert_allclose(found.shrunken, shrunken, atol=5.1e-5)
    np.testing.assert_allclose(found.shrunken_sd, sd, atol=5.1e-5)


def test_eight_schools_has_no_spread_by_moments(schools):
    # Q = 4.70708 on 7 df (own computation), so both moment methods give zero.
    assert between_sd(schools["y"], schools["sigma"], "dersimonian_laird") == 0
    assert between_sd(schools["y"], schools["sigma"], "paule_mandel") == pytest.approx(0, abs=1e-4)


@pytest.mark.parametrize(
    ("method", "tau2", "mean", "se"),
    [
        # R metafor on the interlaboratory example of Kacker 2004, Metrologia.
        ("dersimonian_laird", 0.288049246973751, 62.3901386044504, 0.245749668040304),
        ("paule_mandel", 0.705395309224248, 62.4076199113286, 0.338030602684471),
    ],
)
def test_kacker_laboratories(reference, method, tau2, mean, se):
    rows = reference("kacker_lab_means")
    tau = between_sd(rows["estimate"], np.sqrt(rows["variance"]), method)
    assert tau**2 == pytest.approx(tau2, rel=1e-6)
    found = shrink_estimates(rows["estimate"], np.sqrt(rows["variance"]), tau)
    assert (found.mean, found.mean_se) == pytest.approx((mean, se), rel=1e-7)


def test_kacker_fixed_effect(reference):
    # R metafor: 62.5833970939982, s.e. 0.107845705498231.
    rows = reference("kacker_lab_means")
    found = shrink_estimates(rows["estimate"], np.sqrt(rows["variance"]), 0.0)
    assert found.mean == pytest.approx(62.5833970939982, rel=1e-12)
    assert found.mean_se == pytest.approx(0.107845705498231, rel=1e-12)


def test_fine_trials(reference):
    # Fine et al. 1993 with study 1 altered, R meta: fixed .428037 (s.e. .090287),
    # DL tau2 .0016783981912744, random .429520368698268.
    rows = reference("fine1993_modified")
    arms = rows[["r_e", "n_e", "r_c", "n_c"]].to_numpy(float).T
    cells = np.array([arms[0], arms[1] - arms[0], arms[2], arms[3] - arms[2]])
    effect = np.log(cells[0] * cells[3] / (cells[1] * cells[2]))
    error = np.sqrt((1 / cells).sum(axis=0))
    np.testing.assert_allclose(
        effect[:3], [2.70805020110221, 1.25672336971146, 0.374938517449009], rtol=1e-12
    )
    fixed = shrink_estimates(effect, error, 0.0)
    assert (fixed.mean, fixed.mean_se) == pytest.approx(
        (0.428036725396544, 0.0902874968199668), rel=1e-10
    )
    tau = between_sd(effect, error, "dersimonian_laird")
    assert tau**2 == pytest.approx(0.0016783981912744, rel=1e-8)
    random = shrink_estimates(effect, error, tau)
    assert random.mean == pytest.approx(0.429520368698268, rel=1e-8)


def test_dersimonian_laird_is_cut_at_zero():
    # Three equal estimates: the uncut moment estimate is negative.
    from statsmodels.stats.meta_analysis import combine_effects

    values, errors = np.array([1.0, 1.0, 1.1]), np.full(3, 1.0)
    assert combine_effects(values, errors**2, method_re="dl").tau2 < 0
    assert between_sd(values, errors, "dersimonian_laird") == 0


def test_mixed_model_random_effects_are_the_same_shrinkage():
    # R lmer on geepack's dietox, random intercepts, REML (statsmodels test_lme.py and the
    # mixed_lm_example notebook): 15.723523, 6.942505, residual 11.36692, pig 40.39395.
    import statsmodels.regression.tests as lme_tests
    from statsmodels.regression.mixed_linear_model import MixedLM

    path = Path(lme_tests.__file__).parent / "results" / "dietox.csv"
    data = pd.read_csv(path)
    exog = np.column_stack([np.ones(len(data)), data["Time"]])
    fit = MixedLM(data["Weight"], exog, groups=data["Pig"]).fit(reml=True)
    np.testing.assert_allclose(fit.fe_params, [15.723523, 6.942505], rtol=1e-6)
    assert fit.scale == pytest.approx(11.36692, rel=1e-5)
    tau2 = float(np.asarray(fit.cov_re)[0, 0])
    assert tau2 == pytest.approx(40.39395, rel=1e-4)
    residual = data["Weight"] - exog @ np.asarray(fit.fe_params)
    pigs = residual.groupby(data["Pig"]).agg(["mean", "size"])
    found = shrink_estimates(
        pigs["mean"], np.sqrt(fit.scale / pigs["size"]), np.sqrt(tau2), mean=0.0
    )
    effects = pd.Series({pig: float(value.iloc[0]) for pig, value in fit.random_effects.items()})
    np.testing.assert_allclose(found.shrunken, effects.loc[pigs.index], atol=1e-9)
    variances = [float(np.asarray(fit.random_effects_cov[pig]).item()) for pig in pigs.index]
    np.testing.assert_allclose(found.shrunken_sd**2, variances, rtol=1e-9)


@given(
    st.lists(st.tuples(st.floats(-5, 5), st.floats(0.1, 4)), min_size=2, max_size=12),
    st.floats(0, 5),
)
def test_shrunken_between_estimate_and_mean(rows, tau):
    values, errors = np.array(rows).T
    found = shrink_estimates(values, errors, tau)
    assert (found.shrunken >= np.minimum(values, found.mean) - 1e-9).all()
    assert (found.shrunken <= np.maximum(values, found.mean) + 1e-9).all()
    assert ((found.reliability >= 0) & (found.reliability < 1)).all()
    known = shrink_estimates(values, errors, tau, mean=found.mean)
    assert (known.shrunken_sd <= found.shrunken_sd + 1e-12).all()
    assert known.mean_se == 0


def test_text_and_refusals(schools):
    found = shrink_estimates(schools["y"], schools["sigma"], 5.0)
    assert "8 estimates" in found.text
    assert len(found.to_dict()["units"]) == 8
    with pytest.raises(ArgumentError, match="tau"):
        shrink_estimates([1, 2], [1, 1], -1.0)
    with pytest.raises(ArgumentError, match="standard errors > 0"):
        shrink_estimates([1, 2], [1, 0], 1.0)
    with pytest.raises(ArgumentError, match="two lines of equal length"):
        shrink_estimates([1, 2], [1], 1.0)
    with pytest.raises(ArgumentError, match="paule_mandel"):
        between_sd([1, 2], [1, 1], "reml")
