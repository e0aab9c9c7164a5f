"""Pages of a trial: what a plan can tell and what was found, figures with their tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pandas as pd

from transfer.page import blocks, words
from transfer.page.blocks import Section
from transfer.page.document import render_sections
from transfer.page.glossary import with_words
from transfer.page.stamp import stamp_line
from transfer.page.style import setting_label
from transfer.trial import figure_answer as answer
from transfer.trial import figure_dose as dose
from transfer.trial import figure_until_known as until_known
from transfer.trial.adherence import Adherence
from transfer.trial.analysis import TrialAnalysis
from transfer.trial.assurance import UntilWeKnow
from transfer.trial.plan import TrialPlan
from transfer.trial.printing import plan_stamp
from transfer.trial.protocol import CAUTIONS

__all__ = [
    "adherence_section",
    "analysis_page",
    "answer_section",
    "expectation_section",
    "plan_page",
]

_ASKED = (
    "The question: minute for minute, does live floater work build game shooting more than rep "
    "work? Points are points of game make rate (makes per 100 attempts) after eight weeks of the "
    "live-heavy instead of the rep-heavy mix."
)


def plan_page(plan: TrialPlan, curve: UntilWeKnow, notes: Sequence[str]) -> str:
    """What the plan can be expected to tell, before the first practice.

    Parameters
    ----------
    plan : TrialPlan
    curve : UntilWeKnow
        From `transfer.trial.precision.curve_of_plan`.
    notes : sequence of str
        From `transfer.trial.precision.plan_warnings`.

    Returns
    -------
    str
        The whole HTML document; the same bytes for the same plan.
    """
    verdict = {"statement": curve.text, "lines": list(notes), "next_step": "", "rows": []}
    parts = [expectation_section(curve), _cautions(), _made(plan, curve)]
    return _page("What this trial can tell", verdict, parts, plan_stamp(plan))


def expectation_section(curve: UntilWeKnow) -> Section:
    """Chance of a settled verdict by weeks and team-seasons: the figure and its table.

    Parameters
    ----------
    curve : UntilWeKnow
        From `transfer.trial.assurance.until_we_know`.
    """
    table = until_known.frame(curve)
    wide = table.pivot(index="weeks", columns="team_seasons", values="knowing")
    sizes = list(wide.columns)
    shown = wide.set_axis([f"t{size}" for size in sizes], axis=1).reset_index()
    return Section(
        "until-we-know",
        "How long until we know",
        [
            blocks.text(
                "Chance of a settled verdict (ahead, or practically equal) for a true difference "
                "drawn from the starting assumption. Chances of what the trial will say, not of "
                "which mix is better."
            ),
            blocks.figure(
                until_known,
                table,
                "until-we-know-figure",
                "One line for each number of team-seasons that run the same plan; the pale line "
                "is an even chance.",
            ),
            blocks.simple_table(
                shown,
                "The figure in numbers: chance of a settled verdict after so many weeks",
                [
                    ("weeks", "Weeks", str),
                    *((f"t{s}", f"{s:.0f} team-season{'s' * (s != 1)}", _chance) for s in sizes),
                ],
            ),
        ],
    )


def analysis_page(analysis: TrialAnalysis, days: tuple[str, str] | None = None) -> str:
    """The answer of a trial or of a log without one, with what it rests on.

    Parameters
    ----------
    analysis : TrialAnalysis
        From `transfer.trial.analysis.analyse_trial`.
    days : (str, str), optional
        First and last day of the records.

    Returns
    -------
    str
        The whole HTML document. It names player codes where the adherence text does: a page for
        the staff.
    """
    statement, *rest = words.sentences(analysis.report[0])
    verdict = {"statement": statement, "lines": rest, "next_step": "", "rows": []}
    parts = [
        answer_section(analysis),
        None if analysis.adherence is None else adherence_section(analysis.adherence),
        _assumptions(analysis),
        Section("sentences", "In words", [blocks.text(line) for line in analysis.report[1:]]),
        _cautions(),
        Section(
            "provenance", "What made this page", [blocks.pairs(_provenance(analysis))], "provenance"
        ),
    ]
    programs = () if analysis.plan is None else {str(p) for p in analysis.plan.table["program"]}
    stamp = stamp_line(programs, days=days, seed=analysis.provenance.seed)
    return _page("The practice trial", verdict, [p for p in parts if p is not None], stamp)


def answer_section(analysis: TrialAnalysis) -> Section:
    """The answer as a picture, and the numbers of every reading.

    Parameters
    ----------
    analysis : TrialAnalysis
        From `transfer.trial.analysis.analyse_trial`.
    """
    return Section(
        "readings",
        "The answer",
        [
            blocks.figure(
                answer,
                answer.frame(analysis),
                "answer-figure",
                "Dark: the answer. Pale above it: what was assumed before any record; where the "
                "two are nearly alike, the records have said little. Grey band: differences that "
                "would not matter, stated beforehand.",
            ),
            *_numbers(analysis),
        ],
    )


def adherence_section(found: Adherence) -> Section:
    """Planned against done: the figure and its table by arm and week.

    Parameters
    ----------
    found : Adherence
        From `transfer.trial.adherence.adherence`.

    Returns
    -------
    Section
        Words only where no practised week was charted.
    """
    table = dose.frame(found)
    content: list[blocks.Block] = [blocks.text(found.text)]
    if len(table):
        content += [
            blocks.figure(
                dose,
                table,
                "dose-figure",
                "Above: live share of the minutes; small dots are players, large marks the mean of "
                "an arm, dashed lines the plan. Below: charted minutes a player.",
            ),
            _weekly_numbers(table),
        ]
    return Section("adherence", "Planned and done", content)


def _weekly_numbers(table: pd.DataFrame) -> blocks.Block:
    """The figure's numbers: one row a week, the arms side by side."""
    values = {"planned": "planned_share", "done": "done_share", "minutes": "done_minutes"}
    writes = {
        "planned": words.percent,
        "done": words.percent,
        "minutes": lambda v: words.number(v, 0),
    }
    weekly = table.groupby("week").agg(players=("player", "size"), other=("other_side", "sum"))
    columns: list[tuple[str, str, Any]] = [("week", "Week", str)]
    for arm, rows in table.groupby("arm", sort=True):
        for name, value in values.items():
            weekly[f"{arm} {name}"] = rows.groupby("week")[value].mean()
            title = f"{setting_label(str(arm))}: {name}"
            columns.append((f"{arm} {name}", title, writes[name]))
    columns += [("players", "Players", str), ("other", "On the other side", str)]
    return blocks.simple_table(
        weekly.reset_index(),
        "The figure in numbers: live share planned and done, and charted minutes, means of the "
        "players who practised that week",
        columns,
    )


