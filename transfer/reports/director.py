"""The director's two pages: asked, found, how sure, cost in minutes, next, what not to claim."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from transfer.mix import page as mix
from transfer.page import blocks, words
from transfer.page.blocks import Cell, Column, Section
from transfer.page.cautions import CAUTIONS
from transfer.reading import figure_shares as shares
from transfer.reading import plain

if TYPE_CHECKING:
    from transfer.reading.information import Information
    from transfer.reports.content import ReportContent

__all__ = ["director_sections", "director_verdict", "minutes_table"]

#: Cautions that someone who decides about money, hours and records has to know.
_FOR_DIRECTORS = (
    "Live work means contact and landings",
    "Practice hours have limits",
    "Player records are personal data",
)


def director_verdict(content: ReportContent) -> dict[str, Any]:
    """Headline and what it rests on; the next step has a section of its own."""
    reading = content.reading
    return {
        "statement": plain.headline(reading),
        "lines": [plain.used_sentence(reading), *content.since_lines],
        "next_step": "",
        "rows": [],
    }


def director_sections(content: ReportContent, information: Information) -> list[Section]:
    """The sections of the director's pages, in order.

    Parameters
    ----------
    content : ReportContent
    information : Information
        Worth of attempts and minutes.
    """
    return [
        _found(content),
        _how_sure(content),
        _cost(content, information),
        _next(content),
        Section(
            "limits",
            "What cannot be claimed",
            [
                blocks.items(
                    {"text": claim}
                    for claim in plain.limits(content.reading, content.mix is not None)
                )
            ],
        ),
        Section(
            "cautions",
            "Take care",
            [blocks.items(c for c in CAUTIONS if c.title in _FOR_DIRECTORS)],
        ),
    ]


def _found(content: ReportContent) -> Section:
    picture = blocks.figure(
        shares,
        shares.frame(content.reading),
        "shares",
        "Line: the interval after the records, with the estimate on it. Grey: what the starting "
        "assumption alone allows. A line as long as its grey bar has learned little.",
    )
    return Section(
        "found",
        "What was found",
        [blocks.items({"text": s} for s in plain.share_sentences(content.reading)), picture],
    )


def _how_sure(content: ReportContent) -> Section:
    parts = [{"text": s} for s in plain.sure_sentences(content.reading.verdict)]
    if content.later_games is not None:
        scores = content.later_games
        parts.append({"text": scores.shared_text if content.shared else scores.text})
    if content.track is not None:
        parts.append({"text": content.track.text})
    if not parts:
        parts = [{"text": "With one kind of work charted there is nothing to compare."}]
    return Section("sure", "How sure", [blocks.items(parts)])


def minutes_table(content: ReportContent) -> blocks.Block | None:
    """Charted minutes by setting; small groups are hidden where the page may leave the staff."""
    table = plain.charted_minutes(content.cells)
    if table.empty:
        return None
    rows = []
    for record in table.to_dict(orient="records"):
        hide = content.hides(record["players"])
        values = (
            f"{record['players']:,}",
            f"{record['minutes']:,.0f}",
            f"{record['minutes_a_player']:,.0f}",
            words.number(record["attempts_per_minute"], 1),
        )
        rows.append(
            [Cell(record["label"]), *(Cell("hidden" if hide else v, right=True) for v in values)]
        )
    return blocks.table(
        "Practice minutes that were charted",
        [
            Column("Practice"),
            Column("Players", True),
            Column("Minutes, all players", True),
            Column("Minutes a player", True),
            Column("Attempts a minute", True),
        ],
        [blocks.group(rows)],
    )


def _cost(content: ReportContent, information: Information) -> Section:
    table = minutes_table(content)
    content_blocks: list[blocks.Block] = []
    if table is None:
        content_blocks.append(
            blocks.text(
                "Minutes were not charted, so the cost is not known. Write down the minutes of "
                "each drill."
            )
        )
    else:
        content_blocks.append(table)
        content_blocks.append(blocks.text(plain.worth_sentence(information)))
    if content.mix is not None and not content.hides(content.mix.players):
        content_blocks.append(blocks.text(mix.now_sentence(content.mix)))
    return Section("cost", "Cost in minutes", content_blocks)


def _next(content: ReportContent) -> Section:
    parts = [{"text": content.reading.next_step.text}]
    facts = content.mix
    if facts is not None and not content.hides(facts.players):
        for sentence in (mix.advice_sentence(facts), mix.gain_sentence(facts)):
            if sentence:
                parts.append({"text": sentence})
    if facts is None or facts.advice.advice == "run the trial":
        parts.append(
            {
                "text": "Whether live or rep work makes players better in games is another "
                "question, and these records were not made to answer it. A trial does: one half of "
                "the players starts with mostly live work, the other with mostly rep work, drawn "
                "by lot, and they swap at the middle of the season. It moves minutes from one kind "
                "of work to the other and adds none."
            }
        )
    return Section("next", "What next", [blocks.items(parts)])
