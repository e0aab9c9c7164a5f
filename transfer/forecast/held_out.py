"""Scoring forecasts on games they have not seen, for the commands that show such scores."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from transfer.errors import ArgumentError, DiagnosticsError
from transfer.forecast.game_only import game_cells
from transfer.forecast.leave_out import score_leave_player_out
from transfer.forecast.rolling_origin import (
    RollingSplit,
    held_out_games,
    rolling_origin_split,
    score_rolling_origin,
)
from transfer.forecast.scoring import ScoreTable
from transfer.models.alignment import require_passed
from transfer.models.posterior import TransferPosterior
from transfer.records.reading import read_records
from transfer.terminal.inputs import StudyRun, cells_of, fit_cells
from transfer.terminal.options import Request
from transfer.terminal.screen import progress

__all__ = ["Scores", "score_left_out", "score_later_file", "score_study"]


@dataclass(frozen=True)
class Scores:
    """Scores of the forecasts, each with the reason where one could not be had.

    Parameters
    ----------
    later_games : ScoreTable or None
        Five forecasts from the early games, scored on the later ones.
    left_out_player : ScoreTable or None
        Each player's games forecast by those who have not seen them.
    missing : tuple of str
        Why a score is missing, one sentence each.
    """

    later_games: ScoreTable | None
    left_out_player: ScoreTable | None
    missing: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "later_games": None if self.later_games is None else self.later_games.to_dict(),
            "left_out_player": (
                None if self.left_out_player is None else self.left_out_player.to_dict()
            ),
            "missing": list(self.missing),
        }


def _practice_before(practice: pd.DataFrame, split: RollingSplit) -> pd.DataFrame:
    """Practice rows before the cut of their program and season."""
    keys = [key for key in ("program", "season") if key in practice]
    group = practice[keys].astype(str).agg(" ".join, axis=1)
    cut = pd.to_datetime(group.map(split.cuts))
    return practice[cut.isna() | (pd.to_datetime(practice["date"]) < cut)]


def _without_practice(posterior: TransferPosterior, request: Request) -> TransferPosterior:
    """The same games fitted without practice: what practice has to beat."""
    require_passed(posterior.diagnostics)
    progress(request.as_json)("fitting the games alone, to compare the forecasts with")
    return fit_cells(game_cells(posterior.cells), request)


def score_early_against_late(study: StudyRun) -> ScoreTable:
    """Fit the early part of the season again and score the five forecasts on the rest.

    Raises
    ------
    ArgumentError
        When the games cannot be split by date.
    """
    games, practice = study.records.games, study.records.practice
    if games is None:
        raise ArgumentError(
            "there are no games in these records",
            rule="a score needs games",
            next_step="add a games file",
        )
    split = rolling_origin_split(games)
    early = replace(
        study.records,
        games=split.early,
        practice=None if practice is None else _practice_before(practice, split),
    )
    late = replace(study.records, games=split.late)
    cells = cells_of(early, study.request)
    progress(study.request.as_json)("fitting the early games again, to score the forecasts")
    posterior = fit_cells(cells, study.request)
    return score_rolling_origin(
        posterior,
        held_out_games(cells_of(late, study.request)),
        games=_without_practice(posterior, study.request),
    )


def score_left_out(study: StudyRun, posterior: TransferPosterior) -> Scores:
    """Score only by leaving players out; the games are fitted once more without practice."""
    try:
        games = _without_practice(posterior, study.request)
        return Scores(None, score_leave_player_out(posterior, games=games))
    except (ArgumentError, DiagnosticsError) as error:
        return Scores(None, None, (f"No score by leaving a player out: {error.message}.",))


def score_study(study: StudyRun, posterior: TransferPosterior) -> Scores:
    """Score by leaving players out and by forecasting the later games.

    Parameters
    ----------
    study : StudyRun
        Records, cells and options.
    posterior : TransferPosterior
        Fitted to all of the study's cells.
    """
    scores = score_left_out(study, posterior)
    try:
        return replace(scores, later_games=score_early_against_late(study))
    except (ArgumentError, DiagnosticsError) as error:
        reason = f"No score on later games: {error.message}."
        return replace(scores, missing=(*scores.missing, reason))


def score_later_file(study: StudyRun, posterior: TransferPosterior, later: Path) -> Scores:
    """Score the five forecasts of this fit on a file of games that came after.

    Raises
    ------
    RecordsError
        When the file has problems.
    ArgumentError
        When none of its players is in the fit.
    """
    found = read_records(games=later, rule_body=study.request.rule_body)
    held_out = held_out_games(cells_of(found, replace(study.request, settings=("mode",))))
    games = _without_practice(posterior, study.request)
    return Scores(score_rolling_origin(posterior, held_out, games=games), None)
