"""Many independent fits: one per program, or without each program in turn.

Every fit gets its own seed from its position and runs on one thread, see `transfer.models.jobs`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError, DiagnosticsError
from transfer.models.alignment import require_passed
from transfer.models.jobs import run_many
from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.models.sampling import SamplerSettings
from transfer.provenance import Provenance, hash_frames
from transfer.records.cells import GAME, Cells
from transfer.results import Estimates, Result, plain

__all__ = [
    "LeftOutPrograms",
    "cells_of_program",
    "fit_many",
    "leave_programs_out",
]


@dataclass(frozen=True)
class _FitJob:
    """One fit: what goes over the wire to a worker."""

    name: str
    cells: Cells
    priors: TransferPriors | None
    sampler: SamplerSettings | None
    seed: int


def _fit(job: _FitJob) -> TransferPosterior | DiagnosticsError:
    """Fit one set of cells; a refused fit is an answer, not an end of the others."""
    from transfer.models.fit import fit_transfer

    try:
        return fit_transfer(job.cells, job.priors, seed=job.seed, sampler=job.sampler, cores=1)
    except DiagnosticsError as error:
        return error


def fit_many(
    cells: dict[str, Cells],
    priors: TransferPriors | None = None,
    *,
    seed: int = 1,
    sampler: SamplerSettings | None = None,
    workers: int | None = None,
    cluster: str | None = None,
) -> dict[str, TransferPosterior | DiagnosticsError]:
    """Fit the transfer model to each of many sets of cells.

    Parameters
    ----------
    cells : dict of str to Cells
        Sets by name, for example one per program.
    priors, sampler
        As in `transfer.models.fit.fit_transfer`.
    seed : int
        Every fit gets its own seed from this one and its place in `cells`.
    workers, cluster
        As in `transfer.models.jobs.run_many`.

    Returns
    -------
    dict
        By name: the posterior, or the error of a fit that failed its checks twice.
    """
    seeds = [int(s.generate_state(1)[0]) for s in np.random.SeedSequence(seed).spawn(len(cells))]
    jobs = [
        _FitJob(name, part, priors, sampler, own)
        for (name, part), own in zip(cells.items(), seeds, strict=True)
    ]
    found = run_many(_fit, jobs, workers=workers, cluster=cluster)
    return dict(zip(cells, found, strict=True))


def cells_of_program(cells: Cells, program: str, *, without: bool = False) -> Cells:
    """Return the cells of one program, or of all others.

    Parameters
    ----------
    cells : Cells
    program : str
        Code of the program.
    without : bool
        All programs but this one.

    Raises
    ------
    ArgumentError
        When no cell, or every cell, is the program's.
    """
    own = cells.table["program"] == program
    table = cells.table[~own if without else own].reset_index(drop=True)
    if not own.any() or table.empty:
        known = ", ".join(sorted(cells.table["program"].unique())[:8])
        raise ArgumentError(
            f"program={program!r} leaves no cells",
            rule="the records hold the program, and another one when it is left out",
            next_step=f"the programs are {known}",
        )
    held = set(table["setting"])
    kept = tuple(s for s in cells.settings if s in held)
    units = tuple(sorted(table["unit"].unique()))
    return replace(
        cells, table=table, settings=kept, units=units, data_hash=hash_frames(cells=table)
    )


@dataclass(frozen=True)
class LeftOutPrograms(Result):
    """What the pooled answer owes to each single program.

    Parameters
    ----------
    table : DataFrame
        One row per program left out and quantity (``mu_game``, ``tau_game``, ``rho SETTING``):
        ``mean`` and ``sd`` without the program, ``whole`` with all, ``shift`` (mean without
        minus whole, in posterior sds of the whole).
    refused : tuple of str
        Programs whose fit failed its checks twice; they have no rows.
    provenance : Provenance
    """

    _estimates = Estimates("mean", beside="whole")

    table: pd.DataFrame
    refused: tuple[str, ...]
    provenance: Provenance

    @property
    def text(self) -> str:
        """The sentence a person may quote."""
        if self.table.empty:
            return "No fit without a program passed its checks."
        worst = self.table.iloc[int(np.argmax(np.abs(self.table["shift"].to_numpy())))]
        said = (
            f"Leaving out one program at a time moves no answer by more than "
            f"{abs(worst['shift']):.1f} posterior standard deviations "
            f"({worst['quantity']}, without program {worst['program']})."
        )
        if self.refused:
            said += f" The fits without {', '.join(self.refused)} failed their checks."
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "table": plain(self.table),
            "refused": list(self.refused),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def _answers(fit: TransferPosterior) -> dict[str, np.ndarray]:
    """Draws of what the pooled reading is about."""
    population = fit.population
    return {
        "mu_game": population.mu[:, -1],
        "tau_game": population.tau[:, -1],
        **{f"rho {s}": population.omega[:, -1, k] for k, s in enumerate(fit.settings)},
    }


def leave_programs_out(
    cells: Cells,
    whole: TransferPosterior | Callable[[], TransferPosterior],
    priors: TransferPriors | None = None,
    *,
    programs: Sequence[str] | None = None,
    seed: int = 1,
    sampler: SamplerSettings | None = None,
    workers: int | None = None,
    cluster: str | None = None,
) -> LeftOutPrograms:
    """Refit without each program in turn and say how far the answers move.

    Parameters
    ----------
    cells : Cells
        Of at least two programs with game attempts.
    whole : TransferPosterior, or callable that returns it
        Fit of all cells; a callable is asked after the programs were counted.
    priors, sampler, seed
        As in `fit_many`.
    programs : sequence of str, optional
        Programs to leave out; all when omitted.
    workers, cluster
        As in `transfer.models.jobs.run_many`.

    Raises
    ------
    DiagnosticsError
        When the fit of all cells did not pass its diagnostics.
    ArgumentError
        When there is only one program.
    """
    chosen = list(
        programs or sorted(cells.table.loc[cells.table["setting"] == GAME, "program"].unique())
    )
    if len(set(cells.table["program"])) < 2:
        raise ArgumentError(
            "the records hold one program",
            rule="a program can be left out when another one stays",
            next_step="read the records of several programs together, with the column program",
        )
    parts = {p: cells_of_program(cells, p, without=True) for p in chosen}
    everything = whole() if callable(whole) else whole
    require_passed(everything.diagnostics)
    fits = fit_many(parts, priors, seed=seed, sampler=sampler, workers=workers, cluster=cluster)
    base = _answers(everything)
    rows = []
    for program, fit in fits.items():
        if isinstance(fit, DiagnosticsError):
            continue
        for name, draws in _answers(fit).items():
            mean, all_mean = float(draws.mean()), float(base[name].mean())
            rows.append(
                {
                    "program": program,
                    "quantity": name,
                    "mean": mean,
                    "sd": float(draws.std(ddof=1)),
                    "whole": all_mean,
                    "shift": (mean - all_mean) / float(base[name].std(ddof=1)),
                }
            )
    refused = tuple(p for p, fit in fits.items() if isinstance(fit, DiagnosticsError))
    settings = {"left_out": chosen, "whole": everything.provenance.to_dict()}
    return LeftOutPrograms(
        pd.DataFrame(rows), refused, Provenance(seed, cells.data_hash, settings=settings)
    )
