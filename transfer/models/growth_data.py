"""Weekly cells as arrays for the growth model, and the refusals that need no fit.

The growth model asks whether a player's own game shooting moves with the player's own exposure to
rep and live practice. Three kinds of records cannot answer at any size, and are refused here: a
team whose players all did the same mix, a season of a few weeks, and doses that move with the
calendar alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError, IdentificationError
from transfer.provenance import hash_frames
from transfer.rates.exposure import (
    HALF_LIFE_WEEKS,
    KINDS,
    TYPICAL_MINUTES,
    Shape,
    exposure,
    response,
)
from transfer.simulation.growth import GrowthSeason

__all__ = [
    "MIN_WEEKS",
    "Dose",
    "GrowthData",
    "check_identified",
    "dose_of",
    "growth_data",
    "growth_data_from_season",
    "until_week",
]

#: Fewer weeks than this cannot hold a change of practice and its carry-over (judgement, no source).
MIN_WEEKS = 6
#: Smallest standard deviation, within a team and week, of live minus rep dose that counts as a
#: difference in mix; .02 is about a minute and a half a week (judgement, no source).
MIN_MIX_SPREAD = 0.02
#: Smallest share of that spread that must be left once each player's and each team-week's mean is
#: taken out (judgement, no source).
MIN_LEFT_AFTER_CALENDAR = 0.05
#: Minutes a week before the first charted week (scenario of the own simulations, no source).
START_MINUTES = 20.0
#: Attempts per charted minute, rep and live, where the records hold no practice attempts
#: (judgement, no source).
ASSUMED_RATES = (4.0, 1.0)

KEYS = ("unit", "program", "season", "week")
NEEDED = (*KEYS, "rep_minutes", "live_minutes", "n", "y")
PRACTICE = ("rep_n", "rep_y", "live_n", "live_y")


@dataclass(frozen=True)
class GrowthData:
    """Weekly game cells and practice minutes of P player-seasons over T weeks.

    All cells are kept; a week without a game attempt has ``n = 0`` and adds nothing.

    Parameters
    ----------
    n, y : array of int, shape (P, T)
        Game attempts and makes.
    minutes : array, shape (2, P, T)
        Charted shooting minutes, rep then live.
    team : array of int, shape (P,)
        Index of the team-season of each player.
    start : array, shape (2, P)
        Minutes a week before the first week.
    rates : (float, float)
        Attempts per charted minute, rep and live.
    randomised : bool
        Whether the mix was assigned by lot. Only then are causal words allowed.
    parallel : bool
        Randomised groups that keep one mix all season: the between-player contrast is the
        design's, so the model uses one slope.
    units, teams : tuple of str
        Names along the axes.
    practice_n, practice_y : array of int, shape (2, P, T), or None
        Practice attempts and makes, rep then live.
    notes : tuple of str
        What a reader must know, e.g. teams whose players all did the same mix.
    data_hash : str
        SHA-256 of the cells.
    """

    n: np.ndarray
    y: np.ndarray
    minutes: np.ndarray
    team: np.ndarray
    start: np.ndarray
    rates: tuple[float, float] = ASSUMED_RATES
    randomised: bool = False
    parallel: bool = False
    units: tuple[str, ...] = ()
    teams: tuple[str, ...] = ()
    practice_n: np.ndarray | None = None
    practice_y: np.ndarray | None = None
    notes: tuple[str, ...] = ()
    data_hash: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        players, weeks = self.n.shape
        shapes = {
            "y": (self.y, (players, weeks)),
            "minutes": (self.minutes, (len(KINDS), players, weeks)),
            "team": (self.team, (players,)),
            "start": (self.start, (len(KINDS), players)),
        }
        for name, (array, shape) in shapes.items():
            if array.shape != shape:
                raise ArgumentError(
                    f"{name} has shape {array.shape}",
                    rule=f"shape {shape}, from n of shape {self.n.shape}",
                    next_step="build the data with growth_data(cells)",
                )
        if np.any(self.y > self.n) or np.any(self.y < 0):
            raise ArgumentError(
                f"{int(np.sum((self.y > self.n) | (self.y < 0)))} cells have more makes than "
                "attempts or fewer than none",
                rule="0 <= y <= n",
                next_step="correct the game records",
            )
        if self.parallel and not self.randomised:
            raise ArgumentError(
                "parallel=True with randomised=False",
                rule="one slope within and between players is allowed only when a lot made groups",
                next_step="leave parallel at False for chosen mixes",
            )

    @property
    def players(self) -> int:
        """Number of player-seasons P."""
        return int(self.n.shape[0])

    @property
    def weeks(self) -> int:
        """Number of weeks T."""
        return int(self.n.shape[1])

    @property
    def team_count(self) -> int:
        """Number of team-seasons."""
        return int(self.team.max()) + 1

    @property
    def base_rate(self) -> float:
        """Pooled game make rate, a ratio of sums with half a make and half a miss added."""
        return float((self.y.sum() + 0.5) / (self.n.sum() + 1.0))


@dataclass(frozen=True)
class Dose:
    """Practice dose split into its movement inside a player and its player mean.

    Parameters
    ----------
    within, between : array, shape (2, P, T) and (2, P)
        Deviation from the player's attempts-weighted mean, and that mean less the mean of all
        players (Mundlak 1978, from memory).
    total : array, shape (2, P, T)
        Their sum up to a constant per kind: the dose less its mean over players.
    """

    within: np.ndarray
    between: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """Dose less its mean over players, shape (2, P, T)."""
        return np.asarray(self.within + self.between[:, :, None])


@kinds_checked
def growth_data(
    cells: pd.DataFrame,
    *,
    start_minutes: float | Mapping[str, tuple[float, float]] = START_MINUTES,
    randomised: bool = False,
    parallel: bool = False,
    rates: tuple[float, float] | None = None,
) -> GrowthData:
    """Turn weekly cells into arrays.

    Parameters
    ----------
    cells : DataFrame
        One row per player and week with columns ``unit``, ``program``, ``season``, ``week``
        (whole numbers), ``rep_minutes``, ``live_minutes``, ``n``, ``y`` (game attempts and
        makes), and optionally ``rep_n``, ``rep_y``, ``live_n``, ``live_y`` (practice attempts
        and makes). A week that is missing for a player counts as no practice and no game; it is
        named in ``notes``.
    start_minutes : float or mapping of unit to (rep, live)
        Minutes a week of each kind before the first week.
    randomised, parallel : bool
        See `GrowthData`.
    rates : (float, float), optional
        Attempts per minute; from the practice columns when they are there.

    Raises
    ------
    ArgumentError
        Missing columns or repeated rows.
    """
    _check_columns(cells)
    frame = cells.assign(team=cells["program"].astype(str) + " " + cells["season"].astype(str))
    frame["key"] = frame["team"] + " " + frame["unit"].astype(str)
    keys = sorted(frame["key"].unique())
    weeks = list(range(int(frame["week"].min()), int(frame["week"].max()) + 1))
    row = frame["key"].map({key: i for i, key in enumerate(keys)}).to_numpy()
    column = (frame["week"] - weeks[0]).to_numpy().astype(int)

    def grid(name: str, kind: type) -> np.ndarray:
        out: np.ndarray = np.zeros((len(keys), len(weeks)), dtype=kind)
        out[row, column] = frame[name].fillna(0).to_numpy()
        return out

    by_key = frame.drop_duplicates("key").set_index("key").loc[keys]
    teams = tuple(sorted(by_key["team"].unique()))
    units = tuple(by_key["unit"].astype(str))
    has_practice = all(name in frame for name in PRACTICE)
    practice_n = np.stack([grid("rep_n", int), grid("live_n", int)]) if has_practice else None
    practice_y = np.stack([grid("rep_y", int), grid("live_y", int)]) if has_practice else None
    minutes = np.stack([grid("rep_minutes", float), grid("live_minutes", float)])
    found, note = _rates(rates, practice_n, minutes)
    absent = len(keys) * len(weeks) - len(frame)
    notes: tuple[str, ...] = (note,) if note else ()
    if absent:
        notes += (f"{absent} player-weeks have no row and count as no practice and no game",)
    return GrowthData(
        n=grid("n", int),
        y=grid("y", int),
        minutes=minutes,
        team=by_key["team"].map({name: i for i, name in enumerate(teams)}).to_numpy().astype(int),
        start=_start(start_minutes, units),
        rates=found,
        randomised=randomised,
        parallel=parallel,
        units=units,
        teams=teams,
        practice_n=practice_n,
        practice_y=practice_y,
        notes=notes,
        data_hash=hash_frames(cells=cells),
    )


def growth_data_from_season(season: GrowthSeason, *, parallel: bool = False) -> GrowthData:
    """Arrays of an invented season.

    Parameters
    ----------
    season : GrowthSeason
        See `transfer.simulation.growth`.
    parallel : bool
        Whether its schedule kept one mix per player.
    """
    return GrowthData(
        n=season.attempts[0],
        y=season.makes[0],
        minutes=season.minutes,
        team=season.team,
        start=season.start,
        rates=season.truth.rates,
        randomised=bool(np.any(season.arm != 0)),
        parallel=parallel,
        units=tuple(f"P{p + 1:03d}" for p in range(len(season.team))),
        teams=tuple(f"T{t + 1:02d}" for t in range(season.truth.teams)),
        practice_n=season.attempts[1:],
        practice_y=season.makes[1:],
    )


def until_week(data: GrowthData, week: int) -> GrowthData:
    """What was known after `week` weeks: later games and practices count as not there yet.

    Parameters
    ----------
    data : GrowthData
    week : int
        Number of weeks kept, 1 to T.

    Returns
    -------
    GrowthData
        With T equal to `week`.

    Raises
    ------
    ArgumentError
        When the week is outside the season.
    """
    if not 1 <= week <= data.weeks:
        raise ArgumentError(
            f"week={week!r}",
            rule=f"a whole number from 1 to {data.weeks}",
            next_step="name a week of the season",
        )
    practice = data.practice_n is not None and data.practice_y is not None
    return replace(
        data,
        n=data.n[:, :week],
        y=data.y[:, :week],
        minutes=data.minutes[:, :, :week],
        practice_n=data.practice_n[:, :, :week] if practice else None,  # type: ignore[index]
        practice_y=data.practice_y[:, :, :week] if practice else None,  # type: ignore[index]
        data_hash="" if week < data.weeks else data.data_hash,
    )


def dose_of(
    data: GrowthData,
    half_life: float = HALF_LIFE_WEEKS,
    shape: Shape = "log1p",
    typical: float = TYPICAL_MINUTES,
    weights: np.ndarray | None = None,
) -> Dose:
    """Dose inside and between players.

    Parameters
    ----------
    data : GrowthData
    half_life, shape, typical
        See `transfer.rates.exposure`.
    weights : array, shape (P, T), optional
        Attempts that weigh the player mean; game attempts when left out.
    """
    f = response(exposure(data.minutes, data.start, half_life), typical, shape)
    n = np.asarray(data.n if weights is None else weights, dtype=float)
    total = n.sum(axis=1, keepdims=True)
    share = np.where(total > 0, n / np.where(total > 0, total, 1.0), 1.0 / n.shape[1])
    mean = np.einsum("kpt,pt->kp", f, share)
    return Dose(f - mean[:, :, None], mean - mean.mean(axis=1, keepdims=True))


def check_identified(
    data: GrowthData, half_life: float = HALF_LIFE_WEEKS, min_weeks: int = MIN_WEEKS
) -> GrowthData:
    """Refuse records that cannot tell live from rep practice at any size.

    Parameters
    ----------
    data : GrowthData
    half_life : float
        Half-life of the exposure the fit will use.
    min_weeks : int
        Fewest weeks.

    Returns
    -------
    GrowthData
        The same data; teams without a difference in mix are named in ``notes``.

    Raises
    ------
    IdentificationError
        Too few weeks, no attempts, the same mix for everyone on every team, or doses that move
        with the calendar alone.
    """
    if data.weeks < min_weeks:
        raise IdentificationError(
            f"the records hold {data.weeks} weeks",
            rule=f"at least {min_weeks} weeks, so that practice can change and carry over",
            next_step="add weeks, or ask the reading question (transfer model) instead",
        )
    if data.n.sum() == 0:
        raise IdentificationError(
            "the records hold no game attempts",
            rule="growth is read from games",
            next_step="add the game records of the same weeks",
        )
    f = response(exposure(data.minutes, data.start, half_life))
    contrast = f[1] - f[0]
    spread = np.array([_within_week_sd(contrast[data.team == t]) for t in range(data.team_count)])
    flat = np.flatnonzero(spread < MIN_MIX_SPREAD)
    if len(flat) == len(spread):
        raise IdentificationError(
            "everyone on a team did the same mix of rep and live practice (sd of live minus rep "
            f"dose within a team and week at most {spread.max():.3f})",
            rule=f"players of a team must differ in mix in the same week, sd {MIN_MIX_SPREAD} or "
            "more; otherwise practice cannot be told from the team's week",
            next_step="plan a trial: transfer trial plan gives half of the team the other mix",
        )
    if not data.parallel:
        _refuse_collinear(data, contrast, spread)
    names = data.teams or tuple(f"team {t + 1}" for t in range(len(spread)))
    notes = tuple(f"{names[t]}: all players did the same mix, it tells nothing" for t in flat)
    return replace(data, notes=data.notes + notes) if notes else data


def _refuse_collinear(data: GrowthData, contrast: np.ndarray, spread: np.ndarray) -> None:
    left = np.array([_left_sd(contrast[data.team == t]) for t in range(data.team_count)])
    share = np.sqrt(np.sum(left**2) / np.sum(spread**2))
    if share < MIN_LEFT_AFTER_CALENDAR:
        raise IdentificationError(
            "dose and time are collinear: once each player's mean and each team-week's mean are "
            f"taken out, {100 * share:.1f}% of the spread of the mix is left",
            rule=f"at least {100 * MIN_LEFT_AFTER_CALENDAR:.0f}% must be left, otherwise the "
            "season itself explains whatever practice does",
            next_step="let players swap mixes at some week (transfer trial plan); if a lot gave "
            "each player one mix for the whole season, pass parallel=True",
        )


def _within_week_sd(contrast: np.ndarray) -> float:
    return float(np.sqrt(np.mean((contrast - contrast.mean(axis=0)) ** 2)))


def _left_sd(contrast: np.ndarray) -> float:
    left = contrast - contrast.mean(axis=0) - contrast.mean(axis=1, keepdims=True)
    return float(np.sqrt(np.mean((left + contrast.mean()) ** 2)))


def _start(
    start_minutes: float | Mapping[str, tuple[float, float]], units: tuple[str, ...]
) -> np.ndarray:
    if isinstance(start_minutes, Mapping):
        missing = [unit for unit in units if unit not in start_minutes]
        if missing:
            raise ArgumentError(
                f"start_minutes lacks {len(missing)} players, the first is {missing[0]}",
                rule="pre-season minutes for every player, or one number for all",
                next_step="add the players, or pass a number such as 20",
            )
        return np.array([start_minutes[unit] for unit in units], dtype=float).T
    return np.full((len(KINDS), len(units)), float(start_minutes))


def _rates(
    rates: tuple[float, float] | None, practice_n: np.ndarray | None, minutes: np.ndarray
) -> tuple[tuple[float, float], str]:
    """Attempts per minute: given, measured, or assumed (and then said)."""
    if rates is not None:
        return (float(rates[0]), float(rates[1])), ""
    total = minutes.sum(axis=(1, 2))
    if practice_n is not None and np.all(total > 0) and np.all(practice_n.sum(axis=(1, 2)) > 0):
        rep, live = practice_n.sum(axis=(1, 2)) / total
        return (float(rep), float(live)), ""
    return ASSUMED_RATES, (
        f"attempts per minute are assumed, not measured: {ASSUMED_RATES[0]:g} rep and "
        f"{ASSUMED_RATES[1]:g} live"
    )


def _check_columns(cells: pd.DataFrame) -> None:
    missing: list[Any] = [name for name in NEEDED if name not in cells]
    if missing:
        raise ArgumentError(
            f"weekly cells lack the columns {', '.join(missing)}",
            rule=f"columns {', '.join(NEEDED)}",
            next_step="build them with the records' weekly cells",
        )
    if cells.empty:
        raise IdentificationError(
            "there are no weekly cells",
            rule="at least one player-week",
            next_step="add practice and game records with dates",
        )
    repeated = int(cells.duplicated(list(KEYS)).sum())
    if repeated:
        raise ArgumentError(
            f"{repeated} player-weeks appear more than once",
            rule="one row per unit, program, season and week",
            next_step="sum them first",
        )
