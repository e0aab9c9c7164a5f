"""Everything the reading report shows, before it is a page."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from transfer.errors import ArgumentError
from transfer.forecast.scoring import ScoreTable
from transfer.forecast.track_record import TrackRecord
from transfer.mix.page import MixFacts
from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.page.document import AUDIENCES, Audience
from transfer.page.stamp import stamp_line
from transfer.page.suppression import SMALLEST_GROUP
from transfer.reading.conversion import Conversion
from transfer.reading.information import Information
from transfer.reading.reading import Reading
from transfer.records.cells import GAME, Cells
from transfer.records.which_season import LATEST
from transfer.reports.since import Since

__all__ = ["ReportContent"]


@dataclass(frozen=True)
class ReportContent:
    """Everything the reading report shows; nothing is estimated while the page is made.

    Parameters
    ----------
    title : str
        Heading of the page.
    reading : Reading
        From `transfer.reading.reading.read_transfer`.
    posterior, verdict_fit : TransferPosterior
        The fit by setting, and the one that live against rep is judged with.
    information : Information or None
        Worth of attempts; worked out from the fits when omitted.
    conversion : Conversion or None
        Conversion table; worked out from the fit when omitted.
    later_games, left_out_player : ScoreTable or None
        Out-of-sample scores of the forecasts.
    missing_scores : sequence of str
        Why a score is missing.
    problems : DataFrame or None
        The checks' table of warnings and notes.
    summary : sequence of (str, str)
        What the records hold.
    remarks : sequence of str
        Sentences on the records, such as agreement of charters or over-dispersion.
    manifest : mapping or None
        Inputs and options of the run.
    season : str
        Season whose players are shown: its name, ``all``, or ``latest`` of each program.
    prob : float
        Probability of the intervals.
    shared : bool
        A page that may leave the staff: without players and without rows of the record files, and
        groups of fewer than 5 players hidden.
    audience : {"analyst", "coach", "director"}
        Depth of the page.
    priors : TransferPriors or None
        Starting assumptions of the fit, for the analyst.
    mix : MixFacts or None
        Weekly minutes and the advice on them.
    mix_missing : str
        Why there is none.
    track : TrackRecord or None
        What an earlier run forecast, and what happened.
    track_missing : str
        Why there is none, though there is an earlier run.
    since : Since or None
        What is new since the last report of the season folder.
    since_missing : str
        Why the last report cannot be compared.
    session : str
        Where the plan of the next session is, for the coach.
    session_blocks : DataFrame or None
        Its blocks, for the coach.
    program : str
        Program whose coach reads the page; empty for all.
    days : (str, str) or None
        First and last day of the records.
    printed : str
        Day on which the page was made; today when empty.
    spots : DataFrame or None
        From `transfer.reports.figure_court.frame`: charted spots, for the analyst.
    interactive : bool
        Whether the page has the what-if part, which is the only script.
    """

    title: str
    reading: Reading
    posterior: TransferPosterior
    verdict_fit: TransferPosterior
    information: Information | None = None
    conversion: Conversion | None = None
    later_games: ScoreTable | None = None
    left_out_player: ScoreTable | None = None
    missing_scores: Sequence[str] = ()
    problems: pd.DataFrame | None = None
    summary: Sequence[tuple[str, str]] = ()
    remarks: Sequence[str] = ()
    manifest: Mapping[str, Any] | None = field(default=None)
    season: str = LATEST
    prob: float = 0.90
    shared: bool = False
    audience: Audience = "analyst"
    priors: TransferPriors | None = None
    mix: MixFacts | None = None
    mix_missing: str = ""
    track: TrackRecord | None = None
    track_missing: str = ""
    since: Since | None = None
    since_missing: str = ""
    session: str = ""
    session_blocks: pd.DataFrame | None = None
    program: str = ""
    days: tuple[str, str] | None = None
    printed: str = ""
    spots: pd.DataFrame | None = None
    interactive: bool = False

    def __post_init__(self) -> None:
        if self.audience not in AUDIENCES:
            raise ArgumentError(
                f"audience={self.audience!r}",
                rule=f"one of {', '.join(AUDIENCES)}",
                next_step="choose one of these depths",
            )

    @property
    def cells(self) -> Cells:
        """Counts of the fit."""
        return self.posterior.cells

    @property
    def stamp(self) -> str:
        """What the page is about and what made it, in one line."""
        programs, seasons = (
            {str(label) for label in self.cells.table[name]} for name in ("program", "season")
        )
        made_by = self.reading.provenance
        return stamp_line(
            programs,
            seasons,
            self.days,
            printed=self.printed,
            version=made_by.versions["practice-transfer"],
            seed=made_by.seed,
        )

    @property
    def since_lines(self) -> list[str]:
        """One line on what is new since the last report; none where there was none."""
        text = self.since_missing if self.since is None else self.since.text
        return [text] if text else []

    def hides(self, players: int) -> bool:
        """Whether figures of a group of so many players are hidden on this page."""
        return self.shared and players < SMALLEST_GROUP

    @property
    def hidden_settings(self) -> tuple[str, ...]:
        """Settings, games included, whose rates are hidden on this page."""
        counts = self.cells.table[self.cells.table["n"] > 0].groupby("setting")["unit"].nunique()
        return tuple(s for s in (*self.cells.settings, GAME) if self.hides(int(counts.get(s, 0))))

    @property
    def hidden_modes(self) -> frozenset[str]:
        """Modes, games included, of the hidden settings."""
        modes = dict(zip(self.posterior.settings, self.posterior.modes, strict=True))
        return frozenset(modes.get(setting, GAME) for setting in self.hidden_settings)
