"""Simulation-based calibration of the transfer model and the growth model.

    PYTHONPATH=tests python tests/studies/calibration.py --out reports/studies

with ``--jobs N`` or ``--cluster tcp://HOST:8786`` to run several data sets at a time.

Truths are drawn from the prior, records are simulated, the model is fitted, and the truth is
ranked among the posterior draws (Talts et al. 2018, from memory). One line per data set is kept in
``calibration.jsonl``, so a stopped run goes on where it stopped; ``calibration.md`` holds the
verdict per quantity against the 99 % simultaneous band. A data set has its own seed, so its line is
the same with any number of jobs.
"""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from invented_fits import cells_of_design
from scipy.special import expit
from uniformity import rank_statistic, ranks_inside

from transfer.errors import DiagnosticsError
from transfer.files import write_text
from transfer.models.composition import compose
from transfer.models.fit import Purpose, fit_design
from transfer.models.growth import fit_growth
from transfer.models.growth_data import GrowthData, dose_of, growth_data_from_season
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_posterior import GrowthPosterior
from transfer.models.growth_settings import GrowthSettings
from transfer.models.jobs import stream_many
from transfer.models.population_prior import draw_population
from transfer.models.posterior import PopulationDraws
from transfer.models.priors import TransferPriors
from transfer.models.transfer_design import TransferDesign
from transfer.models.transfer_model import MODEL_VERSION
from transfer.provenance import package_versions
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Observational

LEVELS = 99
#: Data sets a case that the study is planned for.
PLANNED = 300
SETTINGS = ("rep/none", "rep/light", "live/trailing", "live/front_and_trailing")
#: Practice attempts by setting and game attempts of a player-season (demo scenario).
ATTEMPTS = np.array([1500, 1500, 450, 450, 69])
ATTEMPTS_BY_MODE = np.array([3000, 900, 69])
Ranks = dict[str, float]


@dataclass(frozen=True)
class Plan:
    """Who is simulated for the transfer model, and which of its fits is made."""

    players: int
    programs: int = 1
    seasons: int = 1
    purpose: Purpose = "forecast"


def _groups(rng: np.random.Generator, number: int, scales: np.ndarray) -> np.ndarray:
    """Effects of programs or of seasons on every rate, spread drawn from its prior first."""
    if number == 1:
        return np.zeros((1, len(scales)))
    return rng.normal(size=(number, len(scales))) * np.abs(rng.normal(0.0, scales))


def transfer_design(
    plan: Plan, priors: TransferPriors, settings: tuple[str, ...], seed: int
) -> tuple[TransferDesign, PopulationDraws, np.ndarray, float]:
    """Simulate one data set from the prior: design, population, rates and persistence."""
    rng = np.random.default_rng(seed)
    truth = draw_population(len(settings), priors, 1, seed)
    mu, tau, omega = truth.mu[0], truth.tau[0], truth.omega[0]
    size = len(mu)
    game = np.arange(size) == size - 1
    units = plan.players * plan.seasons
    player = np.tile(np.arange(plan.players), plan.seasons)
    program = player * plan.programs // plan.players
    season = np.repeat(np.arange(plan.seasons), plan.players) * plan.programs + program
    theta = np.broadcast_to(mu, (units, size)).copy()
    theta += _groups(rng, plan.programs, np.where(game, priors.program_game_sd, priors.program_sd))[
        program
    ]
    phi = 0.0
    score = rng.normal(size=(units, size))
    several = plan.seasons > 1
    if several:
        scales = np.where(game, priors.season_game_sd, priors.season_sd)
        theta += _groups(rng, plan.seasons * plan.programs, scales)[season]
        phi = rng.beta(*priors.persistence)
        lasting = rng.normal(size=(plan.players, size))[player]
        score = np.sqrt(phi) * lasting + np.sqrt(1 - phi) * score
    theta += tau * (score @ np.linalg.cholesky(omega).T)
    n = np.broadcast_to(ATTEMPTS if size == len(ATTEMPTS) else ATTEMPTS_BY_MODE, theta.shape)
    design = TransferDesign(
        settings=settings,
        units=tuple(f"P{i:03d}" for i in range(units)),
        programs=tuple(f"T{g:02d}" for g in range(plan.programs)),
        n=n.ravel().astype(np.int64),
        y=rng.binomial(n, expit(theta)).ravel(),
        unit=np.repeat(np.arange(units), size),
        setting=np.tile(np.arange(size), units),
        program=program.astype(np.int64),
        season=season if several else None,
        seasons=tuple(f"S{h}" for h in range(plan.seasons * plan.programs)) if several else (),
        player=player if several else None,
    )
    return design, truth, theta, phi


