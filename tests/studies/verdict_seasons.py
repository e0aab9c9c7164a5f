"""Invented seasons read by the fit that live against rep is judged with: one season, one line."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from verdict_plan import PROGRAM_SD, SQUAD, Season, correlations, truths

from transfer.errors import DiagnosticsError
from transfer.models.composition import compose
from transfer.models.fit import fit_transfer
from transfer.models.jobs import stream_many
from transfer.simulation.seasons import TransferTruth, simulate_cells
from transfer.verdict import judge

ROPE = (-0.05, 0.05)


def truth_of(season: Season) -> TransferTruth:
    """The season's truth in the terms of the simulator."""
    true = truths(season)
    return TransferTruth(
        settings=tuple(true["names"]),
        mu=tuple(true["mu"]),
        tau=tuple(true["tau"]),
        omega=correlations(season.rho, season.settings),
        attempts=tuple(true["attempts"]),
        program_sd=PROGRAM_SD,
    )


def read_season(season: Season) -> dict[str, Any]:
    """Invent, fit and judge one season, as the package does by default."""
    cells, _ = simulate_cells(
        truth_of(season), season.players, season.seed, programs=season.players // SQUAD
    )
    started = time.perf_counter()
    row: dict[str, Any] = {**asdict(season), "contrast": season.contrast}
    try:
        fit = fit_transfer(cells, purpose="verdict", seed=season.seed, cores=1)
    except DiagnosticsError as error:
        return {**row, "failed": str(error).splitlines()[0]}
    after, before = (
        compose(draws, fit.settings, fit.modes).contrast("r2")
        for draws in (fit.population, fit.prior)
    )
    # The share of the design only decides between the two words that name no side.
    verdict = judge(after, before, ROPE, design_share=1.0)
    return {
        **row,
        "word": verdict.verdict,
        "favours": verdict.favours,
        "probability": verdict.probability,
        "prior_probability": verdict.prior_probability,
        "bayes_factor": verdict.bayes_factor,
        "in_rope": verdict.probability_in_rope,
        "mean": verdict.mean,
        "low": verdict.interval.low,
        "high": verdict.interval.high,
        "retried": fit.diagnostics.retried,
        "seconds": round(time.perf_counter() - started, 2),
    }


def read_log(log: Path) -> list[dict[str, Any]]:
    """Seasons that are kept."""
    lines = log.read_text("utf-8").splitlines() if log.exists() else []
    return [json.loads(line) for line in lines]


def run_missing(
    seasons: Iterable[Season], log: Path, jobs: int, seconds: float | None = None
) -> list[dict[str, Any]]:
    """Read the seasons that the log lacks, keep each at once, return all lines."""
    done = {(row["cell"], row["index"]) for row in read_log(log)}
    started = time.monotonic()

    def waiting() -> Iterator[Season]:
        for season in seasons:
            if seconds is not None and time.monotonic() - started > seconds:
                return
            if (season.cell, season.index) not in done:
                yield season

    task: Callable[[Season], dict[str, Any]] = read_season
    for row in stream_many(task, waiting(), workers=jobs, ordered=False):
        with log.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(row) + "\n")
    return read_log(log)
