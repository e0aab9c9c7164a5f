"""The scenario of the demo data: programs, calendar, sizes and true effects, all invented.

Two plans: a conference of twelve programs whose players were put by lot into live-heavy and
rep-heavy halves of the season with one swap, and one small program that kept an ordinary log.
Sizes follow published or tabulated figures where there are any; the rest is judgement, no source.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Any

import numpy as np

from transfer.rates.exposure import HALF_LIFE_WEEKS, TYPICAL_MINUTES
from transfer.simulation.seasons import FOUR_MODES, omega_with_contrast

__all__ = ["CONFERENCE", "ONE_PROGRAM", "DemoPlan", "Effects"]


@dataclass(frozen=True)
class Effects:
    """True sizes, logits unless stated. Order of settings: `FOUR_SETTINGS`, then games.

    Parameters
    ----------
    rates : tuple of float
        Mean make rates of the settings at a typical week of both kinds of practice. Game .37:
        women's college non-rim twos, judgement from men's college about 37 % (2020-21) and
        women's professional about 35 % at 5-10 ft (2013). On-air .60: judgement, no source.
    tau : tuple of float
        Standard deviation between players of a program.
    contrast : float
        True ``R2_live - R2_rep``.
    program_sd, week_sd, session_sd : float
        Spread of programs, of program-weeks, and of a player's practice sessions.
    defender_sd : float
        Spread of teammates as live defenders.
    distance : float
        Per foot from 8 ft; tabulated from one men's professional season: -.043 in games.
    gain_game : (float, float)
        Effect of a typical week (35 min) of rep and of live practice on game shooting.
    gain_practice : 2 x 2 tuple
        The same on rep shooting (first row) and live shooting (second row).
    """

    rates: tuple[float, ...] = (0.60, 0.54, 0.45, 0.39, 0.37)
    tau: tuple[float, ...] = (0.35, 0.35, 0.30, 0.30, 0.28)
    contrast: float = 0.30
    program_sd: float = 0.06
    week_sd: float = 0.07
    session_sd: float = 0.10
    defender_sd: float = 0.20
    distance: float = -0.043
    gain_game: tuple[float, float] = (0.05, 0.33)
    gain_practice: tuple[tuple[float, float], tuple[float, float]] = ((0.20, 0.05), (0.05, 0.30))

    @property
    def mu(self) -> np.ndarray:
        """Mean logit rates, shape (K + 1,)."""
        rates = np.asarray(self.rates)
        return np.asarray(np.log(rates / (1.0 - rates)))

    @property
    def omega(self) -> np.ndarray:
        """Correlations of the players' levels, games last."""
        return omega_with_contrast(FOUR_MODES, self.contrast)

    @property
    def gains(self) -> np.ndarray:
        """Gain per setting (rows, games last) and kind of practice (rep, live)."""
        by_mode = {"rep": self.gain_practice[0], "live": self.gain_practice[1]}
        return np.asarray([*(by_mode[mode] for mode in FOUR_MODES), self.gain_game], dtype=float)


@dataclass(frozen=True)
class DemoPlan:
    """One invented study.

    Parameters
    ----------
    programs : tuple of str
        Program codes.
    season : str
        Season label.
    first_day : date
        Monday of week 1.
    weeks : int
        Weeks of practice.
    first_game_week : int
        Week of the first game, counted from 1. Two games a week from then on.
    players : int
        Players per program.
    swap_after : int or None
        Last week of the first half of the trial; None: nobody was assigned.
    high : float
        Live share of the live-heavy arm; the other arm has ``1 - high``.
    usual_live : float
        Mean live share where nobody was assigned.
    share_noise : float
        Weekly standard deviation of the live share about its plan, logits.
    minutes : float
        Charted shooting minutes of a player and week.
    start : (float, float)
        Pre-season minutes a week of rep and live work.
    attempts_per_game, attempts_spread : float
        Mean of the players' mean attempts per game played, and its coefficient of variation.
    exact_spread : bool
        Whether the players realise mean, spread and correlations of the truth exactly (drawn
        scores are whitened), so that the data set is typical of its truth.
    free_throws : bool
        Whether free throws were kept (a negative control of the trial).
    effects : Effects
    """

    programs: tuple[str, ...]
    season: str = "2025-26"
    first_day: dt.date = dt.date(2025, 10, 6)
    weeks: int = 26
    first_game_week: int = 3
    players: int = 14
    swap_after: int | None = 13
    high: float = 0.8
    usual_live: float = 0.35
    share_noise: float = 0.15
    minutes: float = 70.0
    start: tuple[float, float] = (20.0, 20.0)
    attempts_per_game: float = 1.7
    attempts_spread: float = 0.45
    exact_spread: bool = True
    free_throws: bool = True
    effects: Effects = Effects()

    @property
    def size(self) -> int:
        """Players of all programs."""
        return self.players * len(self.programs)

    def monday(self, week: int) -> dt.date:
        """Monday of a week counted from 0."""
        return self.first_day + dt.timedelta(weeks=week)

    def to_dict(self) -> dict[str, Any]:
        """Return the scenario as plain values."""
        effects = self.effects
        return {
            "programs": list(self.programs),
            "season": self.season,
            "first_day": self.first_day.isoformat(),
            "weeks": self.weeks,
            "first_game_week": self.first_game_week,
            "players_per_program": self.players,
            "swap_after_week": self.swap_after,
            "live_share": {"live_heavy": self.high, "rep_heavy": round(1.0 - self.high, 9)}
            if self.swap_after
            else {"usual": self.usual_live},
            "share_noise_logit": self.share_noise,
            "minutes_per_week": self.minutes,
            "preseason_minutes": {"rep": self.start[0], "live": self.start[1]},
            "attempts_per_game_played": self.attempts_per_game,
            "attempts_spread_cv": self.attempts_spread,
            "half_life_weeks": HALF_LIFE_WEEKS,
            "typical_minutes": TYPICAL_MINUTES,
            "response": "log1p",
            "sd": {
                "program": effects.program_sd,
                "program_week": effects.week_sd,
                "player_session": effects.session_sd,
                "defender": effects.defender_sd,
            },
            "distance_logit_per_ft": effects.distance,
            "reference_distance_ft": 8.0,
        }


CONFERENCE = DemoPlan(
    programs=(
        "BZN", "DSK", "FLQ", "GNX", "HRB", "KLT", "LMD", "MVR", "PLQ", "QSR", "TWF", "VRO",
    ),
)  # fmt: skip

ONE_PROGRAM = DemoPlan(
    programs=("NRV",),
    weeks=20,
    players=13,
    swap_after=None,
    share_noise=0.3,
    minutes=60.0,
    attempts_per_game=1.4,
    exact_spread=False,
    free_throws=False,
)
