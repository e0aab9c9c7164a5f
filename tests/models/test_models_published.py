"""One-setting fits against posteriors that other people printed.

Sources stand beside each test; the numbers are read from ``shared/reference``. The priors are set
to the published ones, which are examples of their time and not our defaults.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from invented_fits import cells_of_design
from scipy import special

from transfer.models.fit import fit_design
from transfer.models.priors import TransferPriors
from transfer.models.sampling import SamplerSettings
from transfer.models.transfer_design import TransferDesign

pytestmark = pytest.mark.fit


def one_setting(n, y, unit=None, covariates=None, priors=()) -> TransferDesign:
    """Build a games-only design from plain counts."""
    n, y = np.asarray(n, np.int64), np.asarray(y, np.int64)
    unit = np.arange(len(n)) if unit is None else np.asarray(unit)
    units = tuple(f"U{i:02d}" for i in range(unit.max() + 1))
    return TransferDesign(
        settings=(),
        units=units,
        programs=("A",),
        n=n,
        y=y,
        unit=unit,
        setting=np.zeros(len(n), np.int64),
        program=np.zeros(len(units), np.int64),
        covariates=covariates,
        covariate_priors=tuple(priors),
    )


LONG = SamplerSettings(draws=2500, tune=1000, target_accept=0.95, adaptation="low_rank")


def mcse(draws: np.ndarray) -> float:
    """Monte Carlo standard error of a mean from joined chains of equal length."""
    from arviz_stats.base import array_stats

    chains = draws.reshape(4, -1)
    return float(array_stats.mcse(chains, chain_axis=0, draw_axis=1, method="mean"))


def test_surgical_posterior(reference):
    """BUGS Examples Vol. I, Surgical: random effects, 1/sigma2 ~ Gamma(.001, .001).

    Published means from the MultiBUGS example file; exact values by quadrature in the same table.
    """
    data, published = reference("surgical"), reference("surgical_posterior")
    priors = TransferPriors(
        mu_game=(0.0, 1000.0), tau_game_sd=0.001, tau_family="inverse_gamma_variance"
    )
    design = one_setting(data["n"], data["r"])
    fit = fit_design(design, cells_of_design(design, "surgical"), priors, seed=11, sampler=LONG)
    rates = special.expit(fit.theta[:, :, 0])
    for j, row in published.iterrows():
        error = 4 * mcse(rates[:, j])
        assert rates[:, j].mean() == pytest.approx(row["quadrature_mean"], abs=error + 5e-4)
        assert rates[:, j].mean() == pytest.approx(
            row["random_mean"], abs=error + 4 * row["random_mc_error"]
        )
        assert rates[:, j].std() == pytest.approx(row["quadrature_sd"], rel=0.08)
    # Mamba.jl example page, reproduced by quadrature: mu -2.55375 (.15342).
    mu = fit.population.mu[:, 0]
    assert mu.mean() == pytest.approx(-2.55375, abs=4 * mcse(mu))
    assert mu.std() == pytest.approx(0.15342, rel=0.08)


def test_seeds_posterior(reference):
    """BUGS Examples Vol. I, Seeds, sigma ~ U(0, 10): MultiBUGS values; tolerance .03.

    Crowder 1978, Applied Statistics 27:34-37.
    """
    data, published = reference("seeds"), reference("seeds_posterior")
    seed = data["seed_type"].to_numpy(float)
    extract = data["root_extract"].to_numpy(float)
    columns = np.column_stack([seed, extract, seed * extract])
    priors = TransferPriors(mu_game=(0.0, 1000.0), tau_game_sd=10.0, tau_family="uniform")
    design = one_setting(data["n"], data["r"], covariates=columns, priors=[(0.0, 1000.0)] * 3)
    fit = fit_design(design, cells_of_design(design, "seeds"), priors, seed=12, sampler=LONG)
    drawn = {
        "alpha0": fit.population.mu[:, 0],
        "alpha1": fit.terms["beta_covariate"][:, 0],
        "alpha2": fit.terms["beta_covariate"][:, 1],
        "alpha12": fit.terms["beta_covariate"][:, 2],
        "sigma": fit.population.tau[:, 0],
    }
    rows = published[published["source"] == "MultiBUGS"].set_index("parameter")
    assert set(rows.index) == set(drawn)
    for name, draws in drawn.items():
        assert draws.mean() == pytest.approx(rows.at[name, "mean"], abs=0.03), name
        assert draws.std() == pytest.approx(rows.at[name, "sd"], abs=0.03), name


def herd_log_likelihood(mu, beta, sd, data: pd.DataFrame, nodes: int = 40) -> np.ndarray:
    """Marginal log likelihood of lme4's cbpp model by Gauss-Hermite, one value per draw."""
    x, w = np.polynomial.hermite_e.hermegauss(nodes)
    total = np.zeros(len(mu))
    for _, herd in data.groupby("herd"):
        period = herd["period"].to_numpy(int)
        shift = np.where(
            period[None, :] > 1, np.column_stack([np.zeros(len(mu)), beta])[:, period - 1], 0.0
        )
        eta = (mu[:, None] + shift)[:, :, None] + sd[:, None, None] * x[None, None, :]
        n, y = herd["size"].to_numpy(float), herd["incidence"].to_numpy(float)
        inside = (y[None, :, None] * eta - n[None, :, None] * np.logaddexp(0, eta)).sum(axis=1)
        total += special.logsumexp(inside, axis=1, b=w / w.sum())
    constant = (
        special.gammaln(data["size"] + 1)
        - special.gammaln(data["incidence"] + 1)
        - special.gammaln(data["size"] - data["incidence"] + 1)
    ).sum()
    return total + float(constant)


