"""``transfer report``: the whole reading as a page, in the depth its reader wants."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.cli.frame import echo_json
from transfer.cli.options import shared_options

if TYPE_CHECKING:
    from transfer.cli.inputs import Study
    from transfer.reports.html import Audience, ReportContent

__all__ = ["command", "gather", "make_report"]

TITLE = "Practice and game shooting"


@click.command("report")
@shared_options("records", "fit", "rope", "out", "json")
@click.option(
    "--each-program",
    is_flag=True,
    help="A page for each program, from a fit of its own records alone.",
)
@shared_options("jobs", "cluster")
@click.option(
    "--for",
    "audience",
    type=click.Choice(["analyst", "coach", "director"]),
    default="analyst",
    show_default=True,
    help="Depth: everything, one page for the gym, or two pages for who decides.",
)
@click.option("--title", default=TITLE, show_default=True, help="Heading of the page.")
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
    title: str,
    score: bool,
    shared: bool,
    pdf: bool,
    program: str | None,
    assigned: bool,
    previous: Path | None,
    session: Path | None,
    each_program: bool,
    jobs: int | None,
    cluster: str | None,
    **given: Any,
) -> None:
    """Write the whole reading as one page: open it in a browser, or print it.

    The page needs no network. For analyst and coach it holds a small script, the what-if part;
    without script the same numbers stand in tables.
    """
    from transfer.cli.inputs import open_study
    from transfer.cli.screen import long_work, progress
    from transfer.errors import ArgumentError

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
    depth: dict[str, Any] = {"audience": audience, "shared": shared, "assigned": assigned}
    if each_program:
        show_each(study, title, name, pdf, jobs, cluster, score=score, **depth)
        return
    with long_work(study.request.as_json):
        content = gather(
            study, title, score, program=program, previous=previous, session=session, **depth
        )
        from transfer.reports.html import render_report

        page = render_report(content)
        kept = [study.run.keep(f"{name}.html", page)]
        keep_counts(study)
        if pdf:
            from transfer.reports.pdf import page_pdf

            progress(study.request.as_json)("drawing the PDF")
            kept.append(study.run.keep(f"{name}.pdf", page_pdf(page)))
    reading = content.reading
    if study.request.as_json:
        told = reading.to_dict()
        echo_json(
            {
                "report": str(kept[0]),
                "pdf": str(kept[1]) if pdf else None,
                "for": audience,
                "verdict": told["verdict"],
                "text": reading.text,
                "track_record": None if content.track is None else content.track.to_dict(),
            }
        )
        return
    click.echo(reading.text)
    if content.track is not None:
        click.echo(f"\n{content.track.text}")
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
    study: Study,
    title: str,
    name: str,
    pdf: bool,
    jobs: int | None,
    cluster: str | None,
    **options: Any,
) -> None:
    """Write one page per program, tell which failed, and leave with the failure's exit code."""
    from transfer.cli.each_program import one_page_each
    from transfer.cli.frame import report_error
    from transfer.cli.screen import long_work, notice

    with long_work(study.request.as_json):
        pages = one_page_each(study, title, name, pdf=pdf, workers=jobs, cluster=cluster, **options)
    if study.request.as_json:
        echo_json(pages.to_dict())
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


#: Game counts behind a fit, in its run folder.
GAMES_THEN = "games_then.csv"


def keep_counts(study: Study) -> None:
    """Keep the game counts behind the fit, so that a later run can tell what came after."""
    from transfer.decisions.track_record import game_counts
    from transfer.records.exports import csv_text

    study.run.keep(GAMES_THEN, csv_text(game_counts(study.cells).astype(object)))


def track_of(previous: Path, study: Study) -> Any:
    """Hold the forecasts of an earlier run against the games of this one.

    Raises
    ------
    StorageError
        When the folder has no readable fit or no counts.
    ArgumentError
        When nobody of the earlier run has later games.
    """
    from transfer.cli.runs import FIT_FILE
    from transfer.decisions.track_record import read_game_counts, track_record
    from transfer.models.storage import load_fit

    earlier = load_fit(previous / FIT_FILE)
    then = read_game_counts(previous / GAMES_THEN)
    return track_record(earlier, then, study.cells, seed=study.request.seed)


