"""Studies behind the trial's advice, on invented seasons: run them again with one command.

    python tests/studies/growth_trials.py --out reports/studies/growth-tables.md

Each table stands beside the values of an earlier own simulation where there are any; those came
from other code, so agreement says something. All truths have the structure of the fitted model
unless the table says otherwise; real records will do worse.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import click
import numpy as np
import pandas as pd
from growth_trials_precision import live_outcome_table, se_table

from transfer.files import write_text
from transfer.models.growth_data import GrowthData, growth_data_from_season
from transfer.models.growth_joint import (
    LinkPrior,
    NormalGains,
    linked_gains,
    synthesise,
    without_robust_part,
)
from transfer.models.growth_laplace import PLAYER_SD_GRID, gain_mixture
from transfer.models.growth_settings import GrowthPriors, GrowthSettings
from transfer.provenance import package_versions
from transfer.simulation.growth import Confounding, GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Observational, Parallel, Schedule
from transfer.trial.assurance import assurance
from transfer.trial.design import Scenario
from transfer.trial.looks import price_of_looks

__all__ = [
    "bias_table",
    "game_only_table",
    "joint_table",
    "looks_table",
    "main",
]

SETTINGS = GrowthSettings()
PRIOR_SD = float(np.sqrt(2.0) * SETTINGS.priors.gain_sd)
Z90 = 1.6448536

# (teams, design): post sd, coverage, sign right, share P > .9, right when said.
EARLIER_GAME: dict[tuple[int, str], tuple[float, float, float, float, float]] = {
    (1, "mix chosen"): (0.21, 0.92, 0.49, 0.00, np.nan),
    (1, "4-week blocks"): (0.19, 0.90, 0.59, 0.01, 1.00),
    (1, "one swap"): (0.16, 0.92, 0.75, 0.17, 0.98),
    (1, "parallel"): (0.16, 0.89, 0.71, 0.16, 0.91),
    (3, "mix chosen"): (0.21, 0.92, 0.53, 0.00, np.nan),
    (3, "4-week blocks"): (0.17, 0.91, 0.68, 0.10, 0.89),
    (3, "one swap"): (0.11, 0.91, 0.81, 0.42, 0.95),
    (3, "parallel"): (0.11, 0.91, 0.81, 0.40, 0.97),
    (12, "mix chosen"): (0.21, 0.96, 0.62, 0.00, np.nan),
    (12, "4-week blocks"): (0.12, 1.00, 0.88, 0.33, 1.00),
    (12, "one swap"): (0.06, 0.88, 0.79, 0.62, 1.00),
}
DESIGNS: dict[str, Schedule] = {
    "mix chosen": Observational(week_noise=0.5),
    "4-week blocks": Crossover(4),
    "one swap": Crossover(13),
    "parallel": Parallel(0.8),
}


def game_only_table(
    seasons: dict[int, int], seed: int, progress: Callable[[str], None]
) -> pd.DataFrame:
    """Game-only analysis with gains drawn from the prior.

    Parameters
    ----------
    seasons : dict
        Teams to number of invented seasons.
    seed : int
    progress : callable

    Returns
    -------
    DataFrame
    """
    rows = []
    for (teams, name), earlier in EARLIER_GAME.items():
        progress(f"game-only, {teams} team(s), {name}")
        scenario = Scenario(teams=teams, game_rate=0.45)
        result = assurance(DESIGNS[name], scenario, seasons=seasons[teams], seed=seed)
        z = (result.estimate - result.delta) / result.sd
        sure = np.abs(result.estimate) / result.sd > 1.2815516
        right = result.estimate * result.delta > 0
        rows.append(
            {
                "teams": teams,
                "design": name,
                "post sd": result.sd.mean(),
                "earlier sd": earlier[0],
                "sd/prior": result.sd.mean() / PRIOR_SD,
                "cov90": np.mean(np.abs(z) < Z90),
                "earlier cov90": earlier[1],
                "sign right": right.mean(),
                "earlier sign": earlier[2],
                "P>.9 said": sure.mean(),
                "earlier said": earlier[3],
                "right when said": right[sure].mean() if sure.any() else np.nan,
                "earlier right": earlier[4],
                "seasons": len(z),
            }
        )
    return pd.DataFrame(rows)


@dataclass(frozen=True)
class JointCase:
    """A truth about practice and games: draws practice gains (2, 2) and game gains (2,)."""

    name: str
    draw: Callable[[np.random.Generator, LinkPrior], tuple[np.ndarray, np.ndarray]]


def _carries(rng: np.random.Generator, link: LinkPrior) -> tuple[np.ndarray, np.ndarray]:
    gains = rng.normal(link.practice_mean, link.practice_sd, 2)
    carry = rng.normal(link.carry_mean, link.carry_sd)
    return np.stack([gains, gains]), carry * gains + link.scatter * rng.standard_normal(2)


def _unrelated(rng: np.random.Generator, link: LinkPrior) -> tuple[np.ndarray, np.ndarray]:
    priors = GrowthPriors()
    gains = rng.normal(link.practice_mean, link.practice_sd, 2)
    return np.stack([gains, gains]), rng.normal(priors.gain_mean, priors.gain_sd, 2)


def _reversed(rng: np.random.Generator, link: LinkPrior) -> tuple[np.ndarray, np.ndarray]:
    gains = rng.normal(link.practice_mean, link.practice_sd, 2)
    return np.stack([gains, gains]), -0.5 * gains + link.scatter * rng.standard_normal(2)


def _drill_specific(rng: np.random.Generator, link: LinkPrior) -> tuple[np.ndarray, np.ndarray]:
    return np.array([[0.45, 0.05], [0.05, 0.45]]), np.array([0.15, 0.15])


# (truth, analysis): posterior sd / rmse / coverage of the earlier own simulation, 60 seasons.
EARLIER_JOINT: dict[tuple[str, str], str] = {
    ("practice gains carry", "game-only"): ".158/.150/.93",
    ("practice gains carry", "plain link"): ".109/.103/.88",
    ("practice gains carry", "robust mixture"): ".141/.122/.93",
    ("practice gains carry", "robust, not drilled"): ".145/.145/.90",
    ("reversed (lambda = -.5)", "game-only"): ".160/.119/.98",
    ("reversed (lambda = -.5)", "plain link"): ".108/.187/.58",
    ("unrelated", "game-only"): ".158/.144/.93",
    ("unrelated", "plain link"): ".108/.174/.70",
    ("unrelated", "robust mixture"): ".147/.147/.88",
    ("unrelated", "robust, not drilled"): ".147/.149/.90",
    ("drill-specific, games tie", "game-only"): ".156/.103/.97",
    ("drill-specific, games tie", "plain link"): ".117/.158/.77",
}
CASES = (
    JointCase("practice gains carry", _carries),
    JointCase("reversed (lambda = -.5)", _reversed),
    JointCase("unrelated", _unrelated),
    JointCase("drill-specific, games tie", _drill_specific),
)


def joint_table(seasons: int, seed: int, progress: Callable[[str], None]) -> pd.DataFrame:
    """Game-only, plain link, robust mixture and its off-diagonal variant; 1 team, one swap.

    Parameters
    ----------
    seasons : int
        Invented seasons a case.
    seed : int
    progress : callable

    Returns
    -------
    DataFrame
        Mean posterior sd, root mean squared error, coverage of 90 % intervals (normal), share of
        seasons with P(live better) > .9, mean weight of "no carry-over".
    """
    robust = LinkPrior()
    rows = []
    for number, case in enumerate(CASES):
        progress(f"joint, {case.name}")
        data, delta = _joint_seasons(case, robust, seasons, seed + number)
        flat = SETTINGS.flat()
        kappa = robust.concentration
        game = gain_mixture(data, flat)
        rep, live = (gain_mixture(data, flat, outcome=s, deflate=kappa) for s in (0, 1))
        found: dict[str, list[tuple[float, float, float]]] = {}
        for s in range(seasons):
            parts = linked_gains(NormalGains.of(rep, s), NormalGains.of(live, s), robust)
            own, off = parts["live gains"], parts["gains on the setting not drilled"]
            alone = NormalGains.of(game, s)
            only_games = replace(robust, no_carry_over=1.0)
            for name, practice, link in (
                ("game-only", own, only_games),
                ("plain link", own, without_robust_part(robust)),
                ("robust mixture", own, robust),
                ("robust, not drilled", off, robust),
            ):
                found.setdefault(name, []).append(_moments(alone, practice, link))
        for name, values in found.items():
            mean, sd, weight = np.array(values).T
            rows.append(
                {
                    "truth": case.name,
                    "analysis": name,
                    "sd": sd.mean(),
                    "rmse": np.sqrt(np.mean((mean - delta) ** 2)),
                    "cov90": np.mean(np.abs(mean - delta) < Z90 * sd),
                    "P(live)>.9": np.mean(mean / sd > 1.2815516),
                    "no carry-over": weight.mean(),
                    "earlier sd/rmse/cov90": EARLIER_JOINT.get((case.name, name), "-"),
                    "seasons": seasons,
                }
            )
    return pd.DataFrame(rows)


def _joint_seasons(
    case: JointCase, link: LinkPrior, seasons: int, seed: int
) -> tuple[list[GrowthData], np.ndarray]:
    rng = np.random.default_rng(seed)
    data, delta = [], []
    for _ in range(seasons):
        practice, gains = case.draw(rng, link)
        truth = GrowthTruth(
            gain_rep=float(gains[0]),
            gain_live=float(gains[1]),
            gain_practice=tuple(map(tuple, practice.tolist())),  # type: ignore[arg-type]
        )
        season = simulate_growth(truth, Crossover(13), int(rng.integers(2**31)))
        data.append(growth_data_from_season(season))
        delta.append(gains[1] - gains[0])
    return data, np.array(delta)


def _moments(
    game: NormalGains, practice: NormalGains, link: LinkPrior
) -> tuple[float, float, float]:
    weights, means, covariances, _ = synthesise(game, practice, SETTINGS, link)
    c = np.array([-1.0, 1.0])
    each = means @ c
    mean = float(weights @ each)
    variance = np.einsum("i,lij,j->l", c, covariances, c)
    sd = float(np.sqrt(weights @ (variance + each**2) - mean**2))
    return mean, sd, float(weights[-1])


# name: schedule, confounding, form sd, earlier flat-prior bias and coverage of the three models.
CONFOUNDED: dict[str, tuple[Schedule, Confounding, float, str]] = {
    "unrelated": (Observational(), Confounding(), 0.0, "+.04 [.74] / +.02 [.90] / +.01 [.90]"),
    "better players get more live": (
        Observational(),
        Confounding(ability=0.5),
        0.0,
        "+1.35 [0] / +1.31 [.01] / +.09 [.93]",
    ),
    "more live late in season": (
        Observational(),
        Confounding(late=0.5, late_gain=0.2),
        0.0,
        "+.21 [.80] / +.10 [.93] / -.01 to +.01 with free team-weeks",
    ),
    "live follows hot form": (
        Observational(),
        Confounding(form=0.5),
        0.15,
        "+.70 [.34] / +.66 [.47] / +.54 [.70]",
    ),
    "all three": (
        Observational(),
        Confounding(ability=0.5, late=0.5, late_gain=0.2, form=0.5),
        0.15,
        "+1.12 [0] / +1.15 [.01] / +.43 [.78]",
    ),
    "4-week blocks by lot, form drifts": (
        Crossover(4),
        Confounding(form=0.5),
        0.15,
        "-.01 [.85] / -.01 [.89] / .00 [.87]",
    ),
    "one swap by lot, form drifts": (
        Crossover(13),
        Confounding(form=0.5),
        0.15,
        "+.02 [.87] / +.02 [.87] / +.02 [.86]",
    ),
}
MODELS: dict[str, tuple[str, Sequence[float]]] = {
    "pooled, no player effects": ("pooled", (1e-3,)),
    "random intercept only": ("pooled", PLAYER_SD_GRID),
    "within players": ("split", PLAYER_SD_GRID),
}


def bias_table(seasons: int, seed: int, progress: Callable[[str], None]) -> pd.DataFrame:
    """Bias of live minus rep when there is no difference, 3 teams, flat and default prior.

    Parameters
    ----------
    seasons : int
        Invented seasons a case.
    seed : int
    progress : callable

    Returns
    -------
    DataFrame
        The strength of the earlier study's confounding is not known, so only signs, coverage and
        order of size can be compared.
    """
    rows = []
    for number, (name, (schedule, pull, form, earlier)) in enumerate(CONFOUNDED.items()):
        progress(f"bias, {name}")
        truth = GrowthTruth(teams=3, gain_rep=0.1, gain_live=0.1, form_sd=form)
        data = [
            growth_data_from_season(
                simulate_growth(truth, schedule, 1000 * (seed + number) + s, pull)
            )
            for s in range(seasons)
        ]
        for model, (slopes, grid) in MODELS.items():
            settings = replace(SETTINGS, slopes=slopes)  # type: ignore[arg-type]
            mean, sd = gain_mixture(data, settings.flat(), player_sd=grid).contrast()
            below = gain_mixture(data, settings, player_sd=grid).probability_below(0.0)
            rows.append(
                {
                    "mix assigned": name,
                    "model": model,
                    "bias": mean.mean(),
                    "monte carlo se": mean.std(ddof=1) / np.sqrt(seasons),
                    "cov90": np.mean(np.abs(mean) < Z90 * sd),
                    "P(live)>.95, default prior": np.mean(below < 0.05),
                    "earlier (three models)": earlier,
                    "seasons": seasons,
                }
            )
    return pd.DataFrame(rows)


def looks_table(seasons: int, seed: int, progress: Callable[[str], None]) -> pd.DataFrame:
    """Wrong "ahead" with one look and with three, 6 teams, one swap."""
    tables = []
    for looks in ((26,), (18, 22, 26)):
        progress(f"looks {looks}")
        price = price_of_looks(Crossover(13), looks, Scenario(teams=6), seasons=seasons, seed=seed)
        tables.append(price.table.assign(looks=" ".join(map(str, looks))))
    return pd.concat(tables, ignore_index=True)


def _markdown(table: pd.DataFrame) -> str:
    def cell(value: object) -> str:
        if isinstance(value, (float, np.floating)):
            return "-" if np.isnan(value) else f"{value:.3f}"
        return str(value)

    head = "| " + " | ".join(map(str, table.columns)) + " |"
    line = "|" + "---|" * len(table.columns)
    body = ["| " + " | ".join(map(cell, row)) + " |" for row in table.itertuples(index=False)]
    return "\n".join([head, line, *body])


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Markdown to write.")
@click.option("--seed", default=20261125, show_default=True, help="Seed of every table.")
@click.option("--size", default=1.0, show_default=True, help="Multiplies the number of seasons.")
def main(out: Path, seed: int, size: float) -> None:
    """Run the growth studies and write their tables with date, seed and versions."""

    def say(words: str) -> None:
        click.echo(words, err=True)

    def many(number: int) -> int:
        return max(4, round(number * size))

    tables = {
        "Standard error from the schedule alone, one team-season": se_table(),
        "The same with live practice makes as the outcome, half-life 4": live_outcome_table(),
        "Game-only analysis, gains drawn from the prior": game_only_table(
            {1: many(400), 3: many(200), 12: many(36)}, seed, say
        ),
        "If practice gains carry over: one team, one swap": joint_table(many(120), seed, say),
        "Bias when there is no difference: three teams": bias_table(many(200), seed, say),
        "Price of looks: six teams, one swap": looks_table(many(200), seed, say),
    }
    versions = package_versions()
    named = ", ".join(f"{k} {versions[k]}" for k in ("python", "numpy", "scipy", "pandas"))
    parts = [
        "# Growth study tables",
        "",
        f"Date {dt.date.today().isoformat()}; seed {seed}; size {size:g}; {named}.",
        f"Command: `python tests/studies/growth_trials.py --seed {seed} --size {size:g} "
        "--out reports/studies/growth-tables.md`",
        "",
        'Invented seasons; the truth has the structure of the fitted model. "Earlier" columns '
        "are an earlier own simulation with other code. Logits per typical week of practice.",
    ]
    for title, table in tables.items():
        parts += ["", f"## {title}", "", _markdown(table)]
    write_text(out, "\n".join(parts) + "\n")


if __name__ == "__main__":
    main()