def transfer_case(plan: Plan, seed: int) -> Ranks:
    """One data set of the transfer model: ranks of population values and one player's game rate."""
    priors = TransferPriors()
    settings = SETTINGS
    if plan.purpose == "verdict":
        priors, settings = priors.for_verdict(), ("rep", "live")
    modes = tuple(setting.split("/")[0] for setting in settings)
    design, truth, theta, phi = transfer_design(plan, priors, settings, seed)
    cells = cells_of_design(design, f"calibration {seed}")
    fit = fit_design(design, cells, priors, purpose=plan.purpose, seed=seed)
    drawn = compose(fit.population, settings, modes)
    true = compose(truth, settings, modes)
    ranks = {}
    for k, name in enumerate([*settings, "game"]):
        ranks[f"mu {name}"] = rank_statistic(truth.mu[0, k], fit.population.mu[:, k], LEVELS)
        ranks[f"tau {name}"] = rank_statistic(truth.tau[0, k], fit.population.tau[:, k], LEVELS)
    for k, name in enumerate(settings):
        rho = truth.omega[0, -1, k]
        ranks[f"rho {name}"] = rank_statistic(rho, fit.population.omega[:, -1, k], LEVELS)
    ranks["R2 of all practice"] = rank_statistic(true.r2_all[0], drawn.r2_all, LEVELS)
    contrast, posterior = true.contrast("r2"), drawn.contrast("r2")
    assert contrast is not None
    assert posterior is not None
    ranks["R2 live minus rep"] = rank_statistic(contrast[0], posterior, LEVELS)
    ranks["first player's game rate"] = rank_statistic(theta[0, -1], fit.theta[:, 0, -1], LEVELS)
    if "persistence" in fit.terms:
        ranks["persistence"] = rank_statistic(phi, fit.terms["persistence"], LEVELS)
    return ranks


def growth_case(
    schedule: Any, seed: int, fit: Callable[..., GrowthPosterior] = fit_growth
) -> Ranks:
    """One data set of the growth model on a schedule: ranks of the gains and their difference."""
    rng = np.random.default_rng(seed)
    settings = GrowthSettings()
    priors = settings.priors
    season = simulate_growth(GrowthTruth(), schedule, seed)
    data: GrowthData = growth_data_from_season(season)
    dose = dose_of(data, settings.half_life, settings.shape, settings.typical)
    g = rng.normal(priors.gain_mean, priors.gain_sd, 2)
    between = rng.normal(priors.between_mean, priors.between_sd, 2)
    sd_u = abs(rng.normal(0.0, priors.player_sd))
    teams, weeks = data.team_count, data.weeks
    week = rng.normal(0.0, priors.week_sd, (teams, weeks))
    week -= week.mean(axis=1, keepdims=True)
    level = (
        rng.normal(0.0, priors.intercept_sd)
        + rng.normal(0.0, priors.team_sd, teams)[data.team]
        + rng.normal(0.0, sd_u, data.players)
        + np.einsum("k,kp->p", between, dose.between)
    )
    eta = level[:, None] + week[data.team] + np.einsum("k,kpt->pt", g, dose.within)
    drawn = fit(replace(data, y=rng.binomial(data.n, expit(eta))), settings, seed=seed)
    gains = drawn.gains
    return {
        "gain of rep": rank_statistic(g[0], gains[:, 0], LEVELS),
        "gain of live": rank_statistic(g[1], gains[:, 1], LEVELS),
        "live minus rep": rank_statistic(g[1] - g[0], gains[:, 1] - gains[:, 0], LEVELS),
    }


