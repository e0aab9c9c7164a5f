"""Priors of the transfer model: one frozen object, printed with sources, overridable by a file.

Every default names its source. The tilt of the correlation matrix is the same for every practice
setting, so the prior favours neither live nor rep: it only says that accuracy at one form of a
shot goes with accuracy at another.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Literal, get_args

import numpy as np
import pandas as pd
from scipy.special import expit, logit

from transfer.errors import ArgumentError
from transfer.files import read_toml
from transfer.records.settings import DEFAULT_LEVEL

__all__ = ["LEVELS", "Level", "TransferPriors"]

Level = Literal["men_pro", "men_college", "women_pro", "women_college", "high_school", "other"]

#: Level of play -> (mean, sd) of the mean game logit. Judgement from published rates: men's
#: professional .404 at 7-14 ft (public shot log of 2014-15, tabulated), men's college non-rim twos
#: about .37, women's professional about .35 at 5-10 ft; high school: no published rate found.
#: ``other`` is a weak default for shots that are not floaters: judgement, no source.
LEVELS: dict[str, tuple[float, float]] = {
    "men_pro": (float(logit(0.40)), 0.3),
    "men_college": (float(logit(0.40)), 0.3),
    "women_pro": (float(logit(0.37)), 0.3),
    "women_college": (float(logit(0.37)), 0.3),
    "high_school": (float(logit(0.35)), 0.3),
    "other": (0.0, 1.5),
}
#: Upper .95 quantile of the normal distribution.
_Z90 = 1.6448536269514722

#: Spreads of ``other``: shots of any kind, so twice the room (judgement, no source).
_OTHER_SPREADS: dict[str, Any] = {"tau_practice_sd": 0.35, "tau_game_sd": 0.3, "tau_log_sd": 1.0}

_COLLEGE = "public yearly tables of men's college players, 2019-2022, own tabulation"
_SOURCES = {
    "level": "the level of play that was named; where none was, the default, a choice",
    "mu_game": "judgement from published game rates, by level of play",
    "mu_practice": "judgement: weak, 95 % of rates between .12 and .88; no published rate",
    "tau_practice_sd": "judgement: median of the spread between players; free throws, the nearest "
    f"to practice, have .45 logit ({_COLLEGE})",
    "tau_game_sd": "median of the spread between players: .185 logit [.179, .194] for twos away "
    f"from the rim ({_COLLEGE}); .13-.14 in a public shot log of 2014-15",
    "tau_log_sd": "judgement: room for a third of the median to three times of it (95 %), which "
    f"holds threes .13 to free throws .45 ({_COLLEGE})",
    "tilt_game": "own simulation: atanh(rho) about .55, scale .40, per practice setting and game",
    "tilt_practice": "own simulation: atanh(rho) about .85, scale .50, between practice settings",
    "tilt_df": "judgement: tails that records can correct (Gelman, Jakulin, Pittau and Su 2008 "
    "advise Student t with few degrees of freedom; published, from memory)",
    "lkj_eta": "uniform over correlation matrices (Lewandowski, Kurowicka and Joe 2009)",
    "level_shift_sd": "judgement: steps between defender distances in games are .30-.48 logit "
    "(public shot log of 2014-15)",
    "program_sd": "judgement: half-normal scale of program differences in practice, where charting "
    "and drills differ as well",
    "program_game_sd": "half-normal scale: program-seasons differ by .08 logit in twos away from "
    f"the rim, .10 at the rim, .00 in free throws ({_COLLEGE}); twice that for room: judgement",
    "season_sd": "judgement: half the scale of program differences in practice",
    "season_game_sd": f"half-normal scale: program-seasons differ by .00-.10 logit ({_COLLEGE})",
    "persistence": "shapes of a beta with mean .83: a player's true rate from year to year, .82 "
    f"[.76, .90] in twos away from the rim, .84 in free throws, .86 at the rim ({_COLLEGE})",
    "position_sd": "guards, wings and bigs lie .2-.3 logit from the mean in free throws and at the "
    f"rim, .06 in other twos ({_COLLEGE})",
    "class_year_sd": f"judgement: about the whole growth from first to fourth year ({_COLLEGE})",
    "class_growth": "twos away from the rim by class year: .351, .366, .374, .379, as logits from "
    f"their mean ({_COLLEGE})",
    "volume_sd": "judgement: who shoots more shoots better, .326 to .394 from the lowest to the "
    f"highest sixth of game attempts in twos away from the rim ({_COLLEGE})",
    "beta_distance_game": "-.043 logit per ft [-.060, -.027] in a public shot log of 2014-15",
    "beta_distance_practice": "same mean as for games, wider; judgement",
    "contest_step_sd": "steps of .30-.48 logit between defender distances, public shot log 2014-15",
    "defender_sd": "judgement: half-normal scale of defender differences in live play",
}


#: Beyond this no logit or scale means anything, and sums overflow.
_LARGEST = 1e6
TauFamily = Literal["lognormal", "half_normal", "uniform", "inverse_gamma_variance"]
_PAIR = (2, "two numbers, mean and scale", (1,))
#: Priors given as several numbers: how many, what they are, and which of them are scales.
_LISTS: dict[str, tuple[int, str, tuple[int, ...]]] = {
    "mu_game": _PAIR,
    "mu_practice": _PAIR,
    "tilt_game": _PAIR,
    "tilt_practice": _PAIR,
    "beta_distance_game": _PAIR,
    "beta_distance_practice": _PAIR,
    "persistence": (2, "two numbers, the shapes of a beta", (0, 1)),
    "class_growth": (4, "four numbers, first to fourth class year", ()),
}
_OPTIONAL = ("tilt_game", "tilt_practice", "tilt_df")


def _finite(*values: object) -> bool:
    """Whether all are numbers that a computer holds; True and False are none."""
    numbers: list[Any] = [v for v in values if isinstance(v, int | float | np.number)]
    whole = len(numbers) == len(values) and not any(isinstance(v, bool) for v in values)
    return whole and all(abs(v) < _LARGEST for v in numbers)


def _require_scale(name: str, value: object, scale: Any) -> None:
    if not (_finite(scale) and scale > 0):
        raise ArgumentError(
            f"prior {name}={value!r} has scale {scale!r}",
            rule="every prior scale is a positive finite number",
            next_step=f"give {name} a positive scale in the priors file",
        )


def _check_level(level: object) -> None:
    if level not in LEVELS:
        near = difflib.get_close_matches(str(level), LEVELS, n=1)
        raise ArgumentError(
            f"level={level!r} is not a known level of play",
            rule=f"one of {', '.join(LEVELS)}",
            next_step=f"did you mean {near[0]!r}?" if near else "use 'other'",
        )


def _not_a_prior(name: str, value: object, rule: str) -> ArgumentError:
    return ArgumentError(
        f"prior {name}={str(value)[:60]!r} is not of its kind",
        rule=f"{name} is {rule}",
        next_step=f"correct {name} in the priors file, or leave it out",
    )


def _check(name: str, value: Any) -> None:
    """Refuse a value that is no prior of its kind."""
    if name == "tau_family":
        if value not in get_args(TauFamily):
            raise _not_a_prior(name, value, f"one of {', '.join(get_args(TauFamily))}")
    elif value is None and name in _OPTIONAL:
        return
    elif name in _LISTS:
        count, rule, scales = _LISTS[name]
        if not (isinstance(value, tuple | list) and len(value) == count and _finite(*value)):
            raise _not_a_prior(name, value, rule)
        for place in scales:
            _require_scale(name, value, value[place])
    else:
        _require_scale(name, value, value)


@dataclass(frozen=True)
class TransferPriors:
    """Priors of the transfer model, logit scale.

    Parameters
    ----------
    mu_game, mu_practice : (float, float)
        Mean and sd of the normal prior of the population mean.
    tau_practice_sd, tau_game_sd : float
        Scale of the spread between players.
    tau_family : {"lognormal", "half_normal", "uniform", "inverse_gamma_variance"}
        Family of the spread. ``lognormal`` has the scale as its median; ``uniform`` is
        U(0, scale); ``inverse_gamma_variance`` puts Gamma(scale, scale) on 1/tau^2 (published
        examples use it; not a recommendation).
    tau_log_sd : float
        Standard deviation of log tau in the lognormal family.
    tilt_game, tilt_practice : (float, float) or None
        Centre and scale of a factor on atanh(rho), setting against game and between settings;
        ``None`` leaves the LKJ alone.
    tilt_df : float or None
        Degrees of freedom of the factor, a Student t; ``None`` makes it normal.
    lkj_eta : float
        Shape of the LKJ factor.
    level_shift_sd : float
        Sd of the normal shift that a contest level adds to its mode's mean, where practice is
        judged by mode.
    program_sd, program_game_sd : float
        Half-normal scale of the standard deviation of programs, practice settings and games.
    season_sd, season_game_sd : float
        The same of a program's seasons about the program.
    persistence : (float, float)
        Shapes of the beta prior of the correlation of a player's deviations in two seasons.
    position_sd, class_year_sd, volume_sd : float
        Sd of the normal shift of a position or class year in each setting, and of the slope on log
        practice attempts a week.
    class_growth : (float, float, float, float)
        Mean of the shift in games of first to fourth class year.
    beta_distance_game, beta_distance_practice : (float, float)
        Mean and sd of the distance slope, logit per foot from 8 ft.
    contest_step_sd : float
        Half-normal scale of each step down the ordered game contest.
    defender_sd : float
        Half-normal scale of the defender standard deviation.
    level : str
        Level of play that the values were taken for; a name, which changes nothing by itself.
    """

    mu_game: tuple[float, float] = LEVELS[DEFAULT_LEVEL]
    mu_practice: tuple[float, float] = (0.0, 1.0)
    tau_practice_sd: float = 0.35
    tau_game_sd: float = 0.19
    tau_family: TauFamily = "lognormal"
    tau_log_sd: float = 0.6
    tilt_game: tuple[float, float] | None = (0.55, 0.40)
    tilt_practice: tuple[float, float] | None = (0.85, 0.50)
    tilt_df: float | None = 4.0
    lkj_eta: float = 1.0
    level_shift_sd: float = 0.5
    program_sd: float = 0.3
    program_game_sd: float = 0.15
    season_sd: float = 0.15
    season_game_sd: float = 0.1
    persistence: tuple[float, float] = (10.0, 2.0)
    position_sd: float = 0.3
    class_year_sd: float = 0.1
    class_growth: tuple[float, float, float, float] = (-0.07, -0.01, 0.03, 0.05)
    volume_sd: float = 0.2
    beta_distance_game: tuple[float, float] = (-0.04, 0.03)
    beta_distance_practice: tuple[float, float] = (-0.04, 0.06)
    contest_step_sd: float = 0.4
    defender_sd: float = 0.25
    level: Level = DEFAULT_LEVEL

    def __post_init__(self) -> None:
        values = asdict(self)
        _check_level(values.pop("level"))
        for name, value in values.items():
            _check(name, value)

    @classmethod
    def for_level(cls, level: Level) -> TransferPriors:
        """Return the defaults for a level of play.

        Raises
        ------
        ArgumentError
            For an unknown level, naming the nearest.
        """
        _check_level(level)
        spreads = _OTHER_SPREADS if level == "other" else {}
        return cls(mu_game=LEVELS[level], level=level, **spreads)

    @classmethod
    def from_file(cls, path: Path | str, level: Level = DEFAULT_LEVEL) -> TransferPriors:
        """Read a TOML file whose keys override the defaults for `level`.

        Raises
        ------
        ArgumentError
            When the file cannot be parsed or holds an unknown key.
        """
        try:
            given = read_toml(path)
        except (OSError, ValueError) as error:
            raise ArgumentError(
                f"priors file {path} cannot be read: {error}",
                rule="a priors file is TOML with the names that `transfer fit --help` lists",
                next_step="correct the line that the message names",
            ) from error
        known = {f.name for f in fields(cls)} - {"level"}
        for key in given:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                raise ArgumentError(
                    f"priors file {path}: unknown key {key!r}",
                    rule=f"keys are {', '.join(sorted(known))}",
                    next_step=f"did you mean {near[0]!r}?" if near else "remove the key",
                )
        values: dict[str, Any] = {
            key: None if value == "none" else tuple(value) if isinstance(value, list) else value
            for key, value in given.items()
        }
        return replace(cls.for_level(level), **values)

    @classmethod
    def from_dict(cls, given: Mapping[str, Any]) -> TransferPriors:
        """Return the priors that `to_dict` wrote down."""
        values: dict[str, Any] = {
            k: tuple(v) if isinstance(v, list) else v for k, v in given.items()
        }
        return cls(**values)

    def untilted(self, eta: float = 2.0) -> TransferPriors:
        """Return the plain LKJ(eta) variant."""
        return replace(self, tilt_game=None, tilt_practice=None, lkj_eta=eta)

    def for_verdict(self) -> TransferPriors:
        """Return the priors that live and rep are judged with: uniform over correlation matrices.

        A tilt helps forecasts; in a verdict it costs coverage where players are few. A priors file
        does not change it: a verdict whose prior is chosen after a look at the answer is none.
        """
        return self.untilted(1.0)

    @property
    def text(self) -> str:
        """The sentence that names the level whose starting assumption was used."""
        mean, sd = self.mu_game
        low, high = (float(expit(mean + sign * _Z90 * sd)) for sign in (-1, 1))
        whose = f"of level {self.level}" if self.mu_game == LEVELS[self.level] else "set by hand"
        return (
            f"Starting assumption {whose}: a mean game rate between {100 * low:.0f}% and "
            f"{100 * high:.0f}% (90% equal-tailed interval)."
        )

    @property
    def table(self) -> pd.DataFrame:
        """Name, value and source of every prior."""
        rows = [
            (f.name, getattr(self, f.name), _SOURCES.get(f.name, "choice of family"))
            for f in fields(self)
        ]
        return pd.DataFrame(rows, columns=["prior", "value", "source"])

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {k: list(v) if isinstance(v, tuple) else v for k, v in asdict(self).items()}
