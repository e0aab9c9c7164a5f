"""From a study to everything a page shows: fit or load, read, score, look at the week."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from transfer.page.document import Audience
    from transfer.reports.content import ReportContent
    from transfer.terminal.inputs import StudyRun

__all__ = ["GAMES_THEN", "gather", "keep_for_next"]

#: Game counts behind a fit, in its run folder.
GAMES_THEN = "games_then.csv"


def keep_for_next(study: StudyRun, content: ReportContent) -> None:
    """Keep game counts, answer and forecasts, so that a later run can tell what moved."""
    from transfer.forecast.track_record import game_counts
    from transfer.records.exports import csv_text
    from transfer.reports.since import ANSWER_THEN, answer_table

    study.run.keep(GAMES_THEN, csv_text(game_counts(study.cells).astype(object)))
    answer = answer_table(study.records, content.reading, content.posterior)
    study.run.keep(ANSWER_THEN, csv_text(answer))


def since_last(study: StudyRun, reading: Any, posterior: Any) -> tuple[Any, str]:
    """What is new since the last report of the season folder, or why that cannot be told."""
    from transfer.errors import StorageError
    from transfer.reports.since import ANSWER_THEN, answer_table, read_answer, since
    from transfer.terminal.runs import last_run

    folder = last_run(study.run, ANSWER_THEN)
    if folder is None:
        return None, ""
    try:
        then = read_answer(folder / ANSWER_THEN)
    except StorageError as error:
        return None, f"What moved since the last report is not known: {error.message}."
    return since(folder.name, then, answer_table(study.records, reading, posterior)), ""


def last_track(study: StudyRun) -> tuple[Any, str]:
    """How the forecasts of the last report did, or why that cannot be told yet."""
    from transfer.errors import ArgumentError, DiagnosticsError, StorageError
    from transfer.terminal.runs import last_run

    folder = last_run(study.run, GAMES_THEN)
    if folder is None:
        return None, ""
    try:
        return track_of(folder, study), ""
    except (ArgumentError, DiagnosticsError, StorageError) as error:
        return None, f"The forecasts of {folder.name} are not judged: {error.message}."


def track_of(previous: Path, study: StudyRun) -> Any:
    """Hold the forecasts of an earlier run against the games of this one.

    Raises
    ------
    StorageError
        When the folder has no readable fit or no counts.
    ArgumentError
        When nobody of the earlier run has later games.
    """
    from transfer.forecast.track_record import read_game_counts, track_record
    from transfer.terminal.runs import load_run_fit

    earlier = load_run_fit(previous)
    then = read_game_counts(previous / GAMES_THEN)
    return track_record(earlier, then, study.cells, seed=study.request.seed)


def mix_of(study: StudyRun, program: str | None, assigned: bool, refit: bool) -> tuple[Any, str]:
    """The advice on the weekly mix, or why there is none.

    Parameters
    ----------
    study : StudyRun
    program : str or None
    assigned : bool
        Whether the mix was assigned by lot.
    refit : bool
        Whether to fit again under other shapes and half-lives.
    """
    from transfer.errors import ArgumentError, InfeasibleError, RecordsError
    from transfer.mix.measured import measure_mix
    from transfer.mix.season import advise_season

    request = study.request
    try:
        measured = measure_mix(study.records, request.settings, program=program)
    except (RecordsError, ArgumentError) as error:
        if program is not None:
            raise
        return None, f"The weekly mix is not shown: {error.message}. {_capital(error.next_step)}."
    try:
        facts = advise_season(
            study.records,
            measured,
            {"budget": request.budget_minutes},
            seed=request.seed,
            assigned=assigned,
            refit=refit,
        )
    except InfeasibleError as error:
        low, high = (sum(ends) for ends in zip(*measured.observed.values(), strict=True))
        return None, (
            f"The weekly mix is not shown: {error.message}. Set budget_minutes in transfer.toml to "
            f"between {low:.0f} and {high:.0f}, the minutes that players kept up, or leave it out "
            "to plan with the minutes charted lately."
        )
    return facts, ""


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def spots_of(study: StudyRun) -> Any:
    """Charted spots on the court of the season's rule body; None where none were charted."""
    from transfer.reports import figure_court as court

    practice = study.records.practice
    if practice is None or "spot" not in practice or practice["spot"].isna().all():
        return None
    return court.frame(practice, study.request.rule_body)


def gather(
    study: StudyRun,
    title: str,
    *,
    score: bool = False,
    shared: bool = False,
    audience: Audience = "analyst",
    program: str | None = None,
    assigned: bool = False,
    previous: Path | None = None,
    session: Path | None = None,
    season: str = "latest",
) -> ReportContent:
    """Fit or load, read and score: everything a page shows.

    Parameters
    ----------
    study : StudyRun
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
    season : str
        Season whose players are shown.
    """
    # The fit comes first: its first reading shall not wait for what the page needs.
    posterior, verdict_fit = study.fit(), study.fit("verdict")

    from transfer.forecast.held_out import score_left_out, score_study
    from transfer.models.predictive import posterior_predictive
    from transfer.page.stamp import days_of
    from transfer.reading.reading import read_transfer
    from transfer.reports.content import ReportContent
    from transfer.terminal.inputs import priors_of
    from transfer.terminal.quality import charter_agreement, records_summary, session_spread
    from transfer.terminal.screen import progress

    say = progress(study.request.as_json)
    priors = priors_of(study.request)
    reading = read_transfer(
        verdict_fit, posterior, study.request.rope_r2, priors=priors, assigned=assigned
    )
    scores = (score_study if score else score_left_out)(study, posterior)
    track, track_missing = None, ""
    if previous is not None:
        track = track_of(previous, study)
    elif audience == "analyst" and not shared:
        track, track_missing = last_track(study)
    moved, unmoved = (None, "") if shared else since_last(study, reading, posterior)
    say("looking at the week")
    mix, missing = mix_of(study, program, assigned, refit=audience == "analyst")
    say("drawing the page")
    fits = posterior_predictive(posterior, study.request.seed, players="new", draws=400)
    return ReportContent(
        title=title,
        season=season,
        reading=reading,
        posterior=posterior,
        verdict_fit=verdict_fit,
        later_games=scores.later_games,
        left_out_player=scores.left_out_player,
        missing_scores=scores.missing,
        problems=study.records.quality,
        summary=records_summary(study.records, study.cells),
        remarks=[
            session_spread(study.cells)[0],
            charter_agreement(study.records),
            fits.shared_text if shared else fits.text,
        ],
        manifest=study.run.manifest,
        shared=shared,
        audience=audience,
        priors=priors,
        mix=mix,
        mix_missing=missing,
        track=track,
        track_missing=track_missing,
        since=moved,
        since_missing=unmoved,
        session="" if session is None else session_sentence(session),
        session_blocks=None if session is None else session_blocks(session),
        program=program or "",
        days=days_of(study.records),
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


def session_blocks(folder: Path) -> Any:
    """The blocks of the next session; None where its table is not beside the page."""
    import pandas as pd

    path = folder / "session.csv"
    return pd.read_csv(path) if path.is_file() else None
