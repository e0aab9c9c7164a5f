"""The weekly mix of rep and live work: minutes, what they are expected to bring, and how sure.

A building question (does this work make game shooting better?), so the draws must come from the
growth model. The gain is kept up for eight weeks and compared with keeping the current mix for
those weeks at the same total minutes; minutes added to the week are a line of their own. Without a
lot, when perfect information would be worth more than the gain itself, or when the draws are still
the prior, the advice is to keep the mix and run the trial.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.mix.advice import SMALLEST_MOVE, STILL_PRIOR, Advice, MixAdvice
from transfer.mix.limits import MixLimits, limit_rows, require_feasible
from transfer.mix.rates import AttemptRate, stated
from transfer.mix.solve import Candidates, MixProblem, best_candidate, candidates, split
from transfer.mix.value import evpi, evsi
from transfer.provenance import Provenance
from transfer.rates.exposure import HALF_LIFE_WEEKS, KINDS, Shape

__all__ = ["advise_mix"]

#: Assumptions that the sensitivity table walks through.
SHAPES: tuple[Shape, ...] = ("log1p", "linear", "hill")
HALF_LIVES = (2.0, 4.0, 8.0)
#: Contrast that a trial measures: live minus rep.
CONTRAST = np.array([-1.0, 1.0])


@kinds_checked
def advise_mix(
    growth: np.ndarray,
    prior: np.ndarray,
    current: Mapping[str, float],
    rates: Mapping[str, AttemptRate | float],
    limits: MixLimits,
    game_rate: float,
    provenance: Provenance,
    *,
    start: np.ndarray | None = None,
    trial_se: float | None = None,
    weeks: float = 8.0,
    half_life: float = HALF_LIFE_WEEKS,
    shape: Shape = "log1p",
    refit: Callable[[Shape, float], np.ndarray] | None = None,
    assigned: bool = False,
    prob: float = 0.90,
) -> MixAdvice:
    """Choose the weekly minutes with the largest mean gain over draws.

    Parameters
    ----------
    growth, prior : array, shape (D, 2) and (M, 2)
        Posterior and prior draws of the growth effects (rep, live): logit of game make rate per
        unit of response, 35 minutes a week against none.
    current : mapping of str to float
        Minutes a player and week in each setting.
    rates : mapping of str to AttemptRate or float
        Attempts per player-minute of each setting, and its mode; for a plain number the setting
        starts with its mode, as in ``"live/trailing"``.
    limits : MixLimits
    game_rate : float
        Game make rate, between 0 and 1, that points are counted from.
    provenance : Provenance
        Of the draws.
    start : array, shape (2,), optional
        Exposure now (rep, live); the current minutes when omitted.
    trial_se : float, optional
        Standard error of live minus rep in a season's trial, from its design.
    weeks : float
        Horizon.
    half_life, shape
        Assumptions of the growth model behind `growth`.
    refit : callable, optional
        Gives draws under another shape and half-life for the sensitivity table. Without it the
        same draws are used and the table says so.
    assigned : bool
        Whether the mix in the records was assigned by lot.
    prob : float
        Probability of reported intervals.

    Raises
    ------
    ArgumentError
        When draws have the wrong shape or a value is outside its rule.
    InfeasibleError
        When limits contradict each other; raised before any optimisation.
    """
    _check(growth, prior, game_rate)
    settings = tuple(current)
    table = {s: _as_rate(s, rates) for s in settings}
    modes = tuple(table[s].mode for s in settings)
    now = np.array([float(current[s]) for s in settings])
    rows = limit_rows(limits, settings, now, table)
    require_feasible(rows, len(settings))
    totals = MixProblem(settings, modes, now, np.zeros(2), tuple(rows)).totals
    problem = MixProblem(
        settings,
        modes,
        now,
        totals @ now if start is None else np.asarray(start, float),
        tuple(rows),
        weeks,
        half_life,
        shape,
    )
    weeks_ok = candidates(problem)
    slopes = problem.slopes(weeks_ok.minutes)
    choice = best_candidate(growth.mean(axis=0), slopes)
    values = growth @ slopes.T
    per_draw = weeks_ok.minutes[values.argmax(axis=1), 1]
    low, high = np.quantile(per_draw, [0.10, 0.90])
    minutes = weeks_ok.minutes[choice]
    best = split(problem, minutes)
    same = now * (minutes.sum() / now.sum()) if now.sum() > 0 else now
    added = growth @ problem.slopes((totals @ same)[None, :])[0]
    knows = evpi(values)
    contraction = float((growth @ CONTRAST).std(ddof=1) / (prior @ CONTRAST).std(ddof=1))
    gain = values[:, choice] - added
    return MixAdvice(
        settings=settings,
        current=now,
        same_split=same,
        best=best,
        best_low=float(low),
        best_high=float(high),
        gain=gain,
        added_gain=added,
        game_rate=float(game_rate),
        evpi=knows,
        evsi=_trial_value(growth, trial_se, slopes),
        contraction=contraction,
        advice=_advice(assigned, contraction, knows, float(gain.mean()), best, same),
        at_bound=_at_bound(minutes, weeks_ok),
        bounds=_holding(problem, best),
        rates=table,
        sensitivity=_sensitivity(problem, weeks_ok, growth, refit),
        weeks=weeks,
        assigned=assigned,
        provenance=provenance,
        prob=prob,
        problem=problem,
    )


def _check(growth: np.ndarray, prior: np.ndarray, game_rate: float) -> None:
    for name, draws in (("growth", growth), ("prior", prior)):
        if draws.ndim != 2 or draws.shape[1] != 2 or draws.shape[0] < 2:
            raise ArgumentError(
                f"{name} has shape {draws.shape}",
                rule="growth draws are draws x 2, rep then live",
                next_step="pass the g draws of the growth model",
            )
        if not np.all(np.isfinite(draws)):
            raise ArgumentError(
                f"{name} holds {int((~np.isfinite(draws)).sum())} values that are not finite",
                rule="draws are finite",
                next_step="check the diagnostics of the growth fit",
            )
    if not 0.0 < game_rate < 1.0:
        raise ArgumentError(
            f"game_rate={game_rate!r}",
            rule="0 < game_rate < 1",
            next_step="pass the pooled game make rate, e.g. 0.40",
        )


def _as_rate(setting: str, rates: Mapping[str, AttemptRate | float]) -> AttemptRate:
    if setting not in rates:
        raise ArgumentError(
            f"no attempts per minute for setting {setting!r}",
            rule="every setting of the mix has a rate",
            next_step="measure it from the records or state it",
        )
    rate = rates[setting]
    return rate if isinstance(rate, AttemptRate) else stated(setting, float(rate))


def _trial_value(growth: np.ndarray, trial_se: float | None, slopes: np.ndarray) -> float:
    if trial_se is None:
        return float("nan")
    return evsi(growth.mean(axis=0), np.cov(growth.T), CONTRAST, trial_se, slopes)


def _advice(
    assigned: bool,
    contraction: float,
    knows: float,
    gain: float,
    best: np.ndarray,
    same_split: np.ndarray,
) -> Advice:
    if not assigned or contraction > STILL_PRIOR or knows > gain + 1e-9:
        return "run the trial"
    return "change the mix" if np.abs(best - same_split).max() >= SMALLEST_MOVE else "keep the mix"


def _at_bound(minutes: np.ndarray, weeks_ok: Candidates) -> bool:
    low, high = weeks_ok.live_range
    return bool(min(minutes[1] - low, high - minutes[1]) <= 0.5 * weeks_ok.step + 1e-9)


def _holding(problem: MixProblem, best: np.ndarray) -> tuple[str, ...]:
    names = []
    for row in problem.limits[1:]:
        used = float(row.coefficients @ best)
        slack = 1e-6 * max(1.0, abs(used))
        if used >= row.high - slack or (row.low > 0 and used <= row.low + slack):
            names.append(row.name)
    return tuple(names)


def _sensitivity(
    problem: MixProblem,
    weeks_ok: Candidates,
    growth: np.ndarray,
    refit: Callable[[Shape, float], np.ndarray] | None,
) -> pd.DataFrame:
    rows = []
    for shape in SHAPES:
        for half_life in HALF_LIVES:
            same = (shape, half_life) == (problem.shape, problem.half_life)
            draws = growth if refit is None or same else refit(shape, half_life)
            slopes = problem.with_assumption(shape, half_life).slopes(weeks_ok.minutes)
            mean = draws.mean(axis=0)
            choice = best_candidate(mean, slopes)
            minutes = weeks_ok.minutes[choice]
            rows.append(
                {
                    "shape": shape,
                    "half_life_weeks": half_life,
                    **{f"{kind}_minutes": float(v) for kind, v in zip(KINDS, minutes, strict=True)},
                    "gain_logit": float(slopes[choice] @ mean),
                    "at_bound": _at_bound(minutes, weeks_ok),
                    "refitted": bool(same or refit is not None),
                }
            )
    return pd.DataFrame(rows)
