"""The reading report in three depths: one HTML file without outside reference, ready to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

import pandas as pd

from transfer.decisions.conversion import Conversion, conversion_table
from transfer.decisions.information import Information, read_information
from transfer.decisions.reading import Reading
from transfer.decisions.scoring import ScoreTable
from transfer.decisions.track_record import TrackRecord
from transfer.errors import ArgumentError
from transfer.files import write_text
from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.records.cells import GAME, Cells
from transfer.reports import assumptions, plain, sections, words
from transfer.reports.blocks import Section
from transfer.reports.coach import coach_sections, coach_verdict
from transfer.reports.director import director_sections, director_verdict
from transfer.reports.glossary import with_words
from transfer.reports.method import method_section, provenance_section
from transfer.reports.mix import MixFacts
from transfer.reports.mix_section import mix_section
from transfer.reports.track import track_section
from transfer.reports.what_if import WhatIf, what_if

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = [
    "AUDIENCES",
    "Audience",
    "ReportContent",
    "render_report",
    "render_sections",
    "write_report",
]

#: Who a report is for; decides its depth.
Audience = Literal["analyst", "coach", "director"]
AUDIENCES: tuple[Audience, ...] = get_args(Audience)

_TEMPLATES = Path(__file__).parent / "templates"


@dataclass(frozen=True)
class ReportContent:
    """Everything the reading report shows; nothing is estimated while the page is made.

    Parameters
    ----------
    title : str
        Heading of the page.
    reading : Reading
        From `transfer.decisions.reading.read_transfer`.
    posterior : TransferPosterior
        The fit.
    cells : Cells
        Its counts.
    information : Information or None
        Worth of attempts; worked out from the fit when omitted.
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
    session : str
        Where the plan of the next session is, for the coach.
    spots : DataFrame or None
        From `transfer.figures.court.frame`: charted spots, for the analyst.
    interactive : bool
        Whether the page has the what-if part, which is the only script.
    """

    title: str
    reading: Reading
    posterior: TransferPosterior
    cells: Cells
    information: Information | None = None
    conversion: Conversion | None = None
    later_games: ScoreTable | None = None
    left_out_player: ScoreTable | None = None
    missing_scores: Sequence[str] = ()
    problems: pd.DataFrame | None = None
    summary: Sequence[tuple[str, str]] = ()
    remarks: Sequence[str] = ()
    manifest: Mapping[str, Any] | None = field(default=None)
    prob: float = 0.90
    shared: bool = False
    audience: Audience = "analyst"
    priors: TransferPriors | None = None
    mix: MixFacts | None = None
    mix_missing: str = ""
    track: TrackRecord | None = None
    session: str = ""
    spots: pd.DataFrame | None = None
    interactive: bool = False

    def __post_init__(self) -> None:
        if self.audience not in AUDIENCES:
            raise ArgumentError(
                f"audience={self.audience!r}",
                rule=f"one of {', '.join(AUDIENCES)}",
                next_step="choose one of these depths",
            )

    def hides(self, players: int) -> bool:
        """Whether figures of a group of so many players are hidden on this page."""
        return self.shared and players < sections.SMALLEST_GROUP

    @property
    def hidden_settings(self) -> tuple[str, ...]:
        """Settings, games included, whose rates are hidden on this page."""
        counts = self.cells.table[self.cells.table["n"] > 0].groupby("setting")["unit"].nunique()
        return tuple(s for s in (*self.cells.settings, GAME) if self.hides(int(counts.get(s, 0))))


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    found = Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )
    found.filters["minus"] = words.minus
    return found


def render_sections(
    title: str,
    verdict: Mapping[str, Any],
    parts: Sequence[Section],
    *,
    audience: Audience = "analyst",
    question: str = "",
    interactive: WhatIf | None = None,
) -> str:
    """Put a verdict and sections into the page.

    Parameters
    ----------
    title : str
        Heading of the page.
    verdict : mapping
        ``statement``, ``lines``, ``next_step`` and ``rows`` (quantity, value, meaning).
    parts : sequence of Section
        In order.
    audience : {"analyst", "coach", "director"}
        Decides print sizes and whether there is a list of sections.
    question : str
        Below the heading.
    interactive : WhatIf or None
        The what-if part; it holds the page's only script.

    Returns
    -------
    str
        The whole HTML document.
    """
    from markupsafe import Markup

    def read(name: str) -> Markup:
        return Markup((_TEMPLATES / name).read_text(encoding="utf-8").strip())

    page = (
        _environment()
        .get_template("report.html.j2")
        .render(
            title=title,
            verdict=verdict,
            sections=list(parts),
            audience=audience,
            question=question,
            what_if=interactive,
            script=read("what_if.js") if interactive is not None else "",
            css=read("style.css"),
        )
    )
    return "\n".join(line.rstrip() for line in page.splitlines() if line.strip()) + "\n"


def _verdict(reading: Reading) -> dict[str, Any]:
    """Statement, remaining sentences and figures of a reading."""
    statement, *rest = words.sentences(reading.text.removesuffix(f"Next: {reading.next_step.text}"))
    return {
        "statement": statement,
        "lines": words.join_asides(rest),
        "next_step": reading.next_step.text,
        "rows": (
            []
            if reading.verdict is None
            else sections.verdict_rows(reading.verdict, reading.contrast_kind)
        ),
    }


def _without(conversion: Conversion, hidden: Sequence[str]) -> Conversion | None:
    """The conversion without hidden settings; None where nothing is left."""
    if not hidden:
        return conversion
    table = conversion.table[~conversion.table["setting"].isin(hidden)]
    if table.empty or GAME in hidden:
        return None
    text = "Settings with fewer than 5 players are hidden."
    return replace(conversion, table=table.reset_index(drop=True), text=text)


def _analyst_sections(
    content: ReportContent, information: Information, conversion: Conversion | None
) -> list[Section]:
    posterior, cells, prob = content.posterior, content.cells, content.prob
    one_by_one = [] if content.shared else [sections.players_section(posterior, cells, prob)]
    parts = [
        sections.settings_section(content.reading, posterior, prob, content.shared),
        sections.practice_game_section(
            posterior, cells, information, prob, points=not content.shared
        ),
        None if conversion is None else sections.conversion_section(conversion),
        *one_by_one,
        mix_section(content.mix, content.mix_missing, hide=content.hides),
        sections.forecast_section(
            content.later_games, content.left_out_player, content.missing_scores, content.shared
        ),
        track_section(content.track, points=not content.shared),
        sections.quality_section(
            sections.hide_small(content.summary, content.hidden_settings),
            content.problems,
            list(content.remarks),
            rows=not content.shared,
            spots=None if content.shared else content.spots,
        ),
        sections.cautions_section(),
        assumptions.assumptions_section(content.posterior, content.reading, content.priors),
        method_section(),
        provenance_section(
            content.reading.provenance, content.reading.diagnostics, content.manifest
        ),
    ]
    return [part for part in parts if part is not None]


_QUESTION = (
    "The question: what does a player's practice number tell about that player's game shooting, "
    "and do live numbers tell more than rep numbers? This page compares players with each other. "
    "It does not say which drill makes a player better."
)


def render_report(content: ReportContent) -> str:
    """Render the reading report in the depth of its audience.

    Parameters
    ----------
    content : ReportContent
        What to show.

    Returns
    -------
    str
        The HTML document; the same bytes for the same content.
    """
    posterior, cells, prob = content.posterior, content.cells, content.prob
    information = content.information or read_information(posterior, cells, prob=prob)
    conversion = None
    if content.audience != "director":
        full = content.conversion or conversion_table(posterior, cells, prob=prob)
        conversion = _without(full, content.hidden_settings)
    if content.audience == "director":
        verdict, question = director_verdict(content), plain.asked()
        parts = director_sections(content, information)
    elif content.audience == "coach":
        verdict, question = coach_verdict(content), ""
        parts = coach_sections(content, information, conversion)
    else:
        verdict, question = _verdict(content.reading), _QUESTION
        parts = _analyst_sections(content, information, conversion)
    script = what_if(content) if content.interactive and content.audience != "director" else None

    def page(everything: Sequence[Section]) -> str:
        return render_sections(
            content.title,
            verdict,
            everything,
            audience=content.audience,
            question=question,
            interactive=script,
        )

    return with_words(page, parts)


def write_report(content: ReportContent, path: Path | str) -> Path:
    """Render the reading report and write it whole.

    Parameters
    ----------
    content : ReportContent
        What to show.
    path : path
        Where the HTML file shall be.

    Returns
    -------
    Path

    Raises
    ------
    StorageError
        When the file cannot be written.
    """
    return write_text(path, render_report(content))
