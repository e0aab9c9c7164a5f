"""The weekly mix of rep and live work: minutes, what they are expected to bring, and how sure.

A building question (does this work make game shooting better?), so the draws must come from the
growth model. The gain is kept up for eight weeks and compared with keeping the current mix for
those weeks. When perfect information would be worth more than the gain itself, or when the draws
are still the prior, the advice is to keep the mix and run the trial.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import special

from transfer.decisions.mix_limits import MixLimits, limit_rows, require_feasible
from transfer.decisions.mix_rates import AttemptRate, stated
from transfer.decisions.mix_solve import Candidates, MixProblem, best_candidate, candidates, split
from transfer.decisions.value import evpi, evsi
from transfer.decisions.verdict import MAX_CONTRACTION_TO_TELL
from transfer.errors import ArgumentError
from transfer.provenance import Provenance
from transfer.rates.exposure import HALF_LIFE_WEEKS, KINDS, Shape
from transfer.results import Interval, interval_from_draws

__all__ = ["MixAdvice", "advise_mix"]

Advice = Literal["run the trial", "change the mix", "keep the mix"]

#: Assumptions that the sensitivity table walks through.
SHAPES: tuple[Shape, ...] = ("log1p", "linear", "hill")
HALF_LIVES = (2.0, 4.0, 8.0)
#: Moves smaller than this are no move (minutes a week; judgement, no source).
SMALLEST_MOVE = 1.0
#: Contrast that a trial measures: live minus rep.
CONTRAST = np.array([-1.0, 1.0])


@dataclass(frozen=True)
class MixAdvice:
    """Advice on the weekly mix.

    Parameters
    ----------
    settings : tuple of str
        Practice settings.
    current, best : array, shape (K,)
        Minutes a player and week: now, and best by the mean over draws.
    best_low, best_high : float
        80 % range over draws of the per-draw best live minutes.
    gain : array, shape (D,)
        Gain of `best` over the current mix after the horizon, logit of game make rate.
    game_rate : float
        Game make rate that points are counted from.
    evpi, evsi : float
        Worth of perfect information, and of one season's trial (NaN when no trial was given),
        logit of game make rate.
    contraction : float
        Posterior over prior sd of the live-minus-rep effect.
    advice : {"run the trial", "change the mix", "keep the mix"}
    at_bound : bool
        Whether `best` lies at the edge of what the limits allow.
    bounds : tuple of str
        The limits that hold it there.
    rates : mapping of str to AttemptRate
    sensitivity : DataFrame
        One row per assumed shape and half-life.
    weeks : float
        Horizon of the gain.
    assigned : bool
        Whether the mix behind the draws was assigned by lot.
    provenance : Provenance
    prob : float
        Probability of the interval of the gain.
    problem : MixProblem or None
        The week that was solved, for checks.
    """

    settings: tuple[str, ...]
    current: np.ndarray
    best: np.ndarray
    best_low: float
    best_high: float
    gain: np.ndarray
    game_rate: float
    evpi: float
    evsi: float
    contraction: float
    advice: Advice
    at_bound: bool
    bounds: tuple[str, ...]
    rates: Mapping[str, AttemptRate]
    sensitivity: pd.DataFrame
    weeks: float
    assigned: bool
    provenance: Provenance
    prob: float = 0.90
    problem: MixProblem | None = field(default=None, repr=False)

    @property
    def moved(self) -> bool:
        """Whether the best mix differs from the current one by a minute or more."""
        return bool(np.abs(self.best - self.current).max() >= SMALLEST_MOVE)

    @property
    def gain_points(self) -> np.ndarray:
        """Gain per draw in percentage points of game make rate, shape (D,)."""
        base = special.logit(self.game_rate)
        return 100.0 * (special.expit(base + self.gain) - self.game_rate)

    @property
    def makes_per_100(self) -> float:
        """Expected further makes in 100 game attempts."""
        return float(self.gain_points.mean())

    @property
    def beats_current(self) -> float:
        """Probability that the best mix brings more than the current one (NaN when equal)."""
        return float((self.gain > 0).mean()) if self.moved else float("nan")

    @property
    def interval(self) -> Interval:
        """Interval of the gain in points."""
        return interval_from_draws(self.gain_points, self.prob, "difference")

    def points(self, gain: float) -> float:
        """A small logit gain in points of make rate, by the slope at the game rate."""
        return 100.0 * gain * self.game_rate * (1.0 - self.game_rate)

    @property
    def table(self) -> pd.DataFrame:
        """Minutes and attempts by setting, one row each."""
        rows = []
        for k, setting in enumerate(self.settings):
            rate = self.rates[setting]
            band = rate.interval
            rows.append(
                {
                    "setting": setting,
                    "minutes_now": float(self.current[k]),
                    "minutes_best": float(self.best[k]),
                    "attempts_per_minute": rate.rate,
                    "rate_low": np.nan if band is None else band.low,
                    "rate_high": np.nan if band is None else band.high,
                    "rate_source": rate.source,
                    "attempts_now": float(self.current[k] * rate.rate),
                    "attempts_best": float(self.best[k] * rate.rate),
                }
            )
        return pd.DataFrame(rows)

    @property
    def text(self) -> str:
        """The advice in sentences that may be quoted."""
        from transfer.decisions.mix_text import advice_text

        return advice_text(self)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        band = self.interval
        return {
            "question": "building",
            "advice": self.advice,
            "settings": self.table.to_dict(orient="records"),
            "weeks": self.weeks,
            "gain": {
                "logit_mean": float(self.gain.mean()),
                "points_mean": float(self.gain_points.mean()),
                "points_interval": band.to_dict(),
                "makes_per_100_game_attempts": self.makes_per_100,
            },
            "probability_beats_current": self.beats_current,
            "evpi_points": self.points(self.evpi),
            "evsi_points": self.points(self.evsi),
            "best_live_minutes_80": [self.best_low, self.best_high],
            "at_bound": self.at_bound,
            "bounds": list(self.bounds),
            "contraction": self.contraction,
            "assigned": self.assigned,
            "rates": {name: rate.to_dict() for name, rate in self.rates.items()},
            "sensitivity": self.sensitivity,
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


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
        Minutes a player and week in each setting; the mode is the part before ``/``.
    rates : mapping of str to AttemptRate or float
        Attempts per player-minute of each setting.
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

    Returns
    -------
    MixAdvice

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
    now = np.array([float(current[s]) for s in settings])
    rows = limit_rows(limits, settings, now, table)
    require_feasible(rows, len(settings))
    totals = MixProblem(settings, now, np.zeros(2), tuple(rows)).totals
    problem = MixProblem(
        settings,
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
    knows = evpi(values)
    contraction = float((growth @ CONTRAST).std(ddof=1) / (prior @ CONTRAST).std(ddof=1))
    gain = values[:, choice]
    return MixAdvice(
        settings=settings,
        current=now,
        best=best,
        best_low=float(low),
        best_high=float(high),
        gain=gain,
        game_rate=float(game_rate),
        evpi=knows,
        evsi=_trial_value(growth, trial_se, slopes),
        contraction=contraction,
        advice=_advice(contraction, knows, float(gain.mean()), best, now),
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
    contraction: float, knows: float, gain: float, best: np.ndarray, now: np.ndarray
) -> Advice:
    if contraction > MAX_CONTRACTION_TO_TELL or knows > gain + 1e-9:
        return "run the trial"
    return "change the mix" if np.abs(best - now).max() >= SMALLEST_MOVE else "keep the mix"


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
