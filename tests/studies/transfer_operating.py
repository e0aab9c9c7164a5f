"""Operating table and recovery of the transfer model on invented seasons.

    python tests/studies/transfer_operating.py --out reports/studies

One line per simulated season is kept in ``transfer-seasons.jsonl``; a stopped run goes on where it
stopped. The summary is ``transfer-operating.md``: contraction, verdicts and coverage by number of
players, beside the values of an earlier own simulation that used other code.
"""

from __future__ import annotations

import datetime as dt
import json
import time
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd

from transfer.errors import DiagnosticsError
from transfer.files import write_text
from transfer.models.composition import compose
from transfer.models.fit import fit_transfer
from transfer.provenance import package_versions
from transfer.reading.reading import read_transfer
from transfer.simulation.seasons import operating_truth, simulate_cells, true_reading

#: name -> (players, programs, true contrast, seasons to simulate)
SCENARIOS: dict[str, tuple[int, int, float, int]] = {
    "14 players, contrast .00": (14, 1, 0.00, 40),
    "42 players, contrast .30": (42, 3, 0.30, 24),
    "84 players, contrast .30": (84, 6, 0.30, 24),
    "168 players, contrast .30": (168, 12, 0.30, 40),
    "168 players, contrast .00": (168, 12, 0.00, 40),
}
#: Earlier own simulation (20-40 seasons a row): contraction, ahead, cannot tell, mean estimate.
EARLIER = {
    "14 players, contrast .00": (0.96, 0.00, 0.85, -0.01),
    "42 players, contrast .30": (0.72, 0.00, 0.25, 0.16),
    "84 players, contrast .30": (0.53, 0.29, 0.00, 0.21),
    "168 players, contrast .30": (0.37, 0.90, 0.00, 0.26),
    "168 players, contrast .00": (0.38, 0.00, 0.00, 0.03),
}
ROPE = (-0.05, 0.05)


def one_season(scenario: str, index: int) -> dict[str, Any]:
    """Simulate, fit and judge one season."""
    players, programs, contrast, _ = SCENARIOS[scenario]
    truth = operating_truth(contrast)
    seed = 1000 * list(SCENARIOS).index(scenario) + index
    cells, _ = simulate_cells(truth, players, seed, programs=programs)
    started = time.perf_counter()
    row: dict[str, Any] = {"scenario": scenario, "index": index, "seed": seed}
    try:
        posterior = fit_transfer(cells, seed=seed)
        judged = fit_transfer(cells, purpose="verdict", seed=seed)
    except DiagnosticsError as error:
        return {**row, "failed": str(error).splitlines()[0]}
    reading = read_transfer(judged, posterior, rope=ROPE)
    verdict = reading.verdict
    assert verdict is not None
    rho = posterior.population.omega[:, -1, :-1]
    low, high = np.quantile(rho, [0.05, 0.95], axis=0)
    target = true_reading(truth.omega, truth.modes)
    composed = compose(posterior.population, posterior.settings, posterior.modes)
    return {
        **row,
        "units": len(posterior.units),
        "seconds": round(time.perf_counter() - started, 1),
        "retried": posterior.diagnostics.retried,
        "ess_bulk_min": round(posterior.diagnostics.ess_bulk_min),
        "contraction": verdict.contraction,
        "verdict": verdict.verdict,
        "favours": verdict.favours,
        "mean": verdict.mean,
        "contrast_covered": bool(
            verdict.interval.low <= target["r2_live"] - target["r2_rep"] <= verdict.interval.high
        ),
        "rho_covered": [
            bool(a <= t <= b) for a, t, b in zip(low, truth.omega[-1, :-1], high, strict=True)
        ],
        "r2_all_mean": float(composed.r2_all.mean()),
    }


def summarise(rows: pd.DataFrame) -> pd.DataFrame:
    """One line per scenario with Monte Carlo sizes."""
    out = []
    for scenario in SCENARIOS:
        part = rows[rows["scenario"] == scenario]
        done = part[part["verdict"].notna()] if "verdict" in part else part.iloc[:0]
        if done.empty:
            continue
        covered = np.array(done["rho_covered"].tolist())
        ahead = done["verdict"] == "ahead"
        wrong = ahead & (done["favours"] != "live") if ".30" in scenario else ahead
        earlier = EARLIER[scenario]
        out.append(
            {
                "scenario": scenario,
                "seasons": len(done),
                "gate failed": len(part) - len(done),
                "contraction": done["contraction"].mean(),
                "earlier": earlier[0],
                "ahead": ahead.mean(),
                "earlier ahead": earlier[1],
                "wrong ahead": wrong.mean(),
                "cannot tell": (done["verdict"] == "cannot_tell").mean(),
                "earlier cannot tell": earlier[2],
                "mean estimate": done["mean"].mean(),
                "earlier mean": earlier[3],
                "coverage contrast": done["contrast_covered"].mean(),
                "coverage rho": covered.mean(),
                "median seconds": done["seconds"].median(),
            }
        )
    return pd.DataFrame(out)


def markdown(summary: pd.DataFrame, when: str) -> str:
    """The committed page."""
    head = "| " + " | ".join(summary.columns) + " |\n|" + "---|" * len(summary.columns) + "\n"
    lines = []
    for row in summary.itertuples(index=False):
        lines.append(
            "| " + " | ".join(f"{v:.2f}" if isinstance(v, float) else str(v) for v in row) + " |"
        )
    versions = ", ".join(f"{k} {v}" for k, v in package_versions().items())
    return (
        "# What the reading can tell, by number of players\n\n"
        "Invented seasons from the model itself: 4 practice settings (2 rep, 2 live), 69 game "
        "attempts a player, contrast R2_live - R2_rep, 90 % equal-tailed intervals, region of "
        "practical equivalence +-.05. Columns named `earlier` are an earlier own simulation with "
        "other code (20-40 seasons a row, so shares are good to about 10 points).\n\n"
        f"Run on {when} with `python tests/studies/transfer_operating.py --out reports/studies` "
        f"(2 cores). {versions}.\n\n{head}" + "\n".join(lines) + "\n"
    )


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--scenario", "only", default=None, help="Part of a scenario's name.")
@click.option("--limit", type=int, default=None, help="At most this many seasons a scenario.")
def main(out: Path, only: str | None, limit: int | None) -> None:
    """Run what is missing, then write the summary."""
    out.mkdir(parents=True, exist_ok=True)
    log = out / "transfer-seasons.jsonl"
    lines = log.read_text("utf-8").splitlines() if log.exists() else []
    rows = [json.loads(line) for line in lines]
    done = {(r["scenario"], r["index"]) for r in rows}
    for scenario, (*_, seasons) in SCENARIOS.items():
        if only and only not in scenario:
            continue
        for index in range(min(seasons, limit or seasons)):
            if (scenario, index) in done:
                continue
            rows.append(one_season(scenario, index))
            with log.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(rows[-1]) + "\n")
            click.echo(json.dumps(rows[-1]), err=True)
    when = dt.datetime.now(dt.UTC).date().isoformat()
    write_text(out / "transfer-operating.md", markdown(summarise(pd.DataFrame(rows)), when))


if __name__ == "__main__":
    main()
