"""Small exact posteriors for the tests of decisions: no sampler, known truth.

``known_population`` holds the population fixed, so that each player's posterior is a K + 1
dimensional logit-normal with binomial counts. It is drawn by a random-walk-free route: Laplace
draws, importance weights and resampling from many candidates.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
from scipy.special import expit

from transfer.models.integrate import condition_on_practice
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.models.transfer_design import TransferDesign
from transfer.provenance import Provenance, hash_frames
from transfer.records.cells import Cells

SETTINGS = ("rep/none", "rep/light", "live/trailing")


def passed() -> Diagnostics:
    return Diagnostics(1.001, 1500.0, 1200.0, 0, True)


def make_cells(settings, n, y, minutes=None, programs=None) -> Cells:
    """Cells from arrays of shape (P, K + 1), game last; minutes (P, K) or None."""
    rows = []
    names = [*settings, "game"]
    for p in range(n.shape[0]):
        program = "A" if programs is None else programs[p]
        for k, setting in enumerate(names):
            if n[p, k] == 0:
                continue
            spent = np.nan
            if minutes is not None and setting != "game":
                spent = float(minutes[p, k])
            rows.append(
                {
                    "unit": f"{program}:2031:P{p + 1:03d}",
                    "player": f"P{p + 1:03d}",
                    "program": program,
                    "season": "2031",
                    "setting": setting,
                    "mode": setting.split("/")[0],
                    "n": int(n[p, k]),
                    "y": int(y[p, k]),
                    "minutes": spent,
                }
            )
    table = pd.DataFrame(rows)
    return Cells(
        table, tuple(settings), tuple(sorted(table["unit"].unique())), hash_frames(cells=table)
    )


def cells_of_design(design: TransferDesign, data_hash: str = "none") -> Cells:
    """Counts of a design that was written by hand, for a fit to carry."""
    settings = np.array([*design.settings, "game"])[design.setting]
    units = np.array(design.units)[design.unit]
    table = pd.DataFrame(
        {
            "unit": units,
            "player": units,
            "program": np.array(design.programs)[design.program[design.unit]],
            "season": "2031",
            "setting": settings,
            "mode": [setting.split("/")[0] for setting in settings],
            "n": design.n,
            "y": design.y,
            "minutes": np.nan,
        }
    )
    return Cells(table, design.settings, design.units, data_hash)


def tilted_prior(rng, draws, k) -> PopulationDraws:
    """Draw correlations from a one-factor family, so that every matrix is valid."""
    loading = np.tanh(rng.normal(0.9, 0.45, (draws, k + 1)))
    omega = loading[:, :, None] * loading[:, None, :]
    omega[:, np.arange(k + 1), np.arange(k + 1)] = 1.0
    tau = np.abs(rng.normal(0, [0.5] * k + [0.25], (draws, k + 1))) + 0.02
    mu = np.column_stack([rng.normal(0.2, 0.5, (draws, k)), rng.normal(-0.4, 0.3, draws)])
    return PopulationDraws(mu, tau, omega)


def one_factor(loading) -> np.ndarray:
    loading = np.asarray(loading, dtype=float)
    omega = np.outer(loading, loading)
    np.fill_diagonal(omega, 1.0)
    return omega


def truth(omega, tau, mu, players, rng):
    """True logits (P, K + 1) of players drawn from a population."""
    sigma = np.outer(tau, tau) * omega
    return rng.multivariate_normal(mu, sigma, size=players)


def known_population(
    settings, mu, tau, omega, n, y, draws=2000, seed=1, use_games=True, spread=0.0, **kwargs
) -> tuple[TransferPosterior, Cells]:
    """Return the exact posterior of players with the population known (or nearly, by `spread`)."""
    rng = np.random.default_rng(seed)
    players, width = n.shape
    mu, tau = np.asarray(mu, float), np.asarray(tau, float)
    sigma = np.outer(tau, tau) * omega
    theta = np.empty((draws, players, width))
    candidates = 2 * draws
    for p in range(players):
        counts_n, counts_y = n[p].astype(float), y[p].astype(float)
        if not use_games:
            counts_n, counts_y = counts_n.copy(), counts_y.copy()
            counts_n[-1] = counts_y[-1] = 0
        drawn, logw = condition_on_practice(
            np.broadcast_to(mu, (candidates, width)),
            np.broadcast_to(sigma, (candidates, width, width)),
            counts_n,
            counts_y,
            rng,
        )
        weights = np.exp(logw - logw.max())
        pick = rng.choice(candidates, size=draws, p=weights / weights.sum())
        theta[:, p] = drawn[pick]
    wiggle = spread * rng.standard_normal((draws, width))
    population = PopulationDraws(
        mu + wiggle,
        np.broadcast_to(tau, (draws, width)).copy(),
        np.broadcast_to(omega, (draws, width, width)).copy(),
    )
    cells = make_cells(settings, n, y, **kwargs)
    posterior = TransferPosterior(
        settings=tuple(settings),
        modes=tuple(s.split("/")[0] for s in settings),
        units=cells.units,
        population=population,
        prior=tilted_prior(rng, 2000, width - 1),
        theta=theta,
        diagnostics=passed(),
        provenance=Provenance(seed, cells.data_hash),
        cells=cells,
    )
    return posterior, cells


def for_verdict(fit: TransferPosterior) -> TransferPosterior:
    """Return the fit as one that live against rep is judged with."""
    noted = replace(fit.provenance, settings={**fit.provenance.settings, "purpose": "verdict"})
    return replace(fit, provenance=noted)


def counts(theta, n, rng):
    return rng.binomial(n, expit(theta))
