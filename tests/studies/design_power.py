"""What a season's design can tell about live against rep: the table behind "cannot tell".

    python tests/studies/design_power.py --out transfer/reading/design_power.json

Seasons are invented for players x practice attempts of each mode x game attempts, with a true
contrast R2_live - R2_rep of .30 (half of the seasons the other way round) and with none, and read
with the verdict's prior: LKJ(1) on the correlations of rep, live and game rates, half-normal
spreads. A quick fit stands in for the sampler: a player's logit rate is Normal about the true one
with known variance 1 / (n p (1 - p)), so the season is its 3 x 3 scatter matrix, and differential
evolution Markov chains (ter Braak 2006, from memory) run for all seasons at once.
The quick fit has not been set beside the sampler's season by season; coverage is kept per cell.

One line per cell is kept beside the table; a stopped run goes on where it stopped.
"""

from __future__ import annotations

import datetime as dt
import json
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import click
import numpy as np

PLAYERS = (14, 42, 84)
PRACTICE = (30, 3000)
GAME = (20, 69, 150, 400)
CONTRAST = 0.30
#: rho_rep^2 + .30 = rho_live^2, with the true rep-live correlation of the design's own trial.
RHO = (0.45, float(np.sqrt(0.45**2 + CONTRAST)))
RHO_NONE = (0.60, 0.60)
BETWEEN = 0.60
#: True spreads (logit) and make rates: game spread between the .14 of a public professional shot
#: log and the .25 of the earlier studies; practice as in the earlier studies.
TAU = (0.20, 0.375, 0.375)
RATE = (0.40, 0.50, 0.50)
TAU_SCALE = np.array((0.25, 0.5, 0.5))
ROPE = (-0.05, 0.05)
SEASONS = 100
CHAINS, WARM, KEEP = 24, 1200, 1500


def noise(practice: tuple[float, float], game: float) -> np.ndarray:
    """Sampling variance of one player's logit rates: game, rep, live."""
    n = np.array([game, *practice])
    p = np.array(RATE)
    return np.asarray(1.0 / (n * p * (1 - p)))


def truth(rho: tuple[float, float]) -> np.ndarray:
    """True covariance of game, rep and live rates."""
    omega = np.array([[1.0, *rho], [rho[0], 1.0, BETWEEN], [rho[1], BETWEEN, 1.0]])
    return np.asarray(np.outer(TAU, TAU) * omega)


def scatters(
    sigma: np.ndarray, variance: np.ndarray, players: int, seasons: int, rng: np.random.Generator
) -> np.ndarray:
    """Scatter matrices of invented seasons, shape (S, 3, 3)."""
    factor = np.linalg.cholesky(sigma + np.diag(variance))
    x = rng.standard_normal((seasons, players, 3)) @ factor.T
    x -= x.mean(axis=1, keepdims=True)
    return np.asarray(np.einsum("spi,spj->sij", x, x))


def _covariance(z: np.ndarray) -> tuple[np.ndarray, ...]:
    """Spreads and correlations of parameters z (..., 6), with the log prior of z."""
    tau = np.exp(z[..., :3])
    r = np.tanh(z[..., 3:])
    a, b, c = r[..., 0], r[..., 1], r[..., 2]
    one = np.maximum(1 - r**2, 1e-12)
    between = c * np.sqrt(one[..., 0] * one[..., 1]) + a * b
    prior = (
        (z[..., :3] - 0.5 * (tau / TAU_SCALE) ** 2).sum(-1)
        + 1.5 * np.log(one[..., 0] * one[..., 1])
        + np.log(one[..., 2])
    )
    return tau, a, b, between, prior


def log_posterior(
    z: np.ndarray, scatter: np.ndarray, variance: np.ndarray, players: int
) -> np.ndarray:
    """Log posterior density of (log tau, atanh partial correlations), shape z.shape[:-1]."""
    tau, a, b, c, prior = _covariance(z)
    v11, v22, v33 = (tau[..., k] ** 2 + variance[k] for k in range(3))
    v12, v13 = tau[..., 0] * tau[..., 1] * a, tau[..., 0] * tau[..., 2] * b
    v23 = tau[..., 1] * tau[..., 2] * c
    c11, c22, c33 = v22 * v33 - v23**2, v11 * v33 - v13**2, v11 * v22 - v12**2
    c12, c13, c23 = v13 * v23 - v12 * v33, v12 * v23 - v13 * v22, v12 * v13 - v11 * v23
    det = v11 * c11 + v12 * c12 + v13 * c13
    s = scatter[:, None]
    trace = (
        c11 * s[..., 0, 0] + c22 * s[..., 1, 1] + c33 * s[..., 2, 2]
        + 2 * (c12 * s[..., 0, 1] + c13 * s[..., 0, 2] + c23 * s[..., 1, 2])
    ) / det  # fmt: skip
    return np.asarray(prior - 0.5 * ((players - 1) * np.log(det) + trace))


