"""Priors and assumptions of the growth model as one frozen object that prints and saves."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from typing import Any, Literal

import numpy as np

from transfer.errors import ArgumentError
from transfer.rates.exposure import HALF_LIFE_WEEKS, TYPICAL_MINUTES, Shape

__all__ = ["SENSITIVITY_HALF_LIVES", "SENSITIVITY_SHAPES", "GrowthPriors", "GrowthSettings"]

#: Half-lives shown beside the default of 4 weeks (judgement: games cannot tell them apart).
SENSITIVITY_HALF_LIVES = (2.0, 4.0, 8.0)
SENSITIVITY_SHAPES: tuple[Shape, ...] = ("log1p", "linear", "hill")


@dataclass(frozen=True)
class GrowthPriors:
    """Priors on the logit scale, per typical week of practice (judgement, no source).

    The prior of live minus rep is centred on zero: it favours neither. ``week_sd`` is fixed and
    wide, because a tight prior on team-weeks pushes a season's trend into the contrast (own
    simulation).

    Parameters
    ----------
    gain_mean, gain_sd : float
        Effect of each kind of practice inside a player. ``gain_sd = inf`` is the flat prior.
    between_mean, between_sd : float
        Difference between players with different mean doses; a nuisance, never an effect.
    intercept_sd, team_sd, player_sd, week_sd : float
        Normal sd of the intercept and of team-seasons, half-normal scale of the between-player
        sd, fixed sd of a team's weeks (they sum to zero).
    """

    gain_mean: float = 0.10
    gain_sd: float = 0.15
    between_mean: float = 0.10
    between_sd: float = 0.50
    intercept_sd: float = 1.0
    team_sd: float = 0.30
    player_sd: float = 0.30
    week_sd: float = 0.40

    def __post_init__(self) -> None:
        for name, value in asdict(self).items():
            if name.endswith("_sd") and not value > 0:
                raise ArgumentError(
                    f"{name}={value!r}",
                    rule="standard deviations of priors are positive",
                    next_step="use a small positive number to switch a term off",
                )

    @property
    def is_flat(self) -> bool:
        """Whether the gains have no prior."""
        return bool(np.isinf(self.gain_sd))

    def flat(self) -> GrowthPriors:
        """The same priors without one on the gains."""
        return replace(self, gain_sd=float("inf"))

    def draw_gains(self, draws: int, seed: int) -> np.ndarray:
        """Prior draws of the gains, shape (draws, 2): rep, live."""
        rng = np.random.default_rng(seed)
        return rng.normal(self.gain_mean, self.gain_sd, (draws, 2))


@dataclass(frozen=True)
class GrowthSettings:
    """Everything a growth fit assumes.

    Parameters
    ----------
    half_life : float
        Weeks; fixed, because games cannot identify it (own simulation). Show 2 and 8 beside 4.
    shape : {"log1p", "linear", "hill"}
        Response to exposure; an assumption.
    typical : float
        Minutes a week at which the response is 1, for both kinds.
    slopes : {"auto", "split", "pooled"}
        ``split`` keeps differences between players out of the gains; ``pooled`` uses one slope.
        ``auto`` is pooled for randomised parallel groups, else split. ``pooled`` on a chosen mix
        is confounded by ability and exists to show that.
    priors : GrowthPriors
    """

    half_life: float = HALF_LIFE_WEEKS
    shape: Shape = "log1p"
    typical: float = TYPICAL_MINUTES
    slopes: Literal["auto", "split", "pooled"] = "auto"
    priors: GrowthPriors = field(default_factory=GrowthPriors)

    def pooled(self, parallel: bool) -> bool:
        """Whether one slope serves within and between players."""
        return self.slopes == "pooled" or (self.slopes == "auto" and parallel)

    def flat(self) -> GrowthSettings:
        """The same settings without a prior on the gains."""
        return replace(self, priors=self.priors.flat())

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return asdict(self)