CASES: dict[str, Callable[[int], Ranks]] = {
    "transfer, one team of 14": lambda seed: transfer_case(Plan(14), seed),
    "transfer, 12 programs, 168 players": lambda seed: transfer_case(Plan(168, 12), seed),
    "growth, one swap by lot": lambda seed: growth_case(Crossover(13, 0.80), seed),
    "growth, mix chosen": lambda seed: growth_case(Observational(week_noise=0.5), seed),
    "growth by Laplace, one swap by lot": lambda seed: growth_case(
        Crossover(13, 0.80), seed, fit_growth_laplace
    ),
    "growth by Laplace, mix chosen": lambda seed: growth_case(
        Observational(week_noise=0.5), seed, fit_growth_laplace
    ),
    "transfer, 3 programs, 3 seasons of 42 players": lambda seed: transfer_case(
        Plan(42, 3, 3), seed
    ),
    "transfer by mode, one team of 14": lambda seed: transfer_case(
        Plan(14, purpose="verdict"), seed
    ),
    "transfer by mode, 3 programs, 3 seasons of 42 players": lambda seed: transfer_case(
        Plan(42, 3, 3, "verdict"), seed
    ),
}


def one(job: tuple[str, int]) -> dict[str, Any]:
    """Run one data set; a failed gate is counted, not dropped."""
    case, index = job
    seed = 100_000 * (1 + list(CASES).index(case)) + index
    row: dict[str, Any] = {"case": case, "index": index, "seed": seed}
    if case.startswith("transfer"):
        row["model_version"] = MODEL_VERSION
    try:
        return row | {"ranks": CASES[case](seed)}
    except DiagnosticsError as error:
        return row | {"failed": str(error).splitlines()[0]}


def read_log(log: Path) -> list[dict[str, Any]]:
    """Return the kept data sets in the order of cases and indices; each counts once.

    Lines of an earlier transfer model are passed over: they say nothing of this one.
    """
    lines = log.read_text("utf-8").splitlines() if log.exists() else []
    rows = [
        row
        for row in map(json.loads, lines)
        if row.get("model_version", 1) == MODEL_VERSION or not row["case"].startswith("transfer")
    ]
    kept = {(row["case"], row["index"]): row for row in rows}
    order = list(CASES)
    return [kept[key] for key in sorted(kept, key=lambda key: (order.index(key[0]), key[1]))]


def summarise(rows: list[dict[str, Any]]) -> pd.DataFrame:
    """One line per case and quantity."""
    out = []
    for case in CASES:
        part = [r for r in rows if r["case"] == case]
        good = [r["ranks"] for r in part if "ranks" in r]
        if len(good) < 2:
            continue
        frame = pd.DataFrame(good)
        for name in frame.columns:
            inside, points = ranks_inside(frame[name].to_numpy(), 20, 0.99)
            out.append(
                {"case": case, "quantity": name, "data sets": len(good),
                 "gate failed": len(part) - len(good), "mean rank": frame[name].mean(),
                 "points outside": points, "inside 99 % band": inside}
            )  # fmt: skip
    return pd.DataFrame(out)


def picture(rows: list[dict[str, Any]], path: Path) -> None:
    """ECDF minus uniform with the 99 % band, one panel per case."""
    import matplotlib.pyplot as plt
    from uniformity import ecdf_band

    shown = [c for c in CASES if sum("ranks" in r for r in rows if r["case"] == c) > 1]
    figure, axes = plt.subplots(1, len(shown), figsize=(4 * len(shown), 3.4), squeeze=False)
    for axis, case in zip(axes[0], shown, strict=True):
        frame = pd.DataFrame([r["ranks"] for r in rows if r["case"] == case and "ranks" in r])
        band = ecdf_band(len(frame), 20, 0.99)
        axis.fill_between(
            band.points,
            band.low / band.size - band.points,
            band.high / band.size - band.points,
            color="0.85",
            step="mid",
        )
        for name in frame:
            curve = (frame[name].to_numpy()[None, :] <= band.points[:, None]).mean(axis=1)
            axis.plot(band.points, curve - band.points, color="0.25", linewidth=0.8)
        axis.set_title(f"{case}\n{len(frame)} data sets", fontsize=9)
        axis.set_xlabel("rank of the truth")
        axis.axhline(0, color="0.5", linewidth=0.5)
    axes[0][0].set_ylabel("ECDF minus uniform")
    figure.tight_layout()
    figure.savefig(path, format="svg", metadata={"Date": None})


