"""Two leagues in which position decides what is read over all: it makes a link, or hides one.

    python tests/studies/roles_league.py --out reports/studies

The truth within a position is known; the reading with ``position`` has to cover it, and the page
has to say what the reading over all players hides.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from kept_seasons import page, run_missing, share
from scipy.special import expit

from transfer.models.composition import compose
from transfer.models.fit import fit_transfer
from transfer.provenance import hash_frames
from transfer.reading.roles import read_roles
from transfer.records.cells import Cells
from transfer.simulation.seasons import true_reading

SETTINGS, MODES = ("rep/none", "live/trailing"), ("rep", "live")
POSITIONS = ("guard", "wing", "big")
MU, TAU = np.array([0.3, -0.2, -0.4]), np.array([0.40, 0.35, 0.22])
ATTEMPTS = np.array([3000, 900, 69])
PLAYERS = 84


def correlations(rep: float, live: float) -> np.ndarray:
    """Correlations of rep, live and game rates within a position."""
    return np.array([[1.0, 0.5, rep], [0.5, 1.0, live], [rep, live, 1.0]])


#: Correlations within a position, and the logit by which a big lies above a wing, and he above a
#: guard, in rep, live and games: free throws and shots at the rim differ by .2-.3 so.
LEAGUES = {
    "position makes it": (correlations(0.0, 0.0), np.array([0.35, 0.35, 0.30])),
    "position hides it": (correlations(0.4, 0.7), np.array([0.35, 0.35, -0.30])),
}


def league(case: str, seed: int) -> Cells:
    """Counts of one invented season, positions charted."""
    omega, step = LEAGUES[case]
    rng = np.random.default_rng(seed)
    position = np.arange(PLAYERS) % 3
    theta = MU + (position - 1)[:, None] * step
    theta = theta + TAU * (rng.normal(size=(PLAYERS, 3)) @ np.linalg.cholesky(omega).T)
    made = rng.binomial(ATTEMPTS, expit(theta))
    units = [f"P{p:03d}" for p in range(PLAYERS)]
    table = pd.DataFrame(
        {
            "unit": np.repeat(units, 3),
            "player": np.repeat(units, 3),
            "program": "A",
            "season": "S1",
            "setting": np.tile([*SETTINGS, "game"], PLAYERS),
            "mode": np.tile([*MODES, "game"], PLAYERS),
            "n": np.tile(ATTEMPTS, PLAYERS),
            "y": made.ravel(),
            "minutes": np.nan,
            "position": np.repeat([POSITIONS[p] for p in position], 3),
        }
    )
    return Cells(table, SETTINGS, tuple(units), hash_frames(cells=table))


def one_season(case: str, index: int) -> dict[str, Any]:
    """Fit with position: which truths within one are covered, what is said of the rest."""
    seed = 10_000 * (1 + list(LEAGUES).index(case)) + index
    fit = fit_transfer(league(case, seed), purpose="verdict", seed=seed)
    found = compose(fit.population, fit.settings, fit.modes)
    omega, _ = LEAGUES[case]
    contrast = found.contrast()
    assert contrast is not None
    draws = {
        "contrast": (contrast, true_reading(omega, MODES)["contrast"]),
        "rho rep": (found.rho[:, 0], omega[0, 2]),
        "rho live": (found.rho[:, 1], omega[1, 2]),
    }
    covered = {}
    for name, (values, truth) in draws.items():
        low, high = np.quantile(values, [0.05, 0.95])
        covered[name] = bool(low <= truth <= high)
    roles = read_roles(fit)
    assert roles is not None
    pooled = roles.table.set_index(["quantity", "among"])["mean"]
    return {
        "seed": seed,
        "covered": covered,
        "said": int(np.sign(roles.difference.low + roles.difference.high)) if roles.differs else 0,
        "r2_within": float(pooled["all", "same role"]),
        "r2_over_all": float(pooled["all", "all players"]),
    }


def summarise(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """One line per league."""
    out = []
    for case in LEAGUES:
        part = [row for row in rows if row["case"] == case]
        good = [row for row in part if "failed" not in row]
        if not good:
            continue
        names = good[0]["covered"]
        right = 1 if case == "position makes it" else -1
        out.append(
            {
                "league": case,
                "seasons": len(good),
                "gate failed": len(part) - len(good),
                **{
                    f"{name} covered (.90)": share(row["covered"][name] for row in good)
                    for name in names
                },
                "R2 within": f"{np.mean([row['r2_within'] for row in good]):.2f}",
                "R2 over all": f"{np.mean([row['r2_over_all'] for row in good]):.2f}",
                "page says so": share(row["said"] == right for row in good),
                "page says the opposite": share(row["said"] == -right for row in good),
            }
        )
    return pd.DataFrame(out)


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--seasons", default=100, show_default=True, help="Per league.")
@click.option("--seconds", type=float, default=None, help="Stop after this long, keep the rest.")
def main(out: Path, seasons: int, seconds: float | None) -> None:
    """Run what is missing, then write the table."""
    jobs = [(case, index) for index in range(seasons) for case in LEAGUES]
    rows = run_missing(out / "roles-league.jsonl", jobs, one_season, seconds)
    page(
        out / "roles-league.md",
        "Position that makes or hides the link",
        f"{PLAYERS} invented players, a third guards, wings and bigs, {ATTEMPTS[0]} rep, "
        f"{ATTEMPTS[1]} live and {ATTEMPTS[2]} game attempts each, judged by the two-mode fit with "
        "position. Within a position practice says nothing of games in the first league; in the "
        "second rep has correlation .4 and live .7, and bigs make more in practice and less in "
        "games. The page says so where the interval of R2 over all less R2 within leaves out zero.",
        "python tests/studies/roles_league.py --out reports/studies",
        summarise(rows),
    )


if __name__ == "__main__":
    main()
