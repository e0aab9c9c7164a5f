"""The coach's page: what a make rate says, the week's minutes, the next session."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from transfer.mix import page as mix
from transfer.page import blocks, words
from transfer.page.blocks import Cell, Column, Section
from transfer.page.cautions import CAUTIONS
from transfer.page.style import setting_label
from transfer.reading import plain
from transfer.reading.conversion import Conversion

if TYPE_CHECKING:
    from transfer.reading.information import Information
    from transfer.reports.content import ReportContent

__all__ = ["coach_sections", "coach_verdict"]

_FOR_COACHES = (
    "The worst shooters get better anyway",
    "Live work means contact and landings",
    "Practice hours have limits",
)
#: Rates of the conversion table that one line of the page shows.
_RATES_SHOWN = 3


def coach_verdict(content: ReportContent) -> dict[str, Any]:
    """Headline and what it rests on."""
    reading = content.reading
    return {
        "statement": plain.headline(reading),
        "lines": [plain.used_sentence(reading)],
        "next_step": reading.next_step.text,
        "rows": [],
    }


def coach_sections(
    content: ReportContent, information: Information, conversion: Conversion | None
) -> list[Section]:
    """The sections of the coach's page, in order.

    Parameters
    ----------
    content : ReportContent
    information : Information
    conversion : Conversion or None
        None where small groups are hidden.

    Returns
    -------
    list of Section
    """
    return [
        _rates(conversion),
        Section(
            "attempts", "How much an attempt says", [blocks.text(plain.worth_sentence(information))]
        ),
        _week(content),
        _session(content),
        Section(
            "cautions",
            "Take care",
            [blocks.items(c for c in CAUTIONS if c.title in _FOR_COACHES)],
        ),
    ]


def _rates(conversion: Conversion | None) -> Section:
    title = "What a practice make rate says about games"
    if conversion is None:
        return Section("rates", title, [blocks.text("Hidden: fewer than 5 players.")])
    rows = []
    for setting, group in conversion.table.groupby("setting", sort=False):
        ordered = group.sort_values("practice_rate")
        last = len(ordered) - 1
        at = sorted({round(i * last / (_RATES_SHOWN - 1)) for i in range(_RATES_SHOWN)})
        cells = [
            Cell(
                f"{words.percent(r['practice_rate'])} → {words.percent(r['game_mean'])} "
                f"({words.span(r['game_low'], r['game_high'])})"
            )
            for r in ordered.iloc[at].to_dict(orient="records")
        ]
        cells += [Cell("")] * (_RATES_SHOWN - len(cells))
        rows.append(
            [Cell(f"{setting_label(str(setting))}, {ordered['attempts'].iloc[0]} attempts"), *cells]
        )
    level = f"{conversion.table['prob'].iloc[0]:.0%}"
    return Section(
        "rates",
        title,
        [
            blocks.table(
                f"Make rate in practice → expected make rate in games ({level} interval), for a "
                "player whose game rate is not known",
                [Column("Practice"), Column("Low"), Column("Usual"), Column("High")],
                [blocks.group(rows)],
            ),
        ],
    )


def _week(content: ReportContent) -> Section:
    facts = content.mix
    if facts is None:
        reason = content.mix_missing or "The week was not looked at."
        return Section("week", "The week", [blocks.text(reason)])
    if content.hides(facts.players):
        return Section("week", "The week", [blocks.text("Hidden: fewer than 5 players.")])
    sentences = (mix.now_sentence(facts), mix.advice_sentence(facts), mix.gain_sentence(facts))
    rows = [
        [
            Cell(setting_label(r["setting"])),
            Cell(words.number(r["minutes_now"], 0), right=True),
            Cell(words.number(r["attempts_per_minute"], 1), right=True),
            Cell(words.number(r["attempts_now"], 0), right=True),
        ]
        for r in facts.advice.table.to_dict(orient="records")
    ]
    return Section(
        "week",
        "The week",
        [
            blocks.text(" ".join(s for s in sentences if s)),
            blocks.table(
                "A player's week now",
                [
                    Column("Practice"),
                    Column("Minutes", True),
                    Column("Attempts a minute", True),
                    Column("Attempts", True),
                ],
                [blocks.group(rows)],
            ),
        ],
    )


def _session(content: ReportContent) -> Section:
    if content.session:
        return Section("session", "Next session", [blocks.text(content.session)])
    return Section(
        "session",
        "Next session",
        [
            blocks.text(
                "The plan of the next session, with pairings and a chart sheet, is a page of its "
                "own. To make it: transfer session --practice FILE --roster FILE --baskets 2 "
                "--minutes 30 --out FOLDER."
            )
        ],
    )
