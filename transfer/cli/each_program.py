"""One page per program, each from a fit of its own records: by processes or on a cluster.

A page holds nothing of the other programs, so each may go to its own staff. A program whose page
cannot be made does not take the others with it: pages are written as they come, and what failed
is told at the end.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from transfer.errors import ArgumentError, TransferError

if TYPE_CHECKING:
    from transfer.records.reading import Records
    from transfer.terminal.inputs import StudyRun

__all__ = ["Pages", "one_page_each", "program_study", "records_of_program"]


@dataclass
class Pages:
    """What came of the pages.

    Parameters
    ----------
    written : dict of str to dict
        By program: ``report``, ``pdf`` (paths), ``verdict``, ``text``.
    failed : dict of str to TransferError
        By program: why there is no page.
    """

    written: dict[str, dict[str, Any]] = field(default_factory=dict)
    failed: dict[str, TransferError] = field(default_factory=dict)

    @property
    def exit_code(self) -> int:
        """Zero, or the code of the failure; of several kinds, the highest."""
        return max((error.exit_code for error in self.failed.values()), default=0)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, programs in the order of their codes."""
        return {
            "reports": [{"program": p, **self.written[p]} for p in sorted(self.written)],
            "failed": [{"program": p, **self.failed[p].to_dict()} for p in sorted(self.failed)],
        }


@dataclass(frozen=True)
class _Job:
    """What goes to a worker: the records of one program, and what its page shall be."""

    program: str
    study: StudyRun
    title: str
    pdf: bool
    options: Mapping[str, Any]


@dataclass(frozen=True)
class _Made:
    """What comes back from a worker: a page, or why there is none."""

    program: str
    page: str = ""
    pdf: bytes | None = None
    told: Mapping[str, Any] = field(default_factory=dict)
    error: TransferError | None = None


def _make(job: _Job) -> _Made:
    """Fit one program and draw its page; whatever goes wrong is this program's alone."""
    from transfer.reports.report import make_report

    try:
        report = make_report(job.study, job.title, **job.options)
        pdf = report.pdf() if job.pdf else None
        summary = report.to_dict()
        told = {"verdict": summary["verdict"], "text": summary["text"]}
        return _Made(job.program, report.html, pdf, told)
    except TransferError as error:
        return _Made(job.program, error=error)
    except Exception as error:  # a defect: told by its name, and the other pages are kept
        found = TransferError(
            f"{type(error).__name__}: {error}",
            rule="every program gets a page, or a reason in words",
            next_step="this is a defect of transfer: report it, with the message",
        )
        return _Made(job.program, error=found)


def records_of_program(records: Records, program: str) -> Records:
    """Records of one program; warnings about the files are not taken along.

    A warning names rows of files that hold other programs as well.

    Parameters
    ----------
    records : Records
    program : str
        Code of the program.
    """
    from transfer.records.fingerprint import hash_records

    frames = {}
    for name in ("practice", "games", "roster", "drills"):
        frame = getattr(records, name)
        if frame is None:
            continue
        if name != "drills" and "program" in frame:
            frame = frame[frame["program"] == program].reset_index(drop=True)
        frames[name] = frame
    return replace(records, **frames, problems=(), data_hash=hash_records(frames))


def program_study(study: StudyRun, program: str) -> StudyRun:
    """Return the study of one program alone: it speaks to nobody and writes nothing.

    Parameters
    ----------
    study : StudyRun
        Of several programs.
    program : str
        Code of the program.

    Raises
    ------
    RecordsError
        When the program's records hold no attempt.
    """
    from transfer.terminal.inputs import cells_of, priors_of

    # Files are read here: a worker may stand on another machine.
    request = replace(study.request, as_json=True, read_priors=priors_of(study.request))
    records = records_of_program(study.records, program)
    run = replace(study.run, folder=None, siblings=())
    return replace(
        study, request=request, records=records, cells=cells_of(records, request), run=run
    )


def one_page_each(
    study: StudyRun,
    title: str,
    name: str,
    *,
    pdf: bool = False,
    workers: int | None = None,
    cluster: str | None = None,
    **options: Any,
) -> Pages:
    """Write one page per program into the run folder.

    Parameters
    ----------
    study : StudyRun
        Of at least two programs, with a run folder.
    title : str
        Heading; the program's code is added.
    name : str
        End of the file names, before ``.html``.
    pdf : bool
        Whether to write each page as PDF as well.
    workers, cluster
        See `transfer.models.jobs.run_many`.
    **options
        For `transfer.reports.gather.gather`.

    Raises
    ------
    ArgumentError
        When the records hold one program.
    """
    from transfer.models.jobs import stream_many
    from transfer.terminal.screen import progress

    programs = sorted(study.cells.table["program"].unique())
    if len(programs) < 2:
        raise ArgumentError(
            "the records hold one program",
            rule="--each-program writes a page for each of several programs",
            next_step="leave out --each-program",
        )
    say = progress(study.request.as_json)
    pages, jobs = Pages(), []
    for program in programs:
        try:
            own = program_study(study, program)
        except TransferError as error:
            pages.failed[program] = error
            continue
        jobs.append(_Job(program, own, f"{title}: {program}", pdf, options))
    say(f"fitting {len(programs)} programs")
    for made in stream_many(_make, jobs, workers=workers, cluster=cluster, ordered=False):
        try:
            _keep(study, made, name, pages)
        except TransferError as error:
            pages.failed[made.program] = error
        say(f"{len(pages.written) + len(pages.failed)} of {len(programs)} programs done")
    return pages


def _keep(study: StudyRun, made: _Made, name: str, pages: Pages) -> None:
    """Write one page, or raise why there is none."""
    if made.error is not None:
        raise made.error
    stem = f"program-{made.program}-{name}"
    path = study.run.keep(f"{stem}.html", made.page)
    drawn: Path | None = None
    if made.pdf is not None:
        drawn = study.run.keep(f"{stem}.pdf", made.pdf)
    pages.written[made.program] = {
        "report": str(path), "pdf": None if drawn is None else str(drawn), **made.told
    }  # fmt: skip
