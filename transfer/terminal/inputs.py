"""From options to records, cells and a fit: the first steps that most commands share."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.records.cells import ROLES, Cells, build_cells
from transfer.records.reading import Records, read_records
from transfer.terminal.first_look import show_first_reading
from transfer.terminal.options import Request, resolve
from transfer.terminal.runs import (
    FIT_FILES,
    Run,
    changed_since_last_run,
    load_run_fit,
    open_run,
    saved_fit,
    stated_hashes,
)
from transfer.terminal.screen import notice, progress

if TYPE_CHECKING:
    from transfer.models.fit import Purpose

__all__ = [
    "StudyRun",
    "cells_of",
    "fit_cells",
    "open_study",
    "priors_of",
    "read_inputs",
    "study_of",
]


@dataclass(frozen=True)
class StudyRun:
    """Records, their cells and the run they belong to.

    Parameters
    ----------
    request : Request
        The settled options.
    records : Records
        Checked records.
    cells : Cells
        Their counts by the chosen settings.
    run : Run
        Where outputs go.
    """

    request: Request
    records: Records
    cells: Cells
    run: Run

    def fit(self, purpose: Purpose = "forecast") -> TransferPosterior:
        """Return the saved fit of these records and options, or make and keep one.

        Before the sampler starts, a terminal is shown a first reading by moments.

        Parameters
        ----------
        purpose : {"forecast", "verdict"}
            See `transfer.models.fit.fit_transfer`.

        Raises
        ------
        DiagnosticsError
            When the sampler's diagnostics failed twice.
        """
        say = progress(self.request.as_json)
        saved = saved_fit(self.run, purpose)
        if saved is not None:
            from transfer.models.alignment import require_passed

            posterior = load_run_fit(saved.parent, purpose)
            if posterior.provenance.data_hash == self.cells.data_hash:
                require_passed(posterior.diagnostics)
                say(f"using the saved fit in {saved.parent.name}")
                name = FIT_FILES[purpose]
                if saved.parent == self.run.folder and name not in stated_hashes(saved.parent):
                    self.run.note(name)
                return posterior
        if purpose == "forecast":
            show_first_reading(self.cells, self.request.as_json)
        posterior = fit_cells(self.cells, self.request, purpose)
        if self.run.folder is not None:
            from transfer.models.storage import save_fit

            self.run.start()
            save_fit(posterior, self.run.folder / FIT_FILES[purpose])
            self.run.note(FIT_FILES[purpose])
        return posterior


def read_inputs(request: Request) -> Records:
    """Read and check the record files of a request.

    Raises
    ------
    RecordsError
        With every problem of all files.
    """
    progress(request.as_json)("reading the records")
    files = request.files
    return read_records(
        files.get("practice"),
        files.get("games"),
        files.get("roster"),
        files.get("drills"),
        season_end=request.season_end,
        rule_body=request.rule_body,
        settings=request.settings,
    )


def cells_of(records: Records, request: Request) -> Cells:
    """Count the records by the chosen settings and terms."""
    return build_cells(
        records,
        request.settings,
        distance="distance" in request.terms,
        game_contest="contest" in request.terms,
        defenders="defender" in request.terms,
        roles=tuple(term for term in ROLES if term in request.terms),
    )


def priors_of(request: Request) -> TransferPriors:
    """Starting assumptions of the level of play, or of the named file."""
    if request.read_priors is not None:
        return request.read_priors
    level: Any = request.level
    if request.priors is None:
        return TransferPriors.for_level(level)
    return TransferPriors.from_file(request.priors, level)


def fit_cells(cells: Cells, request: Request, purpose: Purpose = "forecast") -> TransferPosterior:
    """Fit the transfer model with the chosen starting assumptions.

    Raises
    ------
    DiagnosticsError
        When the sampler's diagnostics failed twice.
    """
    from transfer.models.fit import fit_transfer

    return fit_transfer(
        cells,
        priors=priors_of(request),
        purpose=purpose,
        seed=request.seed,
        progress=progress(request.as_json),
    )


def open_study(
    given: Mapping[str, Any], needs: tuple[str, ...] = ("practice", "games")
) -> StudyRun:
    """Settle the options, read the records, count them, and tell what changed since last time.

    Parameters
    ----------
    given : mapping
        The command's parameters.
    needs : tuple of str
        Tables that must be named.
    """
    return study_of(resolve(given, needs=needs))


def study_of(request: Request) -> StudyRun:
    """Read and count the records of settled options; see `open_study`."""
    records = read_inputs(request)
    run = open_run(request)
    for sentence in changed_since_last_run(request, run):
        notice(sentence)
    return StudyRun(request, records, cells_of(records, request), run)
