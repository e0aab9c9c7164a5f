"""``transfer report``: the whole reading as a page, in the depth its reader wants."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

if TYPE_CHECKING:
    from transfer.page.document import Audience
    from transfer.terminal.inputs import StudyRun

__all__ = ["command"]


@click.command("report")
@shared_options("records", "fit", "rope_r2", "out", "json")
@click.option(
    "--each-program",
    is_flag=True,
    help="A page for each program, from a fit of its own records alone.",
)
@shared_options("season", "jobs", "cluster")
@click.option(
    "--for",
    "audience",
    type=click.Choice(["analyst", "coach", "director"]),
    default="analyst",
    show_default=True,
    help="Depth: everything, one page for the gym, or two pages for who decides.",
)
@click.option("--title", help="Heading of the page.")
@click.option(
    "--score/--no-score",
    default=False,
    show_default=True,
    help="Score the forecasts on the later games, which fits once more.",
)
@click.option(
    "--shared",
    is_flag=True,
    help="A page that may leave the staff: no players, small groups hidden.",
)
@click.option("--pdf", is_flag=True, help="Write the page as PDF as well.")
@click.option("--program", help="Program whose week is shown, when the records hold several.")
@click.option("--assigned", is_flag=True, help="The mix in the records was assigned by lot.")
@click.option(
    "--previous",
    metavar="RUN",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of an earlier run: what it forecast, and what happened since.",
)
@click.option(
    "--session",
    metavar="FOLDER",
    type=click.Path(path_type=Path, file_okay=False),
    help="Where transfer session put the next session, for the coach's page.",
)
def command(
    audience: Audience,
    title: str | None,
    score: bool,
    shared: bool,
    pdf: bool,
    program: str | None,
    assigned: bool,
    previous: Path | None,
    session: Path | None,
    each_program: bool,
    season: str,
    jobs: int | None,
    cluster: str | None,
    **given: Any,
) -> None:
    """Write the whole reading as one page: open it in a browser, or print it.

    The page needs no network. For analyst and coach it holds a small script, the what-if part;
    without script the same numbers stand in tables.
    """
    from transfer.errors import ArgumentError
    from transfer.terminal.inputs import open_study
    from transfer.terminal.screen import long_work, progress

    _refuse_clashes(each_program, program=program, previous=previous, session=session)
    if not each_program:
        _refuse_alone(jobs=jobs, cluster=cluster)
    study = open_study(given)
    if study.run.folder is None:
        raise ArgumentError(
            "there is no place for the report: --out is missing",
            rule="a report is kept in --out, or below runs/ in a season folder",
            next_step="add --out DIR",
        )
    name = "report" + ("" if audience == "analyst" else f"-{audience}")
    name += "-shared" if shared else ""
    from transfer.reports.report import TITLE, make_report

    title = title or TITLE
    depth: dict[str, Any] = {
        "audience": audience,
        "shared": shared,
        "assigned": assigned,
        "season": season,
    }
    if each_program:
        show_each(study, title, name, pdf, jobs, cluster, score=score, **depth)
        return
    with long_work(study.request.as_json):
        from transfer.reports.gather import keep_for_next

        report = make_report(
            study, title, score=score, program=program, previous=previous, session=session, **depth
        )
        kept = [study.run.keep(f"{name}.html", report.html)]
        keep_for_next(study, report.content)
        if pdf:
            progress(study.request.as_json)("drawing the PDF")
            kept.append(study.run.keep(f"{name}.pdf", report.pdf()))
    if study.request.as_json:
        pages = {"report": str(kept[0]), "pdf": str(kept[1]) if pdf else None}
        echo_json({**pages, **report.to_dict()}, "report")
        return
    click.echo(report.text)
    click.echo("\n" + "\n".join(f"Report: {path}" for path in kept))


def _refuse_clashes(each_program: bool, **others: Any) -> None:
    named = [f"--{name}" for name, value in others.items() if value is not None]
    if each_program and named:
        from transfer.errors import ArgumentError

        raise ArgumentError(
            f"--each-program together with {' and '.join(named)}",
            rule="what is about one program does not go on the pages of all",
            next_step="leave out one of them",
        )


def _refuse_alone(**others: Any) -> None:
    named = [f"--{name}" for name, value in others.items() if value is not None]
    if named:
        from transfer.errors import ArgumentError

        raise ArgumentError(
            f"{' and '.join(named)} without --each-program",
            rule="one page is one fit, which is made here",
            next_step="add --each-program",
        )


def show_each(
    study: StudyRun,
    title: str,
    name: str,
    pdf: bool,
    jobs: int | None,
    cluster: str | None,
    **options: Any,
) -> None:
    """Write one page per program, tell which failed, and leave with the failure's exit code."""
    from transfer.cli.each_program import one_page_each
    from transfer.terminal.frame import report_error
    from transfer.terminal.screen import long_work, notice

    with long_work(study.request.as_json):
        pages = one_page_each(study, title, name, pdf=pdf, workers=jobs, cluster=cluster, **options)
    if study.request.as_json:
        echo_json(pages, "reports")
    else:
        for program, told in sorted(pages.written.items()):
            click.echo(f"{program}: {told['text']}")
            click.echo("".join(f"Report: {told[k]}\n" for k in ("report", "pdf") if told[k]))
        for program, error in sorted(pages.failed.items()):
            click.echo(f"{program}: no page", err=True)
            report_error(error, as_json=False)
        if len(study.records.problems):
            notice("the record files have warnings; transfer check lists them")
    if pages.failed:
        click.get_current_context().exit(pages.exit_code)
