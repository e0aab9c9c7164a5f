"""``transfer report``: the whole reading as one HTML page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from transfer.cli.frame import echo_json
from transfer.cli.options import shared_options

if TYPE_CHECKING:
    from transfer.cli.inputs import Study
    from transfer.decisions.reading import Reading

__all__ = ["command"]

TITLE = "Practice and game shooting"


@click.command("report")
@shared_options("records", "fit", "rope", "out", "json")
@click.option("--title", default=TITLE, show_default=True, help="Heading of the page.")
@click.option(
    "--score/--no-score",
    default=True,
    show_default=True,
    help="Score the forecasts on the later games, which fits once more.",
)
@click.option(
    "--shared",
    is_flag=True,
    help="A page that may leave the staff: no players, small groups hidden.",
)
def command(title: str, score: bool, shared: bool, **given: Any) -> None:
    """Write the whole reading as one page: open it in a browser, or print it.

    The page needs no network and holds no script.
    """
    from transfer.cli.inputs import open_study
    from transfer.errors import ArgumentError

    study = open_study(given)
    if study.run.folder is None:
        raise ArgumentError(
            "there is no place for the report: --out is missing",
            rule="a report is kept in --out, or below runs/ in a season folder",
            next_step="add --out DIR",
        )
    page, reading = make_report(study, title, score, shared)
    kept = study.run.keep("report-shared.html" if shared else "report.html", page)
    if study.request.as_json:
        told = reading.to_dict()
        echo_json({"report": str(kept), "verdict": told["verdict"], "text": reading.text})
        return
    click.echo(reading.text)
    click.echo(f"\nReport: {kept}")


def make_report(study: Study, title: str, score: bool, shared: bool = False) -> tuple[str, Reading]:
    """Fit or load, read, score and render.

    Parameters
    ----------
    study : Study
        Records, cells and options.
    title : str
        Heading of the page.
    score : bool
        Whether to fit the early games once more and score forecasts of the later ones.
    shared : bool
        Whether the page may leave the staff.

    Returns
    -------
    str, Reading
        The page and the reading on it.
    """
    from transfer.cli.quality import charter_agreement, records_summary, session_spread
    from transfer.cli.scores import score_left_out, score_study
    from transfer.cli.screen import progress
    from transfer.decisions.reading import read_transfer
    from transfer.records.sessions import session_cells
    from transfer.reports.html import ReportContent, render_report

    posterior = study.fit()
    reading = read_transfer(posterior, study.cells, study.request.rope)
    scores = (score_study if score else score_left_out)(study, posterior)
    progress(study.request.as_json)("drawing the page")
    sessions = session_cells(study.records, study.request.settings)
    content = ReportContent(
        title=title,
        reading=reading,
        posterior=posterior,
        cells=study.cells,
        later_games=scores.later_games,
        left_out_player=scores.left_out_player,
        missing_scores=scores.missing,
        problems=study.records.quality,
        summary=records_summary(study.records, study.cells),
        remarks=[session_spread(sessions)[0], charter_agreement(study.records)],
        manifest=study.run.manifest,
        shared=shared,
    )
    return render_report(content), reading
