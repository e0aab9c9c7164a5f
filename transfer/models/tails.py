"""Do more players lie far from the rest than the model says? Multivariate kurtosis of players.

The model draws players from one multivariate normal. A setting's spread takes up any scale, so
players who are rare extremes in all settings at once do not show in one setting's variation; they
show in the kurtosis of players' distances from the middle (Mardia 1970, from memory), compared with
that of new players drawn from the fit (posterior predictive check: Gelman, Meng and Stern 1996,
from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import expit, logit

from transfer.models.posterior import PopulationDraws

__all__ = ["TAIL_DOUBT", "PlayerTails", "check_tails"]

#: Share of replicated squads with tails as heavy, below which the shape is doubted (judgement).
TAIL_DOUBT = 0.05
#: Draws used; the share above is then known to .02 or better.
_DRAWS = 400
#: Variance of a rate that was not charted: it then adds nothing to a player's distance.
_UNKNOWN = 1e8


@dataclass(frozen=True)
class PlayerTails:
    """How far players lie from the middle of the fitted population, all settings together.

    Parameters
    ----------
    observed, replicated : float
        Kurtosis of the players' distances, means over draws: charted, and of new players drawn
        from the fit.
    p : float
        Share of draws whose new players have tails at least as heavy as the charted ones.
    furthest : str
        The unit that lies furthest out.
    players : int
    roles : bool
        Whether position, class year or volume were already in the fit.
    """

    observed: float
    replicated: float
    p: float
    furthest: str
    players: int
    roles: bool = False

    @property
    def doubted(self) -> bool:
        """Whether more players lie far out than the model says."""
        return self.p < TAIL_DOUBT

    @property
    def text(self) -> str:
        """The result in plain words."""
        return self._told(f", {self.furthest} furthest")

    @property
    def shared_text(self) -> str:
        """The text without the code of a player."""
        return self._told("")

    def _told(self, furthest: str) -> str:
        if not self.doubted:
            return "Players far from the rest are no more common than the model says."
        remedy = (
            ""
            if self.roles
            else " Players of another role may lie there: chart position and class year in the "
            "roster and fit with --terms position,class_year,volume."
        )
        return (
            "More players lie far from the rest than the model says "
            f"(p = {self.p:.3f}){furthest}: rates far "
            "out are then pulled in too much, and the comparison may rest on few players, so its "
            "interval is too narrow. See whether the answer stands with these players left out."
            f"{remedy}"
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {**self.__dict__, "doubted": self.doubted, "text": self.text}


def _kurtosis(
    y: np.ndarray, n: np.ndarray, rate: np.ndarray, sigma: np.ndarray
) -> tuple[float, np.ndarray]:
    """Scale-free kurtosis of the players' distances, and the distance of each per setting."""
    charted = n > 0
    residual = np.where(charted, logit((y + 0.5) / (n + 1.0)) - logit(rate), 0.0)
    chance = np.where(charted, 1.0 / np.maximum(n * rate * (1.0 - rate), 1e-9), _UNKNOWN)
    variance = sigma + chance[:, :, None] * np.eye(len(sigma))
    solved = np.linalg.solve(variance, residual[:, :, None])[:, :, 0]
    distance = (residual * solved).sum(axis=1) / charted.sum(axis=1)
    return float((distance**2).mean() / distance.mean() ** 2), distance


def check_tails(
    y: np.ndarray,
    n: np.ndarray,
    rate: np.ndarray,
    population: PopulationDraws,
    units: tuple[str, ...],
    seed: int,
    roles: bool = False,
) -> PlayerTails:
    """Hold the charted players' distances against those of new players drawn from the fit.

    Parameters
    ----------
    y, n : array, shape (P, S)
        Makes and attempts by player and setting, games last; 0 attempts where nothing is charted.
    rate : array, shape (D, P, S)
        Make rate of the average player of the same program, in the same attempts.
    population : PopulationDraws
        The D draws that `rate` belongs to.
    units : tuple of str, length P
    seed : int
    roles : bool
        Whether role terms were in the fit; the text advises them otherwise.
    """
    rng = np.random.default_rng(seed)
    keep = np.unique(np.linspace(0, len(rate) - 1, min(_DRAWS, len(rate))).astype(int))
    seen = n.sum(axis=1) > 0
    y, n = y[seen], n[seen]
    attempts = n.astype(np.int64)
    found, drawn, distances = [], [], np.zeros(len(n))
    for d in keep:
        sigma = population.omega[d] * np.outer(population.tau[d], population.tau[d])
        middle = rate[d][seen].clip(1e-9, 1.0 - 1e-9)
        one, distance = _kurtosis(y, n, middle, sigma)
        players = rng.multivariate_normal(np.zeros(len(sigma)), sigma, len(n), method="cholesky")
        again = rng.binomial(attempts, expit(logit(middle) + players))
        found.append(one)
        drawn.append(_kurtosis(again, n, middle, sigma)[0])
        distances += distance
    names = [unit for unit, held in zip(units, seen, strict=True) if held]
    return PlayerTails(
        observed=float(np.mean(found)),
        replicated=float(np.mean(drawn)),
        p=float(np.mean(np.asarray(drawn) >= np.asarray(found))),
        furthest=names[int(np.argmax(distances))],
        players=len(names),
        roles=roles,
    )
