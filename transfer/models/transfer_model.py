"""The transfer model in PyMC: how players' true practice and game rates go together.

::

    y ~ Binomial(n, logit^-1(eta))
    eta = mu_k + c_gk + c_gsk + u_psk + columns + distance + contest (games) + defender (live)
    (u_ps1 .. u_psK, u_psG) ~ MVN(0, D Omega D),  D = diag(tau)
    correlation phi between seasons s of a player p, in every setting; phi ~ Beta(10, 2)
    Omega ~ LKJ(1) x prod_k t4(atanh rho_kG | .55, .40) x prod_jk t4(atanh rho_jk | .85, .50)

Optional terms are there only when the design carries them. Two parametrisations of the same
posterior: non-centred for few units; practice centred and game non-centred for many, where the
practice rates are well measured and the non-centred form mixes badly.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from transfer.models.priors import TransferPriors
from transfer.models.transfer_design import TransferDesign

__all__ = ["MODEL_VERSION", "build_transfer_model", "swap_arrays", "uses_centred"]

#: Raised whenever the meaning of a saved fit changes.
MODEL_VERSION = 2
#: From this number of units on, practice rates are centred (own measurement at 14 to 280 units).
CENTRED_FROM = 60


def uses_centred(design: TransferDesign) -> bool:
    """Whether the practice rates are centred in the model of this design."""
    return len(design.settings) > 0 and len(design.units) >= CENTRED_FROM


def swap_arrays(design: TransferDesign) -> dict[str, np.ndarray]:
    """Arrays to pass to ``compiled.with_data`` for new records of the same units."""
    arrays: dict[str, np.ndarray] = {
        "n": design.n.astype(np.float64),
        "y": design.y.astype(np.float64),
        "cell": design.unit * design.dims[1] + design.setting,
    }
    if len(design.programs) > 1:
        arrays["program"] = design.program
    if design.season is not None:
        arrays["season"] = design.season
    if design.player is not None:
        arrays["same_player"] = np.equal.outer(design.player, design.player) * 1.0
    if design.distance is not None:
        arrays["distance"], arrays["cell_setting"] = design.distance, design.setting
    if design.contest is not None:
        arrays["contest"] = np.asarray(design.contest, dtype=np.int64)
    if design.defender is not None:
        # Index 0 is "nobody charted" and has no effect.
        arrays["defender"] = design.defender + 1
    if design.covariates is not None:
        arrays["covariates"] = design.covariates
    return arrays


def _spread(pm: Any, name: str, scales: np.ndarray, family: str, log_sd: float) -> Any:
    if family == "lognormal":
        return pm.LogNormal(name, np.log(scales), log_sd, shape=scales.shape)
    if family == "half_normal":
        return pm.HalfNormal(name, scales, shape=scales.shape)
    if family == "uniform":
        return pm.Uniform(name, 0.0, scales, shape=scales.shape)
    precision = pm.Gamma(f"{name}_precision", scales, scales, shape=scales.shape)
    return pm.Deterministic(name, precision**-0.5)


def _correlation(pm: Any, pt: Any, size: int, priors: TransferPriors) -> Any:
    """Cholesky factor of Omega with the tilt added to the log density."""
    chol = pm.LKJCorr("omega_cholesky", n=size, eta=priors.lkj_eta)
    if priors.tilt_game is not None and priors.tilt_practice is not None:
        rows, cols = np.tril_indices(size, -1)
        game = rows == size - 1
        location = np.where(game, priors.tilt_game[0], priors.tilt_practice[0])
        scale = np.where(game, priors.tilt_game[1], priors.tilt_practice[1])
        rho = pt.dot(chol, chol.T)[rows, cols]
        e = (pt.arctanh(pt.clip(rho, -1 + 1e-10, 1 - 1e-10)) - location) / scale
        df = priors.tilt_df
        factor = -0.5 * e**2 if df is None else -0.5 * (df + 1) * pt.log1p(e**2 / df)
        pm.Potential("tilt", factor.sum())
    return chol


def _seasons(pm: Any, pt: Any, data: dict[str, Any], priors: TransferPriors) -> Any:
    """Cholesky factor of the correlations of a player's seasons; None where nobody has two."""
    if "same_player" not in data:
        return None
    phi = pm.Beta("persistence", *priors.persistence)
    same = data["same_player"]
    return pt.linalg.cholesky(phi * same + (1 - phi) * pt.eye(same.shape[0]))


