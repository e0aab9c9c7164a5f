"""Posterior draws of the transfer model as plain arrays: what decisions read.

Index ``-1`` of the setting axis is always game shooting; the practice settings come before it in
the order of ``settings``. Everything is on the logit scale unless stated.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib import import_module
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.models.priors import TransferPriors
from transfer.provenance import Provenance
from transfer.records.cells import Cells
from transfer.results import Result

if TYPE_CHECKING:
    from xarray import DataTree

__all__ = ["Diagnostics", "PopulationDraws", "TransferPosterior"]


@dataclass(frozen=True)
class Diagnostics:
    """What the gate looked at, and whether it let the fit pass.

    Parameters
    ----------
    rhat_max, ess_bulk_min, ess_tail_min : float
        Worst values over the reported quantities; NaN where one could not be computed.
    divergences : int
        Divergent transitions after warm-up.
    passed : bool
        R-hat < 1.01, both ESS > 400, no divergences (Vehtari et al. 2021, from memory).
    retried : bool
        Whether the automatic second try was needed.
    failures : tuple of str
        One sentence per failed rule.
    """

    rhat_max: float
    ess_bulk_min: float
    ess_tail_min: float
    divergences: int
    passed: bool
    retried: bool = False
    failures: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "rhat_max": self.rhat_max,
            "ess_bulk_min": self.ess_bulk_min,
            "ess_tail_min": self.ess_tail_min,
            "divergences": self.divergences,
            "passed": self.passed,
            "retried": self.retried,
            "failures": list(self.failures),
        }


@dataclass(frozen=True)
class PopulationDraws:
    """Population parameters, prior or posterior.

    Parameters
    ----------
    mu : array, shape (D, K + 1)
        Mean logit rate per practice setting, game last.
    tau : array, shape (D, K + 1)
        Standard deviation between players.
    omega : array, shape (D, K + 1, K + 1)
        Correlations between players' true rates.
    """

    mu: np.ndarray
    tau: np.ndarray
    omega: np.ndarray


@dataclass(frozen=True)
class TransferPosterior(Result):
    """Draws of the fitted transfer model.

    Parameters
    ----------
    settings, modes : tuple of str
        The K practice settings and their mode (``rep`` or ``live``).
    units : tuple of str
        The P player-seasons.
    population : PopulationDraws
        Posterior draws, D of them (all chains concatenated).
    prior : PopulationDraws
        Prior draws of the same parameters.
    theta : array, shape (D, P, K + 1)
        True logit rate of each player in each setting (program effect included), at the
        reference distance, no defender effect, reference contest.
    terms : mapping of str to array
        Draws of optional terms that were in the model, e.g. ``"beta_distance"`` (D, K + 1),
        ``"beta_contest"`` (D, levels), ``"program_effect"`` (D, G, K + 1), ``"program_sd"``,
        ``"defender_effect"`` (D, J), ``"defender_sd"`` (D,).
    labels : mapping of str to tuple of str
        Names along the axes of ``terms``: ``"programs"``, ``"contests"``, ``"defenders"``.
    diagnostics : Diagnostics
    provenance : Provenance
    cells : Cells
        The attempts and makes that were fitted.
    chains : int
        Chains that the D draws come from, one after another.
    sample_stats : mapping of str to array, shape (D,)
        What the sampler noted of each draw, under the names of ArviZ.
    """

    _figure = "transfer.reading.figure_practice_game"

    settings: tuple[str, ...]
    modes: tuple[str, ...]
    units: tuple[str, ...]
    population: PopulationDraws
    prior: PopulationDraws
    theta: np.ndarray
    diagnostics: Diagnostics
    provenance: Provenance
    cells: Cells
    terms: dict[str, np.ndarray] = field(default_factory=dict)
    labels: dict[str, tuple[str, ...]] = field(default_factory=dict)
    chains: int = 1
    sample_stats: dict[str, np.ndarray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Refuse counts that are not about the same players and settings."""
        cells = self.cells
        if cells.units != self.units or cells.settings != self.settings:
            raise ArgumentError(
                f"the fit holds {len(self.units)} players in {self.settings}, the cells "
                f"{len(cells.units)} players in {cells.settings}, or others",
                rule="a fit carries the counts that were fitted",
                next_step="fit these records again",
            )
        if self.chains < 1 or self.draws % self.chains:
            raise ArgumentError(
                f"chains={self.chains} with {self.draws} draws",
                rule="every chain has the same number of draws",
                next_step="pass chains=1 where the draws come from no sampler",
            )

    @property
    def table(self) -> pd.DataFrame:
        """True rates of players, see `transfer.models.estimates.player_estimates`."""
        # By its name: what is computed from a posterior lies above it.
        rates: pd.DataFrame = import_module("transfer.models.estimates").player_estimates(self)
        return rates

    @property
    def text(self) -> str:
        """What was fitted and how well the draws settled."""
        found = self.diagnostics
        return (
            f"Fitted {len(self.units)} player-seasons in {len(self.settings)} practice settings "
            f"and games; {self.draws} draws. R-hat at most {found.rhat_max:.4f}, effective draws "
            f"at least {found.ess_bulk_min:.0f} (bulk) and {found.ess_tail_min:.0f} (tail), "
            f"{found.divergences} divergent steps."
        )

    def to_datatree(self) -> DataTree:
        """The fit as ArviZ has it, for `arviz.summary`, `arviz.plot_forest`, `arviz.loo` and so on.

        Returns
        -------
        xarray.DataTree
            See `transfer.models.datatree` for the groups.
        """
        tree: DataTree = import_module("transfer.models.datatree").to_tree(self)
        return tree

    @property
    def purpose(self) -> str:
        """What the fit is for, ``"forecast"`` or ``"verdict"``; see `fit_transfer`."""
        return str(self.provenance.settings.get("purpose", "forecast"))

    @property
    def priors(self) -> TransferPriors | None:
        """Starting assumptions of the fit; None where its draws were invented without any."""
        values = self.provenance.settings.get("priors")
        return None if values is None else TransferPriors.from_dict(values)

    @property
    def design_effects(self) -> dict[str, float]:
        """What attempts and makes were divided by before the fit, by setting."""
        return dict(self.provenance.settings.get("design_effects", {}))

    @property
    def draws(self) -> int:
        """Number of posterior draws."""
        return int(self.population.mu.shape[0])

    def index(self, setting: str) -> int:
        """Position of a setting on the last axis; ``"game"`` is ``-1``."""
        return -1 if setting == "game" else self.settings.index(setting)