def contrasts(
    scatter: np.ndarray, variance: np.ndarray, players: int, rng: np.random.Generator
) -> np.ndarray:
    """Posterior draws of R2_live - R2_rep of every season, shape (S, draws)."""
    seasons = len(scatter)
    z = np.concatenate(
        [
            np.log(TAU) + 0.3 * rng.standard_normal((seasons, CHAINS, 3)),
            0.5 + 0.5 * rng.standard_normal((seasons, CHAINS, 3)),
        ],
        axis=-1,
    )
    density = log_posterior(z, scatter, variance, players)
    rows = np.arange(seasons)[:, None]
    kept = []
    for step in range(WARM + KEEP):
        one, two = (rng.integers(0, CHAINS, (seasons, CHAINS)) for _ in range(2))
        scale = 1.0 if step % 10 == 0 else 2.38 / np.sqrt(12)
        jump = scale * (z[rows, one] - z[rows, two]) + 0.02 * rng.standard_normal(z.shape)
        proposal = z + jump
        after = log_posterior(proposal, scatter, variance, players)
        taken = np.log(rng.random(after.shape)) < after - density
        z = np.where(taken[..., None], proposal, z)
        density = np.where(taken, after, density)
        if step >= WARM and step % 3 == 0:
            r = np.tanh(z[..., 3:5])
            kept.append(r[..., 1] ** 2 - r[..., 0] ** 2)
    return np.concatenate(kept, axis=1)


def one_cell(
    players: int, practice: tuple[float, float], game: float, rho: tuple[float, float],
    seed: int, seasons: int = SEASONS,
) -> dict[str, Any]:  # fmt: skip
    """Shares of words among seasons of one design; the true side alternates."""
    rng = np.random.default_rng(seed)
    variance = noise(practice, game)
    half = seasons // 2
    scatter = np.concatenate(
        [scatters(truth(r), variance, players, half, rng) for r in (rho, rho[::-1])]
    )
    draws = contrasts(scatter, variance, players, rng)
    side = np.repeat([1.0, -1.0], half)
    live = (draws > 0).mean(axis=1)
    chance = np.maximum(live, 1 - live)
    equal = ((draws >= ROPE[0]) & (draws <= ROPE[1])).mean(axis=1) >= 0.9
    right = np.sign(live - 0.5) == side
    low, high = np.quantile(draws, [0.05, 0.95], axis=1)
    true = side * (rho[1] ** 2 - rho[0] ** 2)
    odds = chance / np.maximum(1 - chance, 0.5 / draws.shape[1])
    return {
        "leaning": float(((chance >= 0.9) & ~equal & right).mean()),
        "ahead": float(((chance >= 0.975) & ~equal & right).mean()),
        "either_leaning": float(((chance >= 0.9) & ~equal).mean()),
        "either_ahead": float(((chance >= 0.975) & ~equal).mean()),
        "equal": float(equal.mean()),
        "covered": float(((low <= true) & (true <= high)).mean()),
        "mean": float((side * draws.mean(axis=1)).mean()),
        "odds_80": float(np.quantile(odds, 0.8)),
    }


def one_row(job: tuple[int, int, int, int]) -> dict[str, Any]:
    """One line of the table: seasons with the true contrast, and seasons with none."""
    number, players, practice, game = job
    both = (practice, practice)
    found = one_cell(players, both, game, RHO, 2 * number)
    none = one_cell(players, both, game, RHO_NONE, 2 * number + 1)
    return {
        "players": players, "practice": practice, "game": game, "seasons": SEASONS,
        "leaning": found["leaning"], "ahead": found["ahead"], "covered": found["covered"],
        "none_leaning": none["either_leaning"], "none_ahead": none["either_ahead"],
        "none_covered": none["covered"], "none_odds_80": none["odds_80"],
    }  # fmt: skip


def keep(path: Path, rows: list[dict[str, Any]]) -> None:
    """The committed table: what it is, and one row per design."""
    table = {
        "about": "Share of invented seasons that reach 'leaning' or 'ahead' for the right side "
        "with a true contrast R2_live - R2_rep of .30, and for either side with none, by players "
        "and attempts a player. Own simulation by tests/studies/design_power.py: a quick normal "
        "approximation stands in for the sampler, not yet compared with it season by season.",
        "date": dt.date.today().isoformat(),
        "contrast": CONTRAST,
        "true": {"rho": RHO, "rho_none": RHO_NONE, "between": BETWEEN, "tau": TAU, "rate": RATE},
        "half_attempts": {
            "practice": 1 / (TAU[1] ** 2 * RATE[1] * (1 - RATE[1])),
            "game": 1 / (TAU[0] ** 2 * RATE[0] * (1 - RATE[0])),
        },
        "players": PLAYERS,
        "practice": PRACTICE,
        "game": GAME,
        "cells": rows,
    }
    path.write_text(json.dumps(table, indent=1) + "\n", "utf-8")


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--log", type=click.Path(path_type=Path), required=True, help="one line per cell")
def main(out: Path, log: Path) -> None:
    """Fill the table, going on where an earlier run stopped."""
    done = {}
    if log.exists():
        for line in log.read_text("utf-8").splitlines():
            row = json.loads(line)
            done[row["players"], row["practice"], row["game"]] = row
    designs = [(m, p, g) for m in PLAYERS for p in PRACTICE for g in GAME]
    waiting = [(n, *design) for n, design in enumerate(designs) if design not in done]
    with ProcessPoolExecutor(2) as pool:
        for row in pool.map(one_row, waiting):
            done[row["players"], row["practice"], row["game"]] = row
            with log.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")
    keep(out, [done[design] for design in designs])


if __name__ == "__main__":
    main()