def _numbers(analysis: TrialAnalysis) -> list[blocks.Block]:
    return [
        blocks.simple_table(
            _with_range(analysis.table),
            "Live-heavy minus rep-heavy, points; 90% equal-tailed intervals of the expected rate",
            [
                ("reading", "Reading", str),
                ("mean", "Points", _points),
                ("range", "90% interval", str),
                ("probability", "Chance of its sign", _chance),
                ("prior_probability", "Before the records", _chance),
                ("contraction", "Starting uncertainty left", words.percent),
                ("verdict", "Verdict", _word),
            ],
        ),
        blocks.simple_table(
            _with_range(analysis.effects),
            "Per minute and per attempt can disagree: both chances before and after the records",
            [
                ("wording", "Comparison", str),
                ("range", "90% interval, points", str),
                ("probability_live_better", "Chance live is better", _chance),
                ("prior_probability_live_better", "Before the records", _chance),
            ],
        ),
    ]


def _assumptions(analysis: TrialAnalysis) -> Section | None:
    content = []
    if len(analysis.sensitivity):
        content.append(
            blocks.simple_table(
                _with_range(analysis.sensitivity),
                "The same records under other assumptions, points",
                [
                    ("assumption", "Assumption", str),
                    ("value", "Value", str),
                    ("range", "90% interval", str),
                    ("probability", "Chance of its sign", _chance),
                    ("verdict", "Verdict", _word),
                ],
            )
        )
    if len(analysis.looks) > 1:
        content.append(
            blocks.simple_table(
                _with_range(analysis.looks),
                "At the planned looks, points",
                [
                    ("week", "After week", str),
                    ("range", "90% interval", str),
                    ("probability", "Chance of its sign", _chance),
                    ("verdict", "Verdict", _word),
                ],
            )
        )
    return Section("other-assumptions", "Under other assumptions", content) if content else None


def _cautions() -> Section:
    return Section("cautions", "Before you act on this", [blocks.text(line) for line in CAUTIONS])


def _made(plan: TrialPlan, curve: UntilWeKnow) -> Section:
    s = curve.scenario
    return Section(
        "assumed",
        "What this page assumes",
        [
            blocks.text(
                "From the calendar of the plan and a normal approximation, before any outcome; "
                "no games are counted in a break. Scenario values: enter your own with "
                "transfer trial assurance."
            ),
            blocks.pairs(
                [
                    ("players of a team", str(s.players)),
                    ("weeks, breaks included", str(s.weeks)),
                    ("shooting minutes a player and week", f"{s.minutes:g}"),
                    ("game attempts a player and week", f"{s.game_attempts:g}"),
                    ("game make rate", words.percent(s.game_rate)),
                    ("spread of players", f"{s.player_sd:g} logit"),
                    ("half-life", f"{s.settings.half_life:g} weeks"),
                    ("plan (SHA-256)", plan.plan_hash),
                    ("lot", plan.registration),
                ]
            ),
        ],
        "provenance",
    )


def _provenance(analysis: TrialAnalysis) -> list[tuple[str, str]]:
    made = analysis.provenance
    plan = "none: the mix was chosen" if analysis.plan is None else analysis.plan.plan_hash
    registered = [] if analysis.plan is None else [("lot", analysis.plan.registration)]
    return [
        ("plan (SHA-256)", plan),
        *registered,
        ("cells (SHA-256)", made.data_hash),
        ("seed", str(made.seed)),
        *((name, str(version)) for name, version in made.versions.items()),
    ]


def _page(title: str, verdict: dict[str, Any], parts: Sequence[Section], stamp: str) -> str:
    def page(everything: Sequence[Section]) -> str:
        return render_sections(title, verdict, everything, question=_ASKED, stamp=stamp)

    return with_words(page, parts)


def _with_range(table: pd.DataFrame) -> pd.DataFrame:
    ranges = [
        words.interval(low, high, 1) for low, high in zip(table["low"], table["high"], strict=True)
    ]
    return table.assign(range=ranges)


def _points(value: float) -> str:
    return words.number(value, 1)


def _chance(value: float) -> str:
    return words.number(value) if value != value else words.chance(value)


def _word(verdict: str) -> str:
    return str(verdict).replace("_", " ")