def mix_of(study: Study, program: str | None, assigned: bool, refit: bool) -> tuple[Any, str]:
    """The advice on the weekly mix, or why there is none.

    Parameters
    ----------
    study : Study
    program : str or None
    assigned : bool
        Whether the mix was assigned by lot.
    refit : bool
        Whether to fit again under other shapes and half-lives.
    """
    from transfer.decisions.mix import advise_mix
    from transfer.decisions.mix_limits import MixLimits
    from transfer.decisions.mix_records import growth_draws, measure_mix
    from transfer.errors import ArgumentError, RecordsError
    from transfer.reports.mix import MixFacts

    request = study.request
    try:
        measured = measure_mix(study.records, request.settings, program=program)
    except (RecordsError, ArgumentError) as error:
        if program is not None:
            raise
        return None, f"The weekly mix is not shown: {error.message}. {_capital(error.next_step)}."
    draws = growth_draws(study.records, seed=request.seed, randomised=assigned)
    now = sum(measured.current.values())
    budget = now if request.season is None else request.season.budget_minutes
    advice = advise_mix(
        draws.growth,
        draws.prior,
        measured.current,
        measured.rates,
        MixLimits(budget, observed=measured.observed),
        measured.game_rate,
        draws.provenance,
        start=measured.start,
        refit=draws.refit if refit else None,
        assigned=assigned,
    )
    return MixFacts(advice, draws.growth, measured.players, draws.reason), ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def spots_of(study: Study) -> Any:
    """Charted spots on the court of the season's rule body; None where none were charted."""
    from transfer.figures import court

    practice = study.records.practice
    if practice is None or "spot" not in practice or practice["spot"].isna().all():
        return None
    return court.frame(practice, study.request.rule_body)


def gather(
    study: Study,
    title: str,
    score: bool,
    *,
    shared: bool = False,
    audience: Audience = "analyst",
    program: str | None = None,
    assigned: bool = False,
    previous: Path | None = None,
    session: Path | None = None,
) -> ReportContent:
    """Fit or load, read and score: everything a page shows.

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
    audience : {"analyst", "coach", "director"}
    program : str, optional
        Program whose week is shown.
    assigned : bool
        Whether the mix was assigned by lot.
    previous, session : Path, optional
        Folder of an earlier run, and of the next session's plan.

    Returns
    -------
    ReportContent
    """
    # The fit comes first: its first reading shall not wait for what the page needs.
    posterior = study.fit()

    from transfer.cli.inputs import priors_of
    from transfer.cli.quality import charter_agreement, records_summary, session_spread
    from transfer.cli.scores import score_left_out, score_study
    from transfer.cli.screen import progress
    from transfer.decisions.reading import read_transfer
    from transfer.models.predictive import posterior_predictive
    from transfer.records.sessions import session_cells
    from transfer.reports.html import ReportContent

    say = progress(study.request.as_json)
    reading = read_transfer(posterior, study.cells, study.request.rope, assigned=assigned)
    scores = (score_study if score else score_left_out)(study, posterior)
    track = None if previous is None else track_of(previous, study)
    say("looking at the week")
    mix, missing = mix_of(study, program, assigned, refit=audience == "analyst")
    say("drawing the page")
    sessions = session_cells(study.records, study.request.settings)
    fits = posterior_predictive(
        posterior, study.cells, study.request.seed, players="new", draws=400
    )
    return ReportContent(
        title=title,
        reading=reading,
        posterior=posterior,
        cells=study.cells,
        later_games=scores.later_games,
        left_out_player=scores.left_out_player,
        missing_scores=scores.missing,
        problems=study.records.quality,
        summary=records_summary(study.records, study.cells),
        remarks=[
            session_spread(sessions)[0],
            charter_agreement(study.records),
            fits.shared_text if shared else fits.text,
        ],
        manifest=study.run.manifest,
        shared=shared,
        audience=audience,
        priors=priors_of(study.request),
        mix=mix,
        mix_missing=missing,
        track=track,
        session="" if session is None else session_sentence(session),
        spots=spots_of(study),
        interactive=True,
    )


def session_sentence(folder: Path) -> str:
    """Where the next session is.

    Raises
    ------
    ArgumentError
        When the folder holds no session page.
    """
    from transfer.errors import ArgumentError

    if not (folder / "session.html").is_file():
        raise ArgumentError(
            f"--session {folder} holds no session.html",
            rule="the folder that transfer session wrote with --out",
            next_step="run transfer session --out FOLDER first",
        )
    return (
        f"The next session is on its own page, session.html in {folder.name}, with a chart sheet."
    )


def make_report(
    study: Study, title: str, score: bool, *, assigned: bool = False
) -> tuple[str, ReportContent]:
    """Gather and render the analyst's page; see `gather`.

    Returns
    -------
    str, ReportContent
        The page and what is on it.
    """
    from transfer.reports.html import render_report

    content = gather(study, title, score, assigned=assigned)
    return render_report(content), content
