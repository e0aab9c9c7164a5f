"""What the records say about the current mix: minutes, pace, range, exposure, and growth draws."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError, IdentificationError, RecordsError
from transfer.mix.rates import AttemptRate, attempts_per_minute
from transfer.models.growth_bias import allow_for_choice
from transfer.models.growth_data import GrowthData, growth_data
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import GrowthPriors, GrowthSettings
from transfer.provenance import Provenance
from transfer.rates.exposure import HALF_LIFE_WEEKS, KINDS, Shape, exposure
from transfer.records.reading import Records
from transfer.records.settings import DEFAULTS
from transfer.records.units import game_rows, practice_rows, setting_labels
from transfer.records.weeks import weekly_cells
from transfer.simulation.schedules import Crossover
from transfer.trial.cells import log_cells
from transfer.trial.design import Scenario, design_se

__all__ = ["GrowthDraws", "MeasuredMix", "growth_draws", "measure_mix", "trial_precision"]

#: Practice weeks, counted back from the last, that stand for "now" (judgement, no source).
RECENT_WEEKS = 4
#: Practised weeks in a row whose mean counts as kept up: one half-life.
SUSTAINED_WEEKS = round(HALF_LIFE_WEEKS)
#: Share of those means left out at each end of the observed range (judgement, no source).
RANGE_TAIL = 0.05


@dataclass(frozen=True)
class MeasuredMix:
    """The current mix as charted.

    Parameters
    ----------
    current : dict of str to float
        Minutes a player and week in each setting, mean of the last practice weeks.
    rates : dict of str to AttemptRate
    observed : dict of str to (float, float)
        Range of weekly minutes per mode that players kept up over a half-life of practised weeks
        (means of `SUSTAINED_WEEKS` in a row, 5 % left out at each end), stretched to hold the
        current minutes. A single odd week says nothing about a week to keep up.
    start : array, shape (2,)
        Mean exposure (rep, live) after the last charted week.
    game_rate : float
        Pooled game make rate, half a make and half a miss added.
    weeks : tuple of int
        Weeks that stand for now.
    players : int
        Players with charted practice in those weeks.
    game_attempts : float
        Mean game attempts per player and charted week of the season.
    """

    current: dict[str, float]
    rates: dict[str, AttemptRate]
    observed: dict[str, tuple[float, float]]
    start: np.ndarray
    game_rate: float
    weeks: tuple[int, ...]
    players: int
    game_attempts: float


@dataclass(frozen=True)
class GrowthDraws:
    """Draws of the growth effects and how they came about.

    Parameters
    ----------
    growth, prior : array, shape (D, 2)
        Posterior and prior draws (rep, live).
    refit : callable or None
        Draws under another shape and half-life.
    reason : str
        Empty, or why the records cannot identify the effects, so that `growth` is the prior.
    provenance : Provenance
    """

    growth: np.ndarray
    prior: np.ndarray
    refit: Callable[[Shape, float], np.ndarray] | None
    reason: str
    provenance: Provenance


@kinds_checked
def measure_mix(
    records: Records,
    settings: Sequence[str] = DEFAULTS.settings,
    *,
    program: str | None = None,
    override: Mapping[str, float] | None = None,
    half_life: float = HALF_LIFE_WEEKS,
    prob: float = 0.90,
) -> MeasuredMix:
    """Measure the current mix of one program.

    Parameters
    ----------
    records : Records
        With practice minutes charted.
    settings : sequence of str
        Charted columns that make a setting.
    program : str, optional
        Program to look at; needed when the records hold several.
    override : mapping of str to float, optional
        Attempts per minute stated by the user.
    half_life : float
    prob : float
        Probability of the rates' intervals.

    Raises
    ------
    RecordsError
        When practice rows lack minutes or there are no games.
    ArgumentError
        When several programs are there and none, or an unknown one, was named.
    """
    cells = weekly_cells(records)
    name = _program(cells.table["program"], program)
    practice = practice_rows(records)
    practice = practice[practice["program"] == name]
    labels, order = setting_labels(practice, list(settings))
    practice = practice.assign(setting=labels)
    weekly = cells.table[cells.table["program"] == name]
    season = weekly["season"].max()
    weekly = weekly[weekly["season"] == season]
    per_week = weekly[weekly["mode"] != "game"].groupby("week")["minutes"].sum()
    recent = tuple(int(w) for w in per_week[per_week > 0].index[-RECENT_WEEKS:])
    monday = pd.Timestamp(cells.starts[str(season)])
    practice = practice[practice["season"] == season]
    week = (practice["date"] - monday).dt.days // 7
    now = practice[week.isin(recent)]
    persons_weeks = now["unit"].nunique() * len(recent)
    spent = now.groupby("setting")["minutes"].sum()
    current = {s: float(spent.get(s, 0.0)) / persons_weeks for s in order}
    games = game_rows(records)
    games = games[games["program"] == name]
    if games["n"].sum() == 0:
        raise RecordsError(
            "the records hold no game attempts, so gains cannot be put in points",
            rule="a gain in points needs the game make rate",
            next_step="read the games file as well",
        )
    rates = attempts_per_minute(practice, order, override, prob)
    by_mode = {
        kind: sum(minutes for setting, minutes in current.items() if rates[setting].mode == kind)
        for kind in KINDS
    }
    return MeasuredMix(
        current=current,
        rates=rates,
        observed=_observed(weekly, by_mode),
        start=_exposure_now(weekly, half_life),
        game_rate=float((games["y"].sum() + 0.5) / (games["n"].sum() + 1.0)),
        weeks=recent,
        players=int(now["unit"].nunique()),
        game_attempts=float(games.loc[games["season"] == season, "n"].sum())
        / (weekly["unit"].nunique() * weekly["week"].nunique()),
    )


def _program(column: pd.Series, asked: str | None) -> str:
    names = sorted(str(n) for n in column.unique())
    if asked is None and len(names) == 1:
        return names[0]
    if asked not in names:
        raise ArgumentError(
            f"program={asked!r}",
            rule=f"one of {', '.join(names)}: the mix is that of one program",
            next_step="name the program whose week is planned, e.g. --program " + names[0],
        )
    return str(asked)


def _observed(weekly: pd.DataFrame, current: Mapping[str, float]) -> dict[str, tuple[float, float]]:
    wide = weekly.pivot_table(index=["unit", "week"], columns="mode", values="minutes")
    wide = wide.reindex(columns=list(KINDS), fill_value=0.0)
    worked = wide[wide.sum(axis=1) > 0]
    kept_up = pd.concat(
        [
            weeks.rolling(min(SUSTAINED_WEEKS, len(weeks))).mean().dropna()
            for _, weeks in worked.groupby(level="unit")
        ]
    )
    found = {}
    for kind in KINDS:
        now = current[kind]
        low, high = kept_up[kind].quantile([RANGE_TAIL, 1.0 - RANGE_TAIL])
        found[kind] = (min(float(low), now), max(float(high), now))
    return found


def _exposure_now(weekly: pd.DataFrame, half_life: float) -> np.ndarray:
    means = weekly[weekly["mode"] != "game"].pivot_table(
        index="mode", columns="week", values="minutes", aggfunc="mean", fill_value=0.0
    )
    minutes = means.reindex(list(KINDS), fill_value=0.0).to_numpy()[:, None, :]
    after = np.concatenate([minutes, np.zeros((2, 1, 1))], axis=2)
    return exposure(after, minutes[:, :, 0], half_life)[:, 0, -1]


@kinds_checked
def growth_draws(
    records: Records, *, draws: int = 4000, seed: int = 1, randomised: bool = False
) -> GrowthDraws:
    """Fit the growth model to the season, or fall back on its prior and say why.

    Parameters
    ----------
    records : Records
    draws : int
    seed : int
    randomised : bool
        Whether the mix was assigned by lot. If not, the posterior allows for the bias of a
        chosen mix, see `transfer.models.growth_bias`.
    """
    prior = GrowthPriors().draw_gains(draws, seed + 1)
    data = growth_data(log_cells(weekly_cells(records)).table, randomised=randomised)
    try:
        fit = allow_for_choice(fit_growth_laplace(data, draws=draws, seed=seed))
    except IdentificationError as error:
        start = GrowthPriors().draw_gains(draws, seed)
        settings = {"draws": draws, "source": "prior", "reason": error.message}
        return GrowthDraws(
            start,
            prior,
            None,
            error.message,
            Provenance(seed, records.data_hash, settings=settings),
        )
    return GrowthDraws(fit.gains, prior, _refit(data, draws, seed), "", fit.provenance)


def _refit(data: GrowthData, draws: int, seed: int) -> Callable[[Shape, float], np.ndarray]:
    def again(shape: Shape, half_life: float) -> np.ndarray:
        settings = GrowthSettings(shape=shape, half_life=half_life)
        return allow_for_choice(fit_growth_laplace(data, settings, draws=draws, seed=seed)).gains

    return again


def trial_precision(
    measured: MeasuredMix, weeks: int = 26, contrast: float = 0.80, teams: int = 1
) -> float:
    """Standard error of live minus rep in one season's trial with one swap at the middle.

    Parameters
    ----------
    measured : MeasuredMix
        Players, minutes, game attempts and game rate of the program.
    weeks : int
        Weeks of the season.
    contrast : float
        Share of shooting minutes for the favoured work in each half.
    teams : int
        Programs that run the same trial.

    Returns
    -------
    float
        From the schedule alone, logit per typical week.
    """
    scenario = Scenario(
        teams=teams,
        players=max(measured.players, 2),
        weeks=weeks,
        minutes=sum(measured.current.values()),
        game_attempts=measured.game_attempts,
        game_rate=measured.game_rate,
    )
    return design_se(Crossover(max(weeks // 2, 1), contrast), scenario).se