def _centred(
    pm: Any, pt: Any, centre: Any, tau: Any, chol: Any, seasons: Any, dims: tuple[int, int]
) -> Any:
    """Rates of all units: practice centred, game given practice non-centred."""
    units, size = dims
    k = size - 1
    practice = pm.Flat("theta_practice", shape=(units, k))
    scaled = (practice - centre[:, :k]) / tau[:k]
    white = pt.linalg.solve_triangular(chol[:k, :k], scaled.T, lower=True).T
    noise = white if seasons is None else pt.linalg.solve_triangular(seasons, white, lower=True)
    density = -0.5 * (noise**2).sum()
    density -= units * (pt.log(pt.diag(chol)[:k]).sum() + pt.log(tau[:k]).sum())
    z = pm.Normal("z_game", 0.0, 1.0, shape=units)
    if seasons is not None:
        density -= k * pt.log(pt.diag(seasons)).sum()
        z = pt.dot(seasons, z)
    pm.Potential("practice_prior", density)
    game = centre[:, k] + tau[k] * (pt.dot(white, chol[k, :k]) + chol[k, k] * z)
    return pt.concatenate([practice, game[:, None]], axis=1)


def _optional_terms(
    pm: Any, pt: Any, data: dict[str, Any], design: TransferDesign, priors: TransferPriors
) -> Any:
    """Sum of the terms that only some records carry, per cell."""
    total: Any = 0.0
    k = len(design.settings)
    if design.distance is not None:
        location = np.array([priors.beta_distance_practice[0]] * k + [priors.beta_distance_game[0]])
        scale = np.array([priors.beta_distance_practice[1]] * k + [priors.beta_distance_game[1]])
        beta = pm.Normal("beta_distance", location, scale, shape=k + 1)
        total = total + beta[data["cell_setting"]] * data["distance"]
    if design.contest is not None:
        step = pm.HalfNormal("contest_step", priors.contest_step_sd, shape=len(design.contests) - 1)
        effect = pm.Deterministic("beta_contest", pt.concatenate([pt.zeros(1), -pt.cumsum(step)]))
        total = total + effect[data["contest"]]
    if design.defender is not None:
        sd = pm.HalfNormal("defender_sd", priors.defender_sd)
        raw = pm.Normal("z_defender", 0.0, 1.0, shape=len(design.defenders))
        effect = pm.Deterministic("defender_effect", sd * raw)
        total = total + pt.concatenate([pt.zeros(1), effect])[data["defender"]]
    if design.covariates is not None:
        location, scale = np.array(design.covariate_priors).T
        slope = pm.Normal("beta_covariate", location, scale, shape=len(location))
        total = total + pt.dot(data["covariates"], slope)
    return total


def build_transfer_model(
    design: TransferDesign, priors: TransferPriors, centred: bool | None = None
) -> Any:
    """Build the model of a design.

    Parameters
    ----------
    design : TransferDesign
    priors : TransferPriors
    centred : bool, optional
        Force one parametrisation; by number of units when omitted.

    Returns
    -------
    pymc.Model
        Variables ``mu``, ``tau``, ``omega`` (when there is a practice setting), ``theta``
        (P, K + 1) and the optional terms. Every array is `pymc.Data`.
    """
    import pymc as pm
    import pytensor.tensor as pt

    units, size = design.dims
    k = size - 1
    with pm.Model() as model:
        data = {name: pm.Data(name, value) for name, value in swap_arrays(design).items()}
        mu = pm.Normal(
            "mu",
            np.array([priors.mu_practice[0]] * k + [priors.mu_game[0]]),
            np.array([priors.mu_practice[1]] * k + [priors.mu_game[1]]),
            shape=size,
        )
        tau = _spread(
            pm,
            "tau",
            np.array([priors.tau_practice_sd] * k + [priors.tau_game_sd]),
            priors.tau_family,
            priors.tau_log_sd,
        )
        centre = pt.zeros((units, size)) + mu
        levels = {
            "program": (priors.program_sd, priors.program_game_sd, design.programs),
            "season": (priors.season_sd, priors.season_game_sd, design.seasons),
        }
        for level, (practice, game, names) in levels.items():
            if level in data:
                sd = pm.HalfNormal(f"{level}_sd", np.array([practice] * k + [game]), shape=size)
                raw = pm.Normal(f"z_{level}", 0.0, 1.0, shape=(len(names), size))
                effect = pm.Deterministic(f"{level}_effect", raw * sd)
                centre = centre + effect[data[level]]
        seasons = _seasons(pm, pt, data, priors)
        if k == 0:
            z = pm.Normal("z", 0.0, 1.0, shape=(units, 1))
            theta = centre + (z if seasons is None else pt.dot(seasons, z)) * tau
        else:
            chol = _correlation(pm, pt, size, priors)
            pm.Deterministic("omega", pt.dot(chol, chol.T))
            if uses_centred(design) if centred is None else centred:
                theta = _centred(pm, pt, centre, tau, chol, seasons, design.dims)
            else:
                z = pm.Normal("z", 0.0, 1.0, shape=(units, size))
                white = z if seasons is None else pt.dot(seasons, z)
                theta = centre + pt.dot(white, chol.T) * tau
        theta = pm.Deterministic("theta", theta)
        eta = theta.ravel()[data["cell"]] + _optional_terms(pm, pt, data, design, priors)
        # Binomial log likelihood without its constant, whose gammas would be paid for at every
        # step; the draws are the same.
        pm.Potential("likelihood", (data["y"] * eta - data["n"] * pt.softplus(eta)).sum())
    return model
