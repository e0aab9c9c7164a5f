"""What a fitted growth model hands to decisions: draws of the two gains, and nothing to mistake.

Differences between players are in the model but not in here: they are not effects.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd

from transfer.models.growth_data import GrowthData
from transfer.models.growth_settings import GrowthSettings
from transfer.models.posterior import Diagnostics
from transfer.provenance import Provenance, hash_frames
from transfer.results import Interval, Result, interval_from_draws

__all__ = ["GrowthPosterior", "growth_provenance"]


@dataclass(frozen=True)
class GrowthPosterior(Result):
    """Posterior of what practice does to game shooting inside a player.

    Parameters
    ----------
    gains : array, shape (D, 2)
        Draws of the effect of rep and live practice, logits per typical week at steady state
        against none.
    prior_gains : array, shape (M, 2), or None
        The same from the prior; ``None`` under a flat prior.
    data : GrowthData
    settings : GrowthSettings
    method : {"laplace", "nuts"}
    provenance : Provenance
    diagnostics : Diagnostics, optional
        Of the sampler; ``None`` for Laplace.
    """

    gains: np.ndarray
    prior_gains: np.ndarray | None
    data: GrowthData
    settings: GrowthSettings
    method: Literal["laplace", "nuts"]
    provenance: Provenance
    diagnostics: Diagnostics | None = None

    @property
    def delta(self) -> np.ndarray:
        """Draws of live minus rep, shape (D,)."""
        return self.gains[:, 1] - self.gains[:, 0]

    @property
    def prior_delta(self) -> np.ndarray | None:
        """Prior draws of live minus rep."""
        return None if self.prior_gains is None else self.prior_gains[:, 1] - self.prior_gains[:, 0]

    @property
    def contraction(self) -> float | None:
        """Posterior over prior sd of live minus rep; ``None`` under a flat prior."""
        if self.settings.priors.is_flat:
            return None
        return float(self.delta.std(ddof=1) / (np.sqrt(2.0) * self.settings.priors.gain_sd))

    def interval(self, prob: float = 0.90) -> Interval:
        """Equal-tailed interval of live minus rep."""
        return interval_from_draws(self.delta, prob, "difference")

    @cached_property
    def table(self) -> pd.DataFrame:
        """Rows ``rep``, ``live`` and ``live minus rep``: mean, sd, 90% interval, prior sd."""
        prior = self.prior_gains
        rows = []
        for name, draws, before in (
            ("rep", self.gains[:, 0], None if prior is None else prior[:, 0]),
            ("live", self.gains[:, 1], None if prior is None else prior[:, 1]),
            ("live minus rep", self.delta, self.prior_delta),
        ):
            interval = interval_from_draws(draws, 0.90, "parameter")
            rows.append(
                {
                    "effect": name,
                    "unit": "logits per typical week",
                    "mean": float(draws.mean()),
                    "sd": float(draws.std(ddof=1)),
                    **{k: v for k, v in interval.to_dict().items() if k != "holds"},
                    "positive": float((draws > 0).mean()),
                    "prior_sd": np.nan if before is None else float(before.std(ddof=1)),
                    "prior_positive": np.nan if before is None else float((before > 0).mean()),
                }
            )
        return pd.DataFrame(rows)

    @property
    def text(self) -> str:
        """One sentence on live minus rep, with the chosen-mix caution where it applies."""
        low, high = self.interval().low, self.interval().high
        told = ""
        if self.contraction is not None:
            cut = 100 * (1 - self.contraction)
            told = f"; the records cut the starting uncertainty by {cut:.0f} %"
        said = (
            f"Live minus rep practice: {self.delta.mean():+.2f} logits per typical week of "
            f"practice (90% equal-tailed interval {low:+.2f} to {high:+.2f}{told})."
        )
        if self.data.randomised:
            return f"{said} The mix was assigned by lot."
        return (
            f"{said} The mix was chosen, not assigned: if live work went to players already "
            "getting hot, this is biased upward and no adjustment can remove it."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, without draws."""
        return {
            "question": "building: what practice does inside a player",
            "method": self.method,
            "table": self.table.to_dict(orient="records"),
            "contraction": self.contraction,
            "randomised": self.data.randomised,
            "players": self.data.players,
            "team_seasons": self.data.team_count,
            "weeks": self.data.weeks,
            "attempts": int(self.data.n.sum()),
            "notes": list(self.data.notes),
            "text": self.text,
            "diagnostics": None if self.diagnostics is None else self.diagnostics.to_dict(),
            "provenance": self.provenance.to_dict(),
        }


def growth_provenance(
    data: GrowthData, settings: GrowthSettings, seed: int, options: Mapping[str, Any]
) -> Provenance:
    """Seed, data hash, priors and options of a growth fit."""
    digest = data.data_hash or hash_frames(
        n=pd.DataFrame(data.n),
        y=pd.DataFrame(data.y),
        rep=pd.DataFrame(data.minutes[0]),
        live=pd.DataFrame(data.minutes[1]),
    )
    return Provenance(seed, digest, settings={**settings.to_dict(), **dict(options)})
