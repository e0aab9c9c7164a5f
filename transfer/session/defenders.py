"""Whom a shooter faced: defender ratings from live play, and live rates adjusted for them.

A live make depends on the defender as well. Shooters and defenders are crossed random effects,
each shrunk towards the average, so a rating from few attempts stays near it. Used for fair
pairings and for reading a live rate; not for ranking players.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from scipy import sparse, special, stats
from scipy.sparse import csgraph

from transfer.arguments import kinds_checked
from transfer.errors import IdentificationError
from transfer.provenance import Provenance
from transfer.rates.counts import check_columns
from transfer.results import Estimates, Result
from transfer.session.mixed_logit import CrossedFit, Group, fit_crossed

__all__ = ["DefenderRatings", "rate_defenders"]

#: Prior scales of the spreads of shooters and defenders, logits (judgement, no source; those of
#: the transfer model for practice shooting and for defender effects).
SHOOTER_SCALE, DEFENDER_SCALE = 0.50, 0.25


@dataclass(frozen=True)
class DefenderRatings(Result):
    """Crossed shooter and defender effects.

    Parameters
    ----------
    defenders : DataFrame
        ``defender``, ``attempts``, ``raw_rate`` (against him), ``effect``, ``sd`` (logit; negative
        is better defence), ``rate``, ``low``, ``high`` (expected make rate of an average shooter
        against him), ``reliability``.
    shooters : DataFrame
        ``player``, ``attempts``, ``raw_rate``, ``adjusted_rate``, ``low``, ``high`` (expected rate
        against an average defender), ``faced`` (mean effect of the defenders he faced, logit).
    fit : CrossedFit
    connected : bool
        Whether every shooter is linked to every defender through somebody.
    prob : float
        Probability of the equal-tailed normal intervals on the logit scale.
    provenance : Provenance
    """

    _estimates = Estimates("rate", "low", "high", "raw_rate")

    defenders: pd.DataFrame
    shooters: pd.DataFrame
    fit: CrossedFit
    connected: bool
    prob: float
    provenance: Provenance

    @property
    def table(self) -> pd.DataFrame:
        """Ratings of defenders."""
        return self.defenders

    @property
    def text(self) -> str:
        """What the ratings can carry, in words."""
        reliable = self.defenders["reliability"]
        parts = [
            f"Defender effects spread by {self.fit.sds['defender']:.2f} logit between players; the "
            f"median reliability of a rating is {reliable.median():.2f}.",
            "Small samples: use the ratings to pair players fairly, not to rank them; order among "
            "neighbours is mostly chance.",
        ]
        if not self.connected:
            parts.append(
                "Some players never met through a common opponent, so their ratings compare only "
                "by the starting assumption: mix the pairings."
            )
        return " ".join(parts)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "defenders": self.defenders,
            "shooters": self.shooters,
            "sds": self.fit.sds,
            "connected": self.connected,
            "prob": self.prob,
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


@kinds_checked
def rate_defenders(
    live: pd.DataFrame, provenance: Provenance, prob: float = 0.90
) -> DefenderRatings:
    """Rate defenders and adjust shooters for whom they faced.

    Parameters
    ----------
    live : DataFrame
        Live attempts with columns ``player``, ``defender``, ``n``, ``y``; an optional
        ``setting`` becomes a fixed effect. Rows without a defender are left out.
    provenance : Provenance
    prob : float
        Probability of intervals.

    Raises
    ------
    ArgumentError
        When a column is missing.
    IdentificationError
        When fewer than two shooters or two defenders are charted.
    """
    check_columns(live, ("player", "defender", "n", "y"), "live")
    rows = live[live["defender"].notna() & (live["defender"] != "") & live["n"].gt(0)]
    shooter, shooters = pd.factorize(rows["player"], sort=True)
    defender, defenders = pd.factorize(rows["defender"], sort=True)
    if len(shooters) < 2 or len(defenders) < 2:
        raise IdentificationError(
            f"{len(shooters)} shooters and {len(defenders)} defenders have charted live attempts",
            rule="crossed effects need at least two of each",
            next_step="write the defender's code beside every live attempt",
        )
    n, y = rows["n"].to_numpy(float), rows["y"].to_numpy(float)
    X = _fixed(rows)
    groups = [
        Group("shooter", shooter, len(shooters)),
        Group("defender", defender, len(defenders)),
    ]
    fit = fit_crossed(n, y, X, groups, scales=(SHOOTER_SCALE, DEFENDER_SCALE))
    average = np.zeros(X.shape[1])
    average[0] = 1.0
    average[1:] = (n @ X[:, 1:]) / n.sum()
    links = sparse.coo_matrix(
        (np.ones(n.size), (shooter, defender + len(shooters))),
        shape=(len(shooters) + len(defenders),) * 2,
    )
    parts, _ = csgraph.connected_components(links, directed=False)
    return DefenderRatings(
        defenders=_defender_table(fit, defenders, defender, n, y, average, prob),
        shooters=_shooter_table(fit, shooters, shooter, defender, n, y, average, prob),
        fit=fit,
        connected=bool(parts == 1),
        prob=prob,
        provenance=provenance,
    )


def _fixed(rows: pd.DataFrame) -> np.ndarray:
    """Intercept and an indicator of each setting but the first."""
    if "setting" not in rows:
        return np.ones((len(rows), 1))
    code, names = pd.factorize(rows["setting"], sort=True)
    return np.column_stack([np.ones(len(rows)), np.eye(len(names))[code][:, 1:]])


def _rates(
    fit: CrossedFit, name: str, count: int, average: np.ndarray, prob: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Expected rate with interval of each member of a group against the average of the other."""
    weights = np.zeros((count, fit.covariance.shape[0]))
    weights[:, : average.size] = average
    weights[np.arange(count), fit.starts[name] + np.arange(count)] = 1.0
    mean, sd = fit.combine(weights)
    z = stats.norm.ppf((1 + prob) / 2)
    return special.expit(mean), special.expit(mean - z * sd), special.expit(mean + z * sd)


def _defender_table(
    fit: CrossedFit,
    names: pd.Index,
    index: np.ndarray,
    n: np.ndarray,
    y: np.ndarray,
    average: np.ndarray,
    prob: float,
) -> pd.DataFrame:
    count = len(names)
    faced, made = np.bincount(index, n, count), np.bincount(index, y, count)
    rate, low, high = _rates(fit, "defender", count, average, prob)
    sd = fit.effect_sd("defender")
    return pd.DataFrame(
        {
            "defender": list(names),
            "attempts": faced.astype(int),
            "raw_rate": made / faced,
            "effect": fit.effects["defender"],
            "sd": sd,
            "rate": rate,
            "low": low,
            "high": high,
            "reliability": 1.0 - (sd / fit.sds["defender"]) ** 2,
        }
    )


def _shooter_table(
    fit: CrossedFit,
    names: pd.Index,
    index: np.ndarray,
    defender: np.ndarray,
    n: np.ndarray,
    y: np.ndarray,
    average: np.ndarray,
    prob: float,
) -> pd.DataFrame:
    count = len(names)
    taken, made = np.bincount(index, n, count), np.bincount(index, y, count)
    rate, low, high = _rates(fit, "shooter", count, average, prob)
    met = np.bincount(index, n * fit.effects["defender"][defender], count) / taken
    return pd.DataFrame(
        {
            "player": list(names),
            "attempts": taken.astype(int),
            "raw_rate": made / taken,
            "adjusted_rate": rate,
            "low": low,
            "high": high,
            "faced": met,
        }
    )
