"""One way of fitting one season, measured in a process of its own; `run.py` calls this.

    python tests/benchmarks/peers.py WAY PROGRAMS OUT

Every way gets the same invented season. The ways that can hold the whole model (correlated
settings, prior tilt, program effects) get it whole; the others get the nearest they can hold, and
the table says so.
"""

from __future__ import annotations

import json
import sys
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

from measure import REPORTED, SEED, Clock, machine, peak_memory, season, summary  # noqa: E402

from transfer.models.priors import TransferPriors  # noqa: E402
from transfer.models.transfer_design import TransferDesign  # noqa: E402

CHAINS, DRAWS, TUNE = 4, 1000, 1000
#: Practice sessions and games that one team's cells are spread over (scenario assumption).
SESSIONS = 80
Drawn = dict[str, np.ndarray]
Fit = Callable[[], Drawn]


def spread(design: TransferDesign, parts: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Split every cell's attempts over `parts` sessions by lot; return cell, n, y with n > 0."""
    rng = np.random.default_rng(SEED)
    cell = np.repeat(np.arange(len(design.n)), design.n)
    made = np.concatenate(
        [rng.permutation(np.arange(n) < y) for n, y in zip(design.n, design.y, strict=True)]
    )
    part = rng.integers(0, parts, len(cell))
    key = cell * parts + part
    n = np.bincount(key, minlength=len(design.n) * parts)
    y = np.bincount(key, made, minlength=len(design.n) * parts)
    kept = np.flatnonzero(n)
    return kept // parts, n[kept], y[kept].astype(np.int64)


def attempts(design: TransferDesign) -> tuple[np.ndarray, np.ndarray]:
    """Return cell and outcome of every single attempt."""
    cell = np.repeat(np.arange(len(design.n)), design.n)
    made = np.concatenate([np.arange(n) < y for n, y in zip(design.n, design.y, strict=True)])
    return cell, made.astype(np.int64)


def own(design: TransferDesign) -> Fit:
    """Return the package's engine with its own default settings."""
    from transfer.models.engine.density import native_model
    from transfer.models.fit import sampler_for
    from transfer.models.sampling import sample

    settings = sampler_for(design)

    def fit() -> Drawn:
        drawn, _ = sample(
            native_model(design, TransferPriors()),
            seed=SEED, reported=list(REPORTED), draws=settings.draws, tune=settings.tune,
            chains=settings.chains, target_accept=settings.target_accept,
            adaptation=settings.adaptation,
        )  # fmt: skip
        return drawn

    return fit


def reference(design: TransferDesign) -> Fit:
    """Return a long run of the PyMC model, which shares no density code with the own engine."""
    from transfer.models.sampling import compile_model, sample
    from transfer.models.transfer_model import build_transfer_model

    small = len(design.units) < 60

    def fit() -> Drawn:
        drawn, _ = sample(
            compile_model(build_transfer_model(design, TransferPriors())),
            seed=SEED + 7, reported=list(REPORTED), draws=6000 if small else 2500,
            tune=1000, target_accept=0.9, adaptation="low_rank" if small else "diag",
        )  # fmt: skip
        return drawn

    return fit


def _plain_pymc(design: TransferDesign, cell: np.ndarray, n: np.ndarray, y: np.ndarray) -> Fit:
    import pymc as pm
    import pytensor.tensor as pt

    priors, (units, size) = TransferPriors(), design.dims
    k = size - 1
    rows, cols = np.tril_indices(size, -1)
    tilt = np.array([priors.tilt_game if r == k else priors.tilt_practice for r in rows])

    def fit() -> Drawn:
        with pm.Model():
            mu = pm.Normal(
                "mu",
                [priors.mu_practice[0]] * k + [priors.mu_game[0]],
                [priors.mu_practice[1]] * k + [priors.mu_game[1]],
            )
            tau = pm.HalfNormal("tau", [priors.tau_practice_sd] * k + [priors.tau_game_sd])
            chol = pm.LKJCorr("chol", n=size, eta=priors.lkj_eta)
            omega = pm.Deterministic("omega", pt.dot(chol, chol.T))
            z_rho = pt.arctanh(pt.clip(omega[rows, cols], -1 + 1e-10, 1 - 1e-10))
            pm.Potential("tilt", pm.logp(pm.Normal.dist(tilt[:, 0], tilt[:, 1]), z_rho).sum())
            z = pm.Normal("z", shape=(units, size))
            theta = mu + pt.dot(z, chol.T) * tau
            if len(design.programs) > 1:
                sd = pm.HalfNormal("program_sd", priors.program_sd, shape=size)
                raw = pm.Normal("z_program", shape=(len(design.programs), size))
                theta = theta + (raw * sd)[design.program]
            eta = theta[design.unit[cell], design.setting[cell]]
            if n.max() == 1:
                pm.Bernoulli("y", logit_p=eta, observed=y)
            else:
                pm.Binomial("y", n=n, logit_p=eta, observed=y)
            trace = pm.sample(
                DRAWS, tune=TUNE, chains=CHAINS, cores=2, random_seed=SEED, progressbar=False,
                nuts_sampler="pymc", compute_convergence_checks=False,
            )  # fmt: skip
        return {name: np.asarray(trace["posterior"][name]) for name in REPORTED}

    return fit


def pymc_attempts(design: TransferDesign) -> Fit:
    """Return the plain PyMC model on one row per attempt."""
    cell, made = attempts(design)
    return _plain_pymc(design, cell, np.ones_like(made), made)


def pymc_sessions(design: TransferDesign) -> Fit:
    """Return the plain PyMC model on session cells."""
    return _plain_pymc(design, *spread(design, SESSIONS))


def bambi(design: TransferDesign) -> Fit:
    """Return bambi's nearest: settings as common effects, uncorrelated player deviations."""
    import bambi as bmb
    import pandas as pd

    cell, n, y = spread(design, SESSIONS)
    frame = pd.DataFrame(
        {
            "y": y, "n": n,
            "k": [f"k{s}" for s in design.setting[cell]],
            "unit": [f"u{u:04d}" for u in design.unit[cell]],
            "program": [f"g{design.program[u]:03d}" for u in design.unit[cell]],
        }
    )  # fmt: skip
    formula = "p(y, n) ~ 0 + k + (0 + k | unit)"
    if len(design.programs) > 1:
        formula += " + (0 + k | program)"

    def fit() -> Drawn:
        model = bmb.Model(formula, frame, family="binomial")
        trace = model.fit(
            draws=DRAWS, tune=TUNE, chains=CHAINS, cores=2, random_seed=SEED, progressbar=False
        )
        post = trace["posterior"]
        return {"mu": np.asarray(post["k"]), "tau": np.asarray(post["k|unit_sigma"])}

    return fit


def statsmodels(design: TransferDesign) -> Fit:
    """Return variational Bayes of BinomialBayesMixedGLM on attempts, deviations uncorrelated."""
    import scipy.sparse as sp
    from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

    cell, made = attempts(design)
    units, size = design.dims
    rows = np.arange(len(cell))
    code = design.setting[cell] * units + design.unit[cell]
    vc = sp.csr_matrix((np.ones(len(cell)), (rows, code)), shape=(len(cell), units * size))
    fixed = np.eye(size)[design.setting[cell]]

    def fit() -> Drawn:
        model = BinomialBayesMixedGLM(made, fixed, vc, np.repeat(np.arange(size), units), fe_p=1.0)
        found = model.fit_vb()
        rng = np.random.default_rng(SEED)
        # Draws of the variational normal, so that one summary serves every way; no chain made
        # them, and no effective size is reported.
        shape = (CHAINS, DRAWS, size)
        mu = rng.normal(found.fe_mean, found.fe_sd, shape)
        return {"mu": mu, "tau": np.exp(rng.normal(found.vcp_mean, found.vcp_sd, shape))}

    return fit


def numpyro(design: TransferDesign) -> Fit:
    """Return the whole model written in numpyro, on cells, two chains at a time on the CPU."""
    import jax
    import jax.numpy as jnp
    import numpyro as npy
    import numpyro.distributions as dist

    npy.set_host_device_count(2)
    jax.config.update("jax_enable_x64", True)
    priors, (units, size) = TransferPriors(), design.dims
    k = size - 1
    rows, cols = np.tril_indices(size, -1)
    tilt = np.array([priors.tilt_game if r == k else priors.tilt_practice for r in rows])
    location = jnp.array([priors.mu_practice[0]] * k + [priors.mu_game[0]])
    scale = jnp.array([priors.mu_practice[1]] * k + [priors.mu_game[1]])
    spreads = jnp.array([priors.tau_practice_sd] * k + [priors.tau_game_sd])

    def model() -> None:
        mu = npy.sample("mu", dist.Normal(location, scale).to_event(1))
        tau = npy.sample("tau", dist.HalfNormal(spreads).to_event(1))
        chol = npy.sample("chol", dist.LKJCholesky(size, priors.lkj_eta))
        omega = npy.deterministic("omega", chol @ chol.T)
        rho = jnp.clip(omega[rows, cols], -1 + 1e-10, 1 - 1e-10)
        npy.factor("tilt", dist.Normal(tilt[:, 0], tilt[:, 1]).log_prob(jnp.arctanh(rho)).sum())
        z = npy.sample("z", dist.Normal().expand([units, size]).to_event(2))
        theta = mu + (z @ chol.T) * tau
        if len(design.programs) > 1:
            sd = npy.sample("sd", dist.HalfNormal(priors.program_sd).expand([size]).to_event(1))
            raw = npy.sample("g", dist.Normal().expand([len(design.programs), size]).to_event(2))
            theta = theta + (raw * sd)[design.program]
        eta = theta[design.unit, design.setting]
        npy.sample("y", dist.Binomial(design.n, logits=eta).to_event(1), obs=design.y)

    def fit() -> Drawn:
        mcmc = npy.infer.MCMC(
            npy.infer.NUTS(model), num_warmup=TUNE, num_samples=DRAWS, num_chains=CHAINS,
            progress_bar=False,
        )  # fmt: skip
        mcmc.run(jax.random.PRNGKey(SEED))
        drawn = mcmc.get_samples(group_by_chain=True)
        return {name: np.asarray(drawn[name]) for name in REPORTED}

    return fit


STAN = """
data { int P; int K; int N; int G; array[N] int n; array[N] int y; array[N] int u; array[N] int s;
  array[P] int g; vector[K] m0; vector[K] s0; vector[K] t0; real sp; array[K] vector[K] a;
  array[K] vector[K] b; }
parameters { vector[K] mu; vector<lower=0>[K] tau; cholesky_factor_corr[K] L; matrix[K, P] z;
  vector<lower=0>[K] sd; matrix[K, G] zg; }
transformed parameters { corr_matrix[K] omega = multiply_lower_tri_self_transpose(L); }
model { matrix[K, P] theta = diag_pre_multiply(tau, L) * z; vector[N] eta;
  mu ~ normal(m0, s0); tau ~ normal(0, t0); L ~ lkj_corr_cholesky(1); sd ~ normal(0, sp);
  to_vector(z) ~ std_normal(); to_vector(zg) ~ std_normal();
  for (i in 2:K) for (j in 1:(i - 1)) target += normal_lpdf(atanh(omega[i, j]) | a[i, j], b[i, j]);
  for (i in 1:N) { eta[i] = mu[s[i]] + theta[s[i], u[i]];
    if (G > 1) eta[i] += sd[s[i]] * zg[s[i], g[u[i]]]; }
  y ~ binomial_logit(n, eta); }
"""


def pystan(design: TransferDesign) -> Fit:
    """Return the whole model in Stan, on cells."""
    import stan

    priors, (units, size) = TransferPriors(), design.dims
    k = size - 1
    pair = [[priors.tilt_game if max(i, j) == k else priors.tilt_practice for j in range(size)]
            for i in range(size)]  # fmt: skip
    tilt = np.array(pair)
    data = {
        "P": units, "K": size, "N": len(design.n), "G": len(design.programs),
        "n": design.n.tolist(), "y": design.y.tolist(),
        "u": (design.unit + 1).tolist(), "s": (design.setting + 1).tolist(),
        "g": (design.program + 1).tolist(),
        "m0": [priors.mu_practice[0]] * k + [priors.mu_game[0]],
        "s0": [priors.mu_practice[1]] * k + [priors.mu_game[1]],
        "t0": [priors.tau_practice_sd] * k + [priors.tau_game_sd],
        "sp": priors.program_sd, "a": tilt[..., 0].tolist(), "b": tilt[..., 1].tolist(),
    }  # fmt: skip

    def fit() -> Drawn:
        model = stan.build(STAN, data=data, random_seed=SEED)
        found = model.sample(num_chains=CHAINS, num_samples=DRAWS, num_warmup=TUNE)

        def by_chain(name: str) -> np.ndarray:
            flat = np.moveaxis(np.asarray(found[name]), -1, 0)
            # pystan puts the draws of all chains side by side, draw by draw.
            return flat.reshape(DRAWS, CHAINS, *flat.shape[1:]).swapaxes(0, 1)

        return {name: by_chain(name) for name in REPORTED}

    return fit


WAYS: dict[str, Callable[[TransferDesign], Fit]] = {
    f.__name__: f
    for f in (own, reference, pymc_attempts, pymc_sessions, bambi, statsmodels, numpyro, pystan)
}


def main(way: str, programs: int, out: Path) -> None:
    """Fit twice (cold, then warm in the same process) and write what was measured."""
    warnings.simplefilter("ignore")
    design = season(programs)
    result: dict[str, Any] = {"way": way, "programs": programs, **machine()}
    with Clock() as cold:
        fit = WAYS[way](design)
        drawn = fit()
    found = summary(drawn)
    result |= {"cold_s": cold.wall, "cold_cpu_s": cold.cpu, "memory_mb": peak_memory(), **found}
    out.write_text(json.dumps(result))
    if way != "reference":
        with Clock() as warm:
            fit()
        result |= {"warm_s": warm.wall, "warm_cpu_s": warm.cpu, "memory_mb": peak_memory()}
        out.write_text(json.dumps(result))


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]))
