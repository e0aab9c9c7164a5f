"""The reading report: one HTML file without script or outside reference, ready to print."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from transfer.decisions.conversion import Conversion, conversion_table
from transfer.decisions.information import Information, read_information
from transfer.decisions.reading import Reading
from transfer.decisions.scoring import ScoreTable
from transfer.files import write_text
from transfer.models.posterior import TransferPosterior
from transfer.records.cells import Cells
from transfer.reports import sections, words
from transfer.reports.blocks import Section
from transfer.reports.method import method_section, provenance_section

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["ReportContent", "render_report", "render_sections", "write_report"]

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


@cache
def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )


def render_sections(title: str, verdict: Mapping[str, Any], parts: Sequence[Section]) -> str:
    """Put a verdict and sections into the page.

    Parameters
    ----------
    title : str
        Heading of the page.
    verdict : mapping
        ``statement``, ``lines``, ``next_step`` and ``rows`` (quantity, value, meaning).
    parts : sequence of Section
        In order.

    Returns
    -------
    str
        The whole HTML document.
    """
    from markupsafe import Markup

    css = (_TEMPLATES / "style.css").read_text(encoding="utf-8").strip()
    template = _environment().get_template("report.html.j2")
    page = template.render(title=title, verdict=verdict, sections=list(parts), css=Markup(css))
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


def render_report(content: ReportContent) -> str:
    """Render the reading report.

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
    conversion = content.conversion or conversion_table(posterior, cells, prob=prob)
    one_by_one = [] if content.shared else [sections.players_section(posterior, cells, prob)]
    parts = [
        sections.settings_section(content.reading, posterior, prob, content.shared),
        sections.practice_game_section(
            posterior, cells, information, prob, points=not content.shared
        ),
        sections.conversion_section(conversion),
        *one_by_one,
        sections.forecast_section(
            content.later_games, content.left_out_player, content.missing_scores
        ),
        sections.quality_section(
            list(content.summary),
            content.problems,
            list(content.remarks),
            rows=not content.shared,
        ),
        sections.cautions_section(),
        method_section(),
        provenance_section(
            content.reading.provenance, content.reading.diagnostics, content.manifest
        ),
    ]
    return render_sections(content.title, _verdict(content.reading), parts)


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
