"""Laplace twin against the sampler on thirty data sets: run it again with one command.

python tests/studies/growth_laplace_vs_nuts.py --out reports/studies/growth-laplace-vs-nuts.md
"""

from __future__ import annotations

import datetime as dt
import os
import time
from pathlib import Path

import click
import numpy as np
import pandas as pd

from transfer.files import write_text
from transfer.models.growth import fit_growth
from transfer.models.growth_data import GrowthData, growth_data_from_season
from transfer.models.growth_laplace import gain_mixture
from transfer.models.growth_settings import GrowthPriors
from transfer.models.sampling import available_cores
from transfer.provenance import package_versions
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover

__all__ = ["compare_twin", "main"]


def compare_twin(data_sets: int, seed: int) -> pd.DataFrame:
    """Fit the same invented seasons both ways; gains are drawn from the prior.

    Parameters
    ----------
    data_sets : int
        Team-seasons with one swap.
    seed : int

    Returns
    -------
    DataFrame
        One row per data set: true contrast, posterior mean and sd of live minus rep by both,
        Monte Carlo standard error of the sampled mean, divergences, wall and processor seconds
        of the sampled fit.
    """
    rows = []
    for number in range(data_sets):
        gains = GrowthPriors().draw_gains(1, seed + number)[0]
        data = _season(gains, seed + number)
        twin_mean, twin_sd = gain_mixture([data]).contrast()
        begin, begin_work = time.perf_counter(), time.process_time()
        sampled = fit_growth(data, seed=seed + number)
        seconds, work = time.perf_counter() - begin, time.process_time() - begin_work
        assert sampled.diagnostics is not None
        sd = float(sampled.delta.std(ddof=1))
        rows.append(
            {
                "data set": number + 1,
                "truth": gains[1] - gains[0],
                "sampled mean": float(sampled.delta.mean()),
                "laplace mean": float(twin_mean[0]),
                "sampled sd": sd,
                "laplace sd": float(twin_sd[0]),
                "mean difference": float(twin_mean[0] - sampled.delta.mean()),
                "sd ratio": float(twin_sd[0] / sd),
                "largest monte carlo se": sd / np.sqrt(sampled.diagnostics.ess_bulk_min),
                "divergences": sampled.diagnostics.divergences,
                "second try": sampled.diagnostics.retried,
                "seconds": seconds,
                "processor seconds": work,
            }
        )
    return pd.DataFrame(rows)


def _season(gains: np.ndarray, seed: int) -> GrowthData:
    truth = GrowthTruth(gain_rep=float(gains[0]), gain_live=float(gains[1]))
    return growth_data_from_season(simulate_growth(truth, Crossover(13), seed))


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Markdown to write.")
@click.option("--data-sets", default=30, show_default=True)
@click.option("--seed", default=20261125, show_default=True)
def main(out: Path, data_sets: int, seed: int) -> None:
    """Compare the numpy twin with the sampler and write the table with date and versions."""
    table = compare_twin(data_sets, seed)
    difference, ratio = table["mean difference"], table["sd ratio"]
    z = (table["sampled mean"] - table["truth"]) / table["sampled sd"]
    versions = package_versions()
    named = ", ".join(f"{k} {versions[k]}" for k in ("python", "numpy", "pymc", "nutpie"))
    shown = table.drop(columns=["seconds", "processor seconds"])
    warm = table.iloc[1:]
    body = "\n".join(
        "| " + " | ".join(f"{v:.3f}" if isinstance(v, float) else str(v) for v in row) + " |"
        for row in shown.itertuples(index=False)
    )
    columns = list(shown.columns)
    lines = [
        "# Laplace twin against the sampler",
        "",
        f"Date {dt.date.today().isoformat()}; seed {seed}; {named}.",
        f"Command: `python tests/studies/growth_laplace_vs_nuts.py --data-sets {data_sets} "
        f"--seed {seed} --out reports/studies/growth-laplace-vs-nuts.md`",
        "",
        f"{data_sets} invented team-seasons, one swap, gains drawn from the prior. Live minus rep, "
        "logits per typical week.",
        "",
        f"- Laplace minus sampled mean: average {difference.mean():+.4f}, largest "
        f"{difference.abs().max():.4f}; an earlier own simulation had -.001 and .011.",
        f"- sd ratio, Laplace over sampled: average {ratio.mean():.3f}, {ratio.min():.3f} to "
        f"{ratio.max():.3f}; earlier 1.006, .94 to 1.11.",
        f"- 90 % intervals of the sampler cover {np.mean(np.abs(z) < 1.645):.2f} (normal; earlier "
        f".97); divergences {int(table['divergences'].sum())}; second tries "
        f"{int(table['second try'].sum())}.",
        f"- Seconds for a sampled fit: first {table['seconds'].iloc[0]:.1f} (compiles), then "
        f"median {warm['seconds'].median():.1f} by the clock and "
        f"{warm['processor seconds'].median():.1f} of processor time, on "
        f"{available_cores()} cores shared with other work (load {os.getloadavg()[0]:.0f}).",
        "",
        "| " + " | ".join(columns) + " |",
        "|" + "---|" * len(columns),
        body,
    ]
    write_text(out, "\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