def test_cbpp_posterior_and_lme4(reference):
    """Lme4 reference pages, cbpp: incidence/size ~ period + (1 | herd).

    The quadrature likelihood of this test has its maximum where lme4's AGQ fit is (-1.39924,
    -.991381, -1.12783, -1.57947; sd .647513; true -2 log L 183.967), and the sampler's posterior
    equals the importance-weighted posterior under that likelihood.
    """
    data = reference("cbpp")
    period = np.column_stack([(data["period"] == k).to_numpy(float) for k in (2, 3, 4)])
    lme4 = (np.array([-1.39924]), np.array([[-0.991381, -1.12783, -1.57947]]), np.array([0.647513]))
    best = herd_log_likelihood(*lme4, data)
    assert -2 * best[0] == pytest.approx(183.967, abs=2e-3)
    for j, step in enumerate(np.eye(5) * 2e-2):
        for sign in (1, -1):
            moved = herd_log_likelihood(
                lme4[0] + sign * step[0], lme4[1] + sign * step[1:4], lme4[2] + sign * step[4], data
            )
            assert moved[0] < best[0], j
    priors = TransferPriors(mu_game=(0.0, 10.0), tau_game_sd=5.0, tau_family="uniform")
    unit = data["herd"].astype("category").cat.codes.to_numpy(np.int64)
    design = one_setting(data["size"], data["incidence"], unit, period, [(0.0, 10.0)] * 3)
    fit = fit_design(design, cells_of_design(design, "cbpp"), priors, seed=13, sampler=LONG)
    names = np.column_stack(
        [fit.population.mu[:, 0], fit.terms["beta_covariate"], np.log(fit.population.tau[:, 0])]
    )
    # Independent posterior: Student-like proposal from the draws' moments, weighted by quadrature.
    rng = np.random.default_rng(5)
    cov = np.cov(names.T) * 1.4
    proposal = names.mean(0) + (
        rng.multivariate_normal(np.zeros(5), cov, 6000)
        / np.sqrt(rng.chisquare(8, 6000) / 8)[:, None]
    )
    sd = np.exp(proposal[:, 4])
    target = herd_log_likelihood(proposal[:, 0], proposal[:, 1:4], sd, data)
    target += -0.5 * (proposal[:, :4] ** 2).sum(1) / 100 + proposal[:, 4]
    target[sd > 5.0] = -np.inf
    offset = proposal - names.mean(0)
    quad = np.einsum("ij,jk,ik->i", offset, np.linalg.inv(cov), offset)
    weight = np.exp(target - target.max() + (8 + 5) / 2 * np.log1p(quad / 8))
    weight /= weight.sum()
    assert 1 / (weight**2).sum() > 1500
    for j in range(5):
        mean = weight @ proposal[:, j]
        spread = np.sqrt(weight @ (proposal[:, j] - mean) ** 2)
        assert names[:, j].mean() == pytest.approx(mean, abs=0.1 * spread), j
        assert names[:, j].std() == pytest.approx(spread, rel=0.1), j


def test_batting_logit_normal_posterior(reference):
    """18 batters of 1970, 45 at-bats each (Efron and Morris 1975, Table 1).

    Exact posterior by quadrature (own computation, in the reference notes) of the logit-normal
    model with mu ~ N(-1, 1), sigma ~ half-N(0, 1): theta of 18, 10 and 7 hits.
    """
    data = reference("efron_morris")
    priors = TransferPriors(mu_game=(-1.0, 1.0), tau_game_sd=1.0, tau_family="half_normal")
    design = one_setting(data["at_bats"], data["hits"])
    fit = fit_design(design, cells_of_design(design, "batting"), priors, seed=14, sampler=LONG)
    rates = special.expit(fit.theta[:, :, 0])
    for hits, mean, sd in ((18, 0.2937, 0.0427), (10, 0.2565, 0.0328), (7, 0.2433, 0.0358)):
        j = int(np.flatnonzero(data["hits"] == hits)[0])
        assert rates[:, j].mean() == pytest.approx(mean, abs=4 * mcse(rates[:, j]) + 5e-5)
        assert rates[:, j].std() == pytest.approx(sd, rel=0.08)
    assert fit.population.mu[:, 0].mean() == pytest.approx(-1.02644, abs=0.012)
    assert fit.population.tau[:, 0].mean() == pytest.approx(0.16604, abs=0.012)
