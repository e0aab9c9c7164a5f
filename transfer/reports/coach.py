"""The coach's page: what a make rate says, the week's minutes, the next session."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from transfer.forecast import figure_next_attempts as strips
from transfer.forecast.forecast import forecast_games
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
_NO_SESSION = "The next session was not planned yet."
#: Game attempts that the strips look at, and the most players they are drawn for.
_NEXT, _STRIPS = 50, 30
#: Rates of the conversion table that one line of the page shows.
_RATES_SHOWN = 3


def coach_verdict(content: ReportContent) -> dict[str, Any]:
    """What to do, chart and not conclude; then the headline and what it rests on."""
    reading, facts = content.reading, content.mix
    if facts is None or content.hides(facts.players):
        do = "Keep the week as it is: this page has nothing to say about another one."
    else:
        do = mix.advice_sentence(facts)
    return {
        "orders": [
            ("Do this", do),
            ("Chart this", reading.next_step.text),
            ("Do not conclude", plain.limits(reading, facts is not None)[0]),
        ],
        "statement": plain.headline(reading),
        "lines": [plain.used_sentence(reading), *content.since_lines],
        "next_step": "",
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
    """
    return [
        *_next_attempts(content),
        # Side by side, the rates of rep and live work would look like an answer.
        *([] if _sides_open(content) else [_rates(conversion)]),
        *_worth(content, information),
        _week(content),
        _session(content),
        Section(
            "cautions",
            "Take care",
            [blocks.items(c for c in CAUTIONS if c.title in _FOR_COACHES)],
        ),
    ]


def _next_attempts(content: ReportContent) -> list[Section]:
    """The strips of the reader's own players; none on a page that may leave the staff."""
    if content.shared or not content.posterior.diagnostics.passed:
        return []
    forecast = forecast_games(content.posterior, content.prob, next_attempts=_NEXT)
    table = strips.frame(forecast, content.program)
    if not 0 < len(table) <= _STRIPS:
        return []
    picture = blocks.figure(
        strips, table, "next",
        f"Strip: from how many to how many of the next {_NEXT} game attempts will go in "
        f"({words.percent(content.prob)} of the counts to come); line: the expected number. Where "
        "strips overlap, the order of the players is mostly chance.",
    )  # fmt: skip
    return [Section("next", f"The next {_NEXT} game attempts", [picture])]


def _sides_open(content: ReportContent) -> bool:
    """Whether the records leave open which of rep and live says more."""
    verdict = content.reading.verdict
    return verdict is not None and verdict.verdict in ("cannot_tell", "unclear")


def _worth(content: ReportContent, information: Information) -> list[Section]:
    if _sides_open(content):
        return []
    told = blocks.text(plain.worth_sentence(information))
    return [Section("attempts", "How much an attempt says", [told])]


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
        reason = "The week could not be planned from these records; the analyst's page says why."
        return Section("week", "The week", [blocks.text(reason)])
    if content.hides(facts.players):
        return Section("week", "The week", [blocks.text("Hidden: fewer than 5 players.")])
    # The advice stands on top; what another mix might bring matters here only where it is advised.
    changes = facts.advice.advice not in ("run the trial", "keep the mix")
    sentences = (mix.now_sentence(facts), mix.gain_sentence(facts) if changes else "")
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
    parts = [blocks.text(content.session or _NO_SESSION)]
    if content.session_blocks is not None:
        rows = [
            [
                Cell(f"{row['block']}. {row['title']}"),
                Cell(f"{row['start']}", right=True),
                Cell(f"{row['minutes']}", right=True),
                Cell(f"{row['attempts']:.0f}", right=True),
                Cell("by time" if pd.isna(row["target"]) else f"to {row['target']:.0f}"),
            ]
            for row in content.session_blocks.to_dict(orient="records")
        ]
        columns = [Column("Block"), Column("From minute", True), Column("Minutes", True),
                   Column("Shots each", True), Column("Ends")]  # fmt: skip
        parts.append(blocks.table("Blocks of the next session", columns, [blocks.group(rows)]))
    return Section("session", "Next session", parts)
