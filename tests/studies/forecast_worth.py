"""Is practice said to be worth something where it tells nothing? And do conversions cover?

    python tests/studies/forecast_worth.py --out reports/studies

Twelve programs of seven players, program means apart by a chosen spread; true practice and game
rates of a program's players are unrelated. Each season is scored by leaving players out, and the
practice rates of two players of each of twelve new programs are converted to game rates.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from kept_seasons import page, run_missing, share

from transfer.forecast.leave_out import score_leave_player_out
from transfer.models.fit import fit_transfer
from transfer.reading.conversion import convert_rate
from transfer.simulation.seasons import TransferTruth, operating_truth, simulate_cells

SPREADS = {"programs alike": 0.0, "program sd .15": 0.15, "program sd .25": 0.25}
PLAYERS, PROGRAMS = 84, 12
SETTING = "live/trailing"


def unrelated(program_sd: float) -> TransferTruth:
    """The operating scenario with no correlation between practice and games."""
    truth = operating_truth()
    omega = np.array(truth.omega)
    omega[:-1, -1] = omega[-1, :-1] = 0.0
    return replace(truth, omega=omega, program_sd=program_sd)


def one_season(case: str, index: int) -> dict[str, Any]:
    """Score one season, and convert the practice of players of programs that were not in it."""
    truth = unrelated(SPREADS[case])
    seed = 10_000 * (1 + list(SPREADS).index(case)) + index
    cells, _ = simulate_cells(truth, PLAYERS, seed, PROGRAMS)
    fit = fit_transfer(cells, seed=seed)
    worth = score_leave_player_out(fit).worth
    assert worth is not None
    fresh, who = simulate_cells(truth, 2 * PROGRAMS, seed + 5_000, PROGRAMS)
    rows = fresh.table[fresh.table["setting"] == SETTING].set_index("unit").loc[list(who.units)]
    rng = np.random.default_rng(seed)
    covered = []
    for n, y, rate in zip(rows["n"], rows["y"], who.game_rate, strict=True):
        draws, _ = convert_rate(fit, SETTING, y / n, n, rng)
        low, high = np.quantile(draws, [0.05, 0.95])
        covered.append(bool(low <= rate <= high))
    return {
        "seed": seed,
        "worth": worth["log_score"],
        "se": worth["se"],
        "converted": len(covered),
        "covered": int(sum(covered)),
    }


def summarise(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """One line per spread between programs."""
    out = []
    for case in SPREADS:
        part = [row for row in rows if row["case"] == case]
        good = pd.DataFrame([row for row in part if "failed" not in row])
        if good.empty:
            continue
        within = good["covered"] / good["converted"]
        out.append(
            {
                "programs": case,
                "seasons": len(good),
                "gate failed": len(part) - len(good),
                "worth of practice, points": f"{good['worth'].mean():+.2f}",
                "worth, hardly luck": share(good["worth"] > 2 * good["se"]),
                "harm, hardly luck": share(good["worth"] < -2 * good["se"]),
                "conversions covered (.90)": f"{within.mean():.3f} ({within.sem():.3f})",
            }
        )
    return pd.DataFrame(out)


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--seasons", default=20, show_default=True, help="Per spread between programs.")
@click.option("--seconds", type=float, default=None, help="Stop after this long, keep the rest.")
def main(out: Path, seasons: int, seconds: float | None) -> None:
    """Run what is missing, then write the table."""
    jobs = [(case, index) for index in range(seasons) for case in SPREADS]
    rows = run_missing(out / "forecast-worth.jsonl", jobs, one_season, seconds)
    page(
        out / "forecast-worth.md",
        "Worth of practice where it tells nothing",
        f"{PROGRAMS} programs of {PLAYERS // PROGRAMS} invented players, practice and game rates "
        "unrelated within programs and between them; players left out in turn, worth told against "
        "the same model without practice. Conversions: live practice rates of two players of each "
        "of twelve programs that were not in the fit, 90 % interval of the expected game rate.",
        "python tests/studies/forecast_worth.py --out reports/studies",
        summarise(rows),
    )


if __name__ == "__main__":
    main()
