"""The reading report in three depths: one HTML file without outside reference, ready to print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from transfer.forecast.section_scores import forecast_section
from transfer.forecast.section_track import track_section
from transfer.mix.section import mix_section
from transfer.page import words
from transfer.page.blocks import Section
from transfer.page.cautions import cautions_section
from transfer.page.document import render_sections
from transfer.page.glossary import with_words
from transfer.reading import plain, sections
from transfer.reading import section_assumptions as assumptions
from transfer.reading.conversion import Conversion, conversion_table
from transfer.reading.information import Information, read_information
from transfer.records.cells import GAME
from transfer.reports.coach import coach_sections, coach_verdict
from transfer.reports.content import ReportContent
from transfer.reports.director import director_sections, director_verdict
from transfer.reports.method import method_section, provenance_section
from transfer.reports.section_records import hide_small, quality_section
from transfer.reports.what_if import what_if

__all__ = ["render_report"]


def _verdict(content: ReportContent) -> dict[str, Any]:
    """Statement, remaining sentences and figures of a reading."""
    reading = content.reading
    statement, *rest = words.sentences(reading.text)
    later = words.sentences(f"Next: {reading.next_step.text}")
    return {
        "statement": statement,
        "lines": [
            *words.join_asides([sentence for sentence in rest if sentence not in later]),
            *content.since_lines,
        ],
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
    posterior, prob = content.posterior, content.prob
    one_by_one = (
        [] if content.shared else [sections.players_section(posterior, prob, content.season)]
    )
    parts = [
        sections.settings_section(content.reading, posterior, prob, content.shared),
        sections.practice_game_section(posterior, information, prob, points=not content.shared),
        None if conversion is None else sections.conversion_section(conversion),
        *one_by_one,
        mix_section(content.mix, content.mix_missing, hide=content.hides),
        forecast_section(
            content.later_games, content.left_out_player, content.missing_scores, content.shared
        ),
        track_section(content.track, content.track_missing, points=not content.shared),
        quality_section(
            hide_small(content.summary, content.hidden_modes),
            content.problems,
            list(content.remarks),
            rows=not content.shared,
            spots=None if content.shared else content.spots,
        ),
        cautions_section(),
        assumptions.assumptions_section(content.reading, content.priors),
        method_section(),
        provenance_section(
            content.reading.provenance,
            content.reading.diagnostics,
            content.manifest,
            content.shared,
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
    posterior, prob = content.posterior, content.prob
    information = content.information or read_information(content.verdict_fit, posterior, prob=prob)
    conversion = None
    if content.audience != "director":
        full = content.conversion or conversion_table(posterior, prob=prob)
        conversion = _without(full, content.hidden_settings)
    if content.audience == "director":
        verdict, question = director_verdict(content), plain.asked()
        parts = director_sections(content, information)
    elif content.audience == "coach":
        verdict, question = coach_verdict(content), ""
        parts = coach_sections(content, information, conversion)
    else:
        verdict, question = _verdict(content), _QUESTION
        parts = _analyst_sections(content, information, conversion)
    script = what_if(content) if content.interactive and content.audience != "director" else None

    def page(everything: Sequence[Section]) -> str:
        return render_sections(
            content.title,
            verdict,
            everything,
            audience=content.audience,
            question=question,
            stamp=content.stamp,
            interactive=script,
        )

    return with_words(page, parts)
