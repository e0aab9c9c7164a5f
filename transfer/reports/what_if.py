"""The what-if part of a page: a slider over the mix and a player picker, with the data inside.

Everything it shows is worked out here and put into the page as JSON; the script only looks it up.
The same numbers stand in tables for readers without script and on paper.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from transfer.models.estimates import player_estimates
from transfer.page import words
from transfer.page.document import WhatIf
from transfer.page.embedded import safe_json
from transfer.page.style import setting_label
from transfer.records.cells import GAME
from transfer.records.which_season import in_season

if TYPE_CHECKING:
    from transfer.reports.content import ReportContent

__all__ = ["what_if"]

#: Rows of the table that stands for the slider.
_TABLE_ROWS = 7


def _mix_rows(table: pd.DataFrame) -> list[list[str]]:
    return [
        [
            words.number(r["rep"], 0),
            words.number(r["live"], 0),
            words.number(r["gain"], 1),
            words.interval(r["low"], r["high"], 1),
            "same as now" if r["gain"] == r["low"] == r["high"] == 0 else words.chance(r["beats"]),
        ]
        for r in table.to_dict(orient="records")
    ]


def _players(content: ReportContent) -> list[tuple[str, list[tuple[str, str, str]]]]:
    estimates = player_estimates(content.posterior, content.prob)
    estimates = estimates[in_season(estimates, content.season)]
    several = estimates[["program", "season"]].drop_duplicates().shape[0] > 1
    found = []
    for unit, rows in estimates.groupby("unit", sort=True):
        first = rows.iloc[0]
        label = str(first["player"])
        if several:
            label = str(unit).replace("/", ", ")
        by_setting = {r["setting"]: r for r in rows.to_dict(orient="records")}
        lines = []
        for setting in (*content.posterior.settings, GAME):
            r = by_setting[setting]
            counts = f"{r['y']} of {r['n']}" if r["n"] else "none charted"
            estimate = f"{words.percent(r['mean'])} ({words.span(r['low'], r['high'])})"
            lines.append((setting_label(setting), estimate, counts))
        found.append((label, lines))
    return found


def what_if(content: ReportContent) -> WhatIf | None:
    """The what-if part of a page; None where there is neither a mix nor a player to show.

    Parameters
    ----------
    content : ReportContent
    """
    facts = content.mix
    if facts is not None and content.hides(facts.players):
        facts = None
    mix: list[list[str]] = []
    start, level = 0, ""
    if facts is not None:
        response = facts.response()
        start = int((response["live"] - response["now"]).abs().to_numpy().argmin())
        mix, level = _mix_rows(response), f"{response['prob'].iloc[0]:.0%}"
    people = [] if content.shared else _players(content)
    if not mix and not people:
        return None
    last = len(mix) - 1
    shown = sorted({start, *(round(i * last / (_TABLE_ROWS - 1)) for i in range(_TABLE_ROWS))})
    return WhatIf(
        data=safe_json({"mix": mix, "players": [lines for _, lines in people]}),
        start=start,
        steps=len(mix),
        mix_rows=[mix[i] for i in shown] if mix else [],
        mix_level=level,
        players=people,
        level=f"{content.prob:.0%}",
    )
