"""Own simulation: does following the mix advice beat simple rules? Regret over many programs.

Each simulated program has a season of records with a known truth, gets advice from those records
alone, and is judged by the true eight-week gain of the advised week against the best week. Three
simple rules stand beside it: keep the current mix, an equal split, all live.

``python tests/studies/mix_regret.py OUT.md [PROGRAMS] [SEED]`` writes the table.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pandas as pd

from transfer.errors import IdentificationError
from transfer.files import write_text
from transfer.mix.choose import advise_mix
from transfer.mix.limits import MixLimits
from transfer.models.growth_data import growth_data_from_season
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import GrowthPriors
from transfer.provenance import Provenance
from transfer.rates.exposure import response, retention
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Observational, Schedule

__all__ = ["DEMO", "TRUTHS", "regret_of", "regret_study", "summarise", "true_gain"]

#: Weekly minutes of the simulated program, rep and live, out of a budget of 70 (scenario).
CURRENT = {"rep": 50.0, "live": 20.0}
BUDGET = 70.0
WEEKS = 8.0
DRAWS = 1000
#: Growth effects (rep, live) of the demo data's truth file.
DEMO = (0.05, 0.33)


def _from_prior(rng: np.random.Generator) -> tuple[float, float]:
    prior = GrowthPriors()
    rep, live = rng.normal(prior.gain_mean, prior.gain_sd, 2)
    return float(rep), float(live)


#: How each program's true effects come about.
TRUTHS: Mapping[str, Callable[[np.random.Generator], tuple[float, float]]] = {
    "demo truth (live better)": lambda rng: DEMO,
    "demo truth reversed (rep better)": lambda rng: DEMO[::-1],
    "demo truth or its reverse, by lot": lambda rng: DEMO if rng.random() < 0.5 else DEMO[::-1],
    "each program its own, from the prior": _from_prior,
}

DESIGNS: Mapping[str, tuple[int, Schedule]] = {
    "1 team, mix chosen": (1, Observational(mean=2 / 7, week_noise=0.5)),
    "1 team, one swap 80/20": (1, Crossover(13, 0.8)),
    "3 teams, one swap 80/20": (3, Crossover(13, 0.8)),
    "12 teams, one swap 80/20": (12, Crossover(13, 0.8)),
}

#: Simple rules, as (rep, live) minutes.
RULES = {"keep current": (50.0, 20.0), "equal split": (35.0, 35.0), "all live": (0.0, 70.0)}


def true_gain(effects: tuple[float, float], minutes: np.ndarray) -> np.ndarray:
    """True eight-week gain over the current week, logit.

    Parameters
    ----------
    effects : (float, float)
        True growth effects, rep and live.
    minutes : array, shape (C, 2)
        Weekly rep and live minutes.

    Returns
    -------
    array, shape (C,)
    """
    kept = retention(4.0) ** WEEKS
    now = np.array(list(CURRENT.values()))
    change = response(kept * now + (1 - kept) * minutes) - response(now)
    return np.asarray(change @ np.asarray(effects))


def regret_of(effects: tuple[float, float], minutes: np.ndarray) -> np.ndarray:
    """Gain lost against the best week of 70 minutes, logit, shape (C,)."""
    live = np.linspace(0.0, BUDGET, 1401)
    best = true_gain(effects, np.column_stack([BUDGET - live, live])).max()
    return np.maximum(best - true_gain(effects, np.asarray(minutes, dtype=float)), 0.0)


def regret_study(truth: str, design: str, programs: int, seed: int) -> pd.DataFrame:
    """Simulate programs, advise each, and judge the advice by the truth.

    Parameters
    ----------
    truth, design : str
        Keys of `TRUTHS` and ``DESIGNS``.
    programs : int
    seed : int

    Returns
    -------
    DataFrame
        One row per program: true effects, ``advice``, regret (logit) of ``best mix`` (largest mean
        gain, whole range allowed), ``advice followed`` (the current mix where the advice is the
        trial) and the simple rules.
    """
    teams, schedule = DESIGNS[design]
    prior = GrowthPriors().draw_gains(DRAWS, seed)
    limits = MixLimits(BUDGET, explore=True)
    rows = []
    for program in range(programs):
        rng = np.random.default_rng([seed, program])
        effects = TRUTHS[truth](rng)
        season = simulate_growth(
            replace(GrowthTruth(teams=teams), gain_rep=effects[0], gain_live=effects[1]),
            schedule,
            int(rng.integers(2**31)),
        )
        try:
            gains = fit_growth_laplace(growth_data_from_season(season), draws=DRAWS, seed=1).gains
        except IdentificationError:
            gains = prior
        advice = advise_mix(
            gains, prior, CURRENT, {"rep": 4.0, "live": 1.0}, limits, 0.40, Provenance(seed, "sim")
        )
        weeks = {"best mix": advice.best, **RULES}
        weeks["advice followed"] = (
            np.array(RULES["keep current"]) if advice.advice == "run the trial" else advice.best
        )
        lost = regret_of(effects, np.array(list(weeks.values())))
        rows.append(
            {
                "rep": effects[0],
                "live": effects[1],
                "advice": advice.advice,
                **dict(zip(weeks, lost, strict=True)),
            }
        )
    return pd.DataFrame(rows)


def summarise(study: pd.DataFrame) -> pd.DataFrame:
    """Mean regret and its Monte Carlo error by rule, in points near a make rate of 40 %."""
    names = ["best mix", "advice followed", *RULES]
    points = 100.0 * 0.24 * study[names]
    return pd.DataFrame({"regret": points.mean(), "mcse": points.sem()}).rename_axis("rule")


def main(out: str, programs: int = 120, seed: int = 20261125) -> None:
    """Run every truth and design and write the table."""
    names = ["best mix", "advice followed", *RULES]
    lines = [
        "| truth | design | " + " | ".join(names) + " | advice: trial |",
        "|---" * (len(names) + 3) + "|",
    ]
    for truth in TRUTHS:
        for design in DESIGNS:
            study = regret_study(truth, design, programs, seed)
            found = summarise(study)
            mean, error = found["regret"], found["mcse"]
            cells = [f"{float(mean[n]):.2f} ({float(error[n]):.2f})" for n in names]
            share = (study["advice"] == "run the trial").mean()
            lines.append(f"| {truth} | {design} | " + " | ".join(cells) + f" | {share:.2f} |")
    write_text(out, "\n".join(lines) + "\n")


if __name__ == "__main__":
    main(sys.argv[1], *(int(word) for word in sys.argv[2:]))
