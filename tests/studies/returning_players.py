"""Seasons of the same players: is the reading honest, and do earlier seasons help forecasts?

    PYTHONPATH=tests python tests/studies/returning_players.py --out reports/studies

42 players over four seasons and 56 over three, what stays from season to season 0, .8 or all. The
reading has no true difference between live and rep. At .8 the last season is forecast from its
practice, half of its games and all earlier seasons, and beside it as the first version did: every
season a player of his own.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from kept_seasons import page, run_missing, share
from scipy.special import expit
from simulated_returners import simulate_returners

from transfer.models.fit import fit_transfer
from transfer.reading.reading import read_transfer
from transfer.records.cells import GAME, Cells
from transfer.simulation.seasons import operating_truth

SIZES = {"42 players, 4 seasons": (42, 4), "56 players, 3 seasons": (56, 3)}
PERSISTENCE = (0.0, 0.8, 1.0)
CASES = {f"{size}, {kept:g} stays": (size, kept) for size in SIZES for kept in PERSISTENCE}
PROGRAMS = 3
#: Program-seasons of twos away from the rim differ by .08 logit (public college tables 2019-2022).
SEASON_SD = 0.08


def half_of_last(cells: Cells, last: str, rng: np.random.Generator) -> Cells:
    """The same counts with half of the last season's game attempts still to come."""
    table = cells.table
    cut = ((table["season"] == last) & (table["setting"] == GAME)).to_numpy()
    n, y = table["n"].to_numpy(), table["y"].to_numpy()
    seen = rng.hypergeometric(y, n - y, n // 2)
    return replace(cells, table=table.assign(n=np.where(cut, n // 2, n), y=np.where(cut, seen, y)))


def as_strangers(cells: Cells) -> Cells:
    """Every player-season a player of his own, all in one season."""
    table = cells.table
    return replace(cells, table=table.assign(player=table["unit"], season="S1"))


def forecast_errors(cells: Cells, truth: np.ndarray, seasons: int, seed: int) -> dict[str, float]:
    """Mean squared error of the last season's game rates, players known and as strangers."""
    early = half_of_last(cells, f"S{seasons}", np.random.default_rng([seed, 9]))
    place = [i for i, unit in enumerate(cells.units) if f"/S{seasons}/" in unit]
    errors = {}
    for name, counted in (("known", early), ("strangers", as_strangers(early))):
        fit = fit_transfer(counted, seed=seed)
        order = [fit.units.index(cells.units[i]) for i in place]
        rate = expit(fit.theta[:, order, -1]).mean(axis=0)
        errors[name] = float(np.mean((rate - truth[place]) ** 2))
    return errors


def one_season(case: str, index: int) -> dict[str, Any]:
    """Read all seasons of one league; at .8 also forecast the last."""
    size, kept = CASES[case]
    players, seasons = SIZES[size]
    seed = 10_000 * (1 + list(CASES).index(case)) + index
    cells, who = simulate_returners(
        operating_truth(), players, seasons, kept, seed, programs=PROGRAMS, season_sd=SEASON_SD
    )
    reading = read_transfer(fit_transfer(cells, purpose="verdict", seed=seed))
    draws = reading.contrast_draws
    assert draws is not None
    assert reading.verdict is not None
    low, high = np.quantile(draws, [0.05, 0.95])
    row = {
        "seed": seed,
        "covered": bool(low <= 0.0 <= high),
        "verdict": reading.verdict.verdict,
    }
    if kept == 0.8:
        row |= forecast_errors(cells, who.game_rate, seasons, seed)
    return row


def summarise(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """One line per case."""
    out = []
    for case in CASES:
        part = [row for row in rows if row["case"] == case]
        good = pd.DataFrame([row for row in part if "failed" not in row])
        if good.empty:
            continue
        line = {
            "case": case,
            "leagues": len(good),
            "gate failed": len(part) - len(good),
            "contrast covered (.90)": share(good["covered"]),
            "wrong ahead": share(good["verdict"] == "ahead"),
            "leaning": share(good["verdict"] == "leaning"),
            "squared error, player known": "",
            "as the first version": "",
            "ratio": "",
        }
        if "known" in good:
            known, strangers = good["known"], good["strangers"]
            ratio = known.mean() / strangers.mean()
            spread = (known - ratio * strangers).std() / strangers.mean() / np.sqrt(len(good))
            line |= {
                "squared error, player known": f"{known.mean():.5f}",
                "as the first version": f"{strangers.mean():.5f}",
                "ratio": f"{ratio:.2f} ({spread:.2f})",
            }
        out.append(line)
    return pd.DataFrame(out)


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--leagues", default=40, show_default=True, help="Per case.")
@click.option("--seconds", type=float, default=None, help="Stop after this long, keep the rest.")
def main(out: Path, leagues: int, seconds: float | None) -> None:
    """Run what is missing, then write the table."""
    jobs = [(case, index) for index in range(leagues) for case in CASES]
    rows = run_missing(out / "returning-players.jsonl", jobs, one_season, seconds)
    page(
        out / "returning-players.md",
        "Players over seasons",
        f"{PROGRAMS} invented programs, the same players in every season, no true difference "
        "between live and rep; program-seasons differ by .08 logit. Reading by the two-mode fit. "
        "Forecasts of the last season's game rates from its practice, half of its games and the "
        "earlier seasons; the first version took every player-season for a player of his own and "
        "all of a program for one season.",
        "PYTHONPATH=tests python tests/studies/returning_players.py --out reports/studies",
        summarise(rows),
    )


if __name__ == "__main__":
    main()