def sizes(rows: list[dict[str, Any]]) -> str:
    """How many data sets each case has of those planned, in words."""
    lines = []
    for case in CASES:
        have = sum(r["case"] == case for r in rows)
        note = "" if have else ", not run yet: nothing is known about this case"
        lines.append(f"- {case}: {have} of {PLANNED} planned{note}")
    for row in rows:
        if "failed" in row:
            lines.append(f"- gate failed, {row['case']}, seed {row['seed']}: {row['failed']}")
    return "\n".join(lines)


def markdown(rows: list[dict[str, Any]], when: str) -> str:
    """The committed page."""
    table = summarise(rows)
    head = "| " + " | ".join(table.columns) + " |\n|" + "---|" * len(table.columns) + "\n"
    lines = [
        "| " + " | ".join(f"{v:.3f}" if isinstance(v, float) else str(v) for v in row) + " |"
        for row in table.itertuples(index=False)
    ]
    versions = ", ".join(f"{k} {v}" for k, v in package_versions().items())
    return (
        "# Simulation-based calibration\n\n"
        "Truths from the prior, records simulated, model fitted, truth ranked among 99 thinned "
        "draws. Inside the band means: the whole rank curve stays within the 99 % simultaneous "
        "band of Sailynoja, Buerkner and Vehtari (2022) at 20 steps, each quantity on its own: "
        f"of {len(table)} quantities {0.01 * len(table):.1f} are expected outside by luck. Few "
        "data sets make a wide band that only gross errors leave. Data sets whose fit failed the "
        "diagnostics gate twice are counted and left out.\n\n"
        f"Last written on {when}; `make calibration` runs what is missing; seeds 100000 and up, "
        f"one per data set (100000 times the place of the case, plus its number). {versions}.\n\n"
        f"{sizes(rows)}\n\n{head}" + "\n".join(lines) + "\n\n![Rank curves](calibration.svg)\n"
    )


def missing(
    rows: list[dict[str, Any]], only: str | None, size: int, seconds: float | None
) -> Iterator[tuple[str, int]]:
    """Data sets that are not kept yet, until time is up: those under way are finished."""
    done = {(r["case"], r["index"]) for r in rows}
    started = time.monotonic()
    for case in CASES:
        for index in range(size if not only or only in case else 0):
            if seconds is not None and time.monotonic() - started > seconds:
                return
            if (case, index) not in done:
                yield case, index


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--case", "only", default=None, help="Part of a case's name.")
@click.option("--size", type=int, default=PLANNED, show_default=True, help="Data sets a case.")
@click.option("--seconds", type=float, default=None, help="Stop after this long, keep the rest.")
@click.option("--jobs", type=int, default=None, help="Data sets at a time.  [default: 1]")
@click.option("--cluster", metavar="ADDRESS", default=None, help="A Dask scheduler instead.")
def main(
    out: Path,
    only: str | None,
    size: int,
    seconds: float | None,
    jobs: int | None,
    cluster: str | None,
) -> None:
    """Run what is missing, then write table and picture."""
    out.mkdir(parents=True, exist_ok=True)
    log = out / "calibration.jsonl"
    if jobs is None and cluster is None:
        jobs = 1
    todo = missing(read_log(log), only, size, seconds)
    for row in stream_many(one, todo, workers=jobs, cluster=cluster, ordered=False):
        # Kept at once, in the order in which they end: a stopped run loses only what is under way.
        with log.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(row) + "\n")
    rows = read_log(log)  # another process may have written other cases meanwhile
    when = dt.datetime.now(dt.UTC).date().isoformat()
    write_text(out / "calibration.md", markdown(rows, when))
    picture(rows, out / "calibration.svg")


if __name__ == "__main__":
    main()
