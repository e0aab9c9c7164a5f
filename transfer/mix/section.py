"""The analyst's section on the weekly mix: advice, response with regret, assumptions."""

from __future__ import annotations

from collections.abc import Callable

from transfer.mix import figure_response as mix_response
from transfer.mix.page import MixFacts
from transfer.page import blocks, words
from transfer.page.blocks import Section
from transfer.page.style import setting_label

__all__ = ["mix_section"]


def mix_section(
    facts: MixFacts | None, missing: str, hide: Callable[[int], bool]
) -> Section | None:
    """Advice on the mix; None when it was not asked for.

    Parameters
    ----------
    facts : MixFacts or None
    missing : str
        Why there is none.
    hide : callable
        Whether a group of so many players is hidden.
    """
    title = "The weekly mix"
    if facts is None:
        return Section("mix", title, [blocks.text(missing)]) if missing else None
    if hide(facts.players):
        return Section("mix", title, [blocks.text("Hidden: fewer than 5 players.")])
    advice = facts.advice
    content: list[blocks.Block] = [blocks.text(advice.text)]
    if facts.reason:
        content.append(blocks.text(f"Starting assumption only: {facts.reason}."))
    table = advice.table.assign(setting=advice.table["setting"].map(setting_label))
    content.append(
        blocks.simple_table(
            table,
            "Minutes a player and week, and the pace",
            [
                ("setting", "Practice", str),
                ("minutes_now", "Minutes now", lambda v: words.number(v, 1)),
                ("minutes_best", "Largest expected gain", lambda v: words.number(v, 1)),
                ("attempts_per_minute", "Attempts a minute", lambda v: words.number(v, 2)),
                ("rate_source", "Pace from", str),
            ],
        )
    )
    content.append(
        blocks.figure(
            mix_response,
            facts.response(),
            "mix-response",
            "Expected gain over the present week with its band, and what is lost on average "
            "against the week that would be best if the truth were known.",
        )
    )
    content.append(
        blocks.simple_table(
            advice.sensitivity,
            "The best week under other assumed shapes and half-lives",
            [
                ("shape", "Shape", str),
                ("half_life_weeks", "Half-life, weeks", lambda v: words.number(v, 0)),
                ("rep_minutes", "Rep minutes", lambda v: words.number(v, 0)),
                ("live_minutes", "Live minutes", lambda v: words.number(v, 0)),
                ("gain_logit", "Gain, logit", lambda v: words.number(v, 3)),
                ("at_bound", "At a bound", lambda v: "yes" if v else "no"),
            ],
        )
    )
    return Section("mix", title, content)
