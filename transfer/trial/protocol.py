"""The one-page protocol: what is asked, how it is judged, what happens when things go wrong.

One list of sections feeds the HTML page and the text file, so that the two cannot differ.
"""

from __future__ import annotations

import textwrap

from transfer.trial.plan import TrialPlan, weekly_minutes
from transfer.trial.printing import plan_stamp, render
from transfer.verdict import (
    MAX_CONTRACTION_TO_TELL,
    MEASURED_CONTRACTION,
    PROBABILITY_AHEAD,
    PROBABILITY_EQUAL,
    PROBABILITY_LEANING,
)

__all__ = ["protocol_html", "protocol_sections", "protocol_text"]

TITLE = "Protocol of the practice trial"

DEFINITIONS = [
    "Rep: the shooter knows the shot before the ball comes and nobody tries to stop it (on-air, "
    "or guarded by a hand or pad that lets it go).",
    "Live: at least one defender tries to stop this shot and the shooter may still choose "
    "(trailing defender, rim protector, advantage start, small-sided game).",
    "Game attempt: a floater, runner or push shot released in an official game; a block is a "
    "miss, a fouled miss is no attempt. Practice attempts: shots released, by shooter.",
]
CHARTING = [
    "One named person charts minutes and attempts at practice and did not choose the mix. Games "
    "are charted from video by someone who does not know this week's mix. Before week 1 and at "
    "each look two people chart the same session alone and compare their labels (kappa).",
]
MISSING = [
    "Whatever happens, a player stays in the mix the lot gave. A missed week is charted as the "
    "minutes done, zero if none, with the reason. Players who leave are kept up to their last "
    "game and are not replaced; who joins later is charted but is not in the trial.",
]
CAUTIONS = [
    "One team-season can rarely tell; small samples cannot rank players. The worst shooters of "
    "one month improve without any drill. Practice gains may be practice performance only.",
    "More live work is more contact and more landings near feet: keep the landing space clear, "
    "chart jumps and live minutes, and let licensed medical staff decide on pain, load and "
    "return to play. A suspected concussion ends the session for that player, who is referred.",
    "Hours of practice follow the current rules of the governing body. Records hold codes, not "
    "names; the key is kept elsewhere; taking part is no condition of selection; with minors "
    "local law decides, and nobody is ranked in public.",
]


def protocol_sections(plan: TrialPlan) -> list[tuple[str, list[str]]]:
    """Headings with their paragraphs.

    Parameters
    ----------
    plan : TrialPlan
    """
    return [
        (
            "Question",
            [
                "Minute for minute, does live floater work build game shooting more than rep work? "
                f"Primary outcome: {plan.settings['primary_outcome']}. Check outcome, if recorded: "
                "free throws, which the mix should not move."
            ],
        ),
        ("What is done", [plan.text, _arms(plan)]),
        ("Definitions", DEFINITIONS),
        ("Who charts", CHARTING),
        ("How it is judged, fixed before the first practice", _judging(plan)),
        ("Looks and stopping", _looks(plan)),
        ("Missing weeks and players who leave", MISSING),
        ("Cautions", CAUTIONS),
    ]


def protocol_text(plan: TrialPlan) -> str:
    """Return the protocol as plain text, 96 columns wide."""
    lines = [TITLE, "=" * len(TITLE), ""]
    for heading, paragraphs in protocol_sections(plan):
        lines += [heading, "-" * len(heading)]
        lines += [textwrap.fill(paragraph, 96) for paragraph in paragraphs]
        lines.append("")
    lines.append(f"Plan hash (SHA-256): {plan.plan_hash}")
    return "\n".join(lines) + "\n"


def protocol_html(plan: TrialPlan) -> str:
    """Return the protocol as one HTML page for A4 or Letter paper."""
    return render(
        "protocol.html",
        title=TITLE,
        sections=protocol_sections(plan),
        plan_hash=plan.plan_hash,
        stamp=plan_stamp(plan),
    )


def _arms(plan: TrialPlan) -> str:
    live = weekly_minutes(plan.settings)
    total = plan.settings["minutes_per_week"]
    heavy, light = live["live_heavy"], live["rep_heavy"]
    closed = [
        week
        for week, block in zip(plan.calendar["week"], plan.calendar["block"], strict=True)
        if block < 0
    ]
    breaks = f" No practice is asked in week(s) {', '.join(map(str, closed))}." if closed else ""
    return (
        f"Live-heavy: {heavy:g} live and {total - heavy:g} rep minutes a week. Rep-heavy: "
        f"{light:g} live and {total - light:g} rep minutes. Both kinds use the same spots, and "
        f"both mixes get the same minutes.{breaks}"
    )


def _judging(plan: TrialPlan) -> list[str]:
    s = plan.settings
    low, high = s["rope"]
    return [
        f"The contrast is the difference in game make rate, in points (per 100 attempts), after "
        f"{s['horizon_weeks']} weeks of the live-heavy instead of the rep-heavy mix, from the "
        f"growth model with a half-life of {s['half_life_weeks']:g} weeks (2 and 8 shown beside "
        "it). As assigned comes first, as done second.",
        f"With c = the share of the starting uncertainty that is left, the first rule that "
        f"holds: c > {MAX_CONTRACTION_TO_TELL:g}: cannot tell. c <= {MEASURED_CONTRACTION:g} and "
        f"chance >= {PROBABILITY_EQUAL:g} that the contrast is between {low:g} and {high:g} "
        f"points: practically equal. c <= {MEASURED_CONTRACTION:g} and chance of its sign >= "
        f"{PROBABILITY_AHEAD:g}: ahead. Chance >= {PROBABILITY_LEANING:g}: leaning. Otherwise: "
        "unclear. A lot registered after the first game counts as chosen: leaning at most.",
    ]


def _looks(plan: TrialPlan) -> list[str]:
    weeks = plan.settings["looks"]
    planned = (
        f"The result is looked at once, after week {weeks[0]}."
        if len(weeks) == 1
        else f"The result is looked at after weeks {', '.join(map(str, weeks))}, by the same rule; "
        "the last look is the answer."
    )
    return [
        f"{planned} Other looks are marked as unplanned. The mix is not changed by a look. The "
        "trial stops early only for the players' sake (health, hours, consent); what was charted "
        "until then is analysed and the reason is written down."
    ]
