"""The sheet to fill in: exactly the columns that the checks read, as far filled in as planned."""

from __future__ import annotations

from typing import Any

import pandas as pd

from transfer.records.schema import PRACTICE
from transfer.session.plan import SessionPlan

__all__ = ["COLUMNS", "chart_sheet"]

#: Columns of the practice table for counted rows; those of one row per attempt are left out.
COLUMNS = tuple(name for name in PRACTICE.names if name not in ("made", "attempt"))
TRAITS = ("side", "hand", "entry", "footwork", "spot")


def chart_sheet(
    plan: SessionPlan, date: str, session: str = "1", program: str = "", season: str = ""
) -> pd.DataFrame:
    """Rows to fill in with attempts and makes.

    Parameters
    ----------
    plan : SessionPlan
    date : str
        Day of the session, year-month-day.
    session, program, season : str
        As in the records.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`; blanks are for the charter. Rep blocks: a row per player and task, or
        per player where a target ends the set. Live blocks: a row per turn of the shooter, and a
        row of 0 attempts for who only defended, so that his minutes count. Free live play: a row
        per player, its contest to be written in.
    """
    common = {"date": date, "session": session, "program": program, "season": season}
    rows: list[dict[str, Any]] = []
    for row in plan.blocks.to_dict(orient="records"):
        block = {str(name): value for name, value in row.items()}
        fixed = {
            **common,
            "drill": block["drill"],
            "mode": block["mode"],
            "contest": block["contest"],
            "order": block["order"],
        }
        if block["mode"] == "rep":
            rows.extend(_rep_rows(plan, block, fixed))
        elif block["contest"]:
            rows.extend(_live_rows(plan, block, fixed))
        else:
            rows.extend({**fixed, "player": p, "minutes": block["minutes"]} for p in plan.players)
    table = pd.DataFrame(rows).reindex(columns=list(COLUMNS))
    return table.astype(object).where(table.notna(), "")


def _minutes(total: float, parts: int) -> float:
    return round(total / parts, 2)


def _rep_rows(
    plan: SessionPlan, block: dict[str, Any], fixed: dict[str, Any]
) -> list[dict[str, Any]]:
    if block["ending"] != "time":
        target = int(block["target"]) if block["ending"] == "ladder" else ""
        return [
            {**fixed, "player": p, "minutes": block["minutes"], "set": 1, "target": target}
            for p in plan.players
        ]
    tasks = plan.tasks[plan.tasks["block"] == block["block"]].to_dict(orient="records")
    share = _minutes(block["minutes"], len(tasks))
    return [
        {**fixed, "player": p, "minutes": share, "set": t["task"], **{k: t[k] for k in TRAITS}}
        for p in plan.players
        for t in tasks
    ]


def _live_rows(
    plan: SessionPlan, block: dict[str, Any], fixed: dict[str, Any]
) -> list[dict[str, Any]]:
    turns = plan.rotation[plan.rotation["block"] == block["block"]]
    rows = []
    for player in plan.players:
        mine = turns[turns["shooter"] == player].to_dict(orient="records")
        if not mine:
            rows.append(
                {**fixed, "player": player, "minutes": block["minutes"], "attempts": 0, "makes": 0}
            )
            continue
        share = _minutes(block["minutes"], len(mine))
        rows.extend(
            {
                **fixed,
                "player": player,
                "minutes": share,
                "set": t["turn"],
                "side": t["side"],
                "entry": t["entry"],
                "defender": t["defender"],
            }
            for t in mine
        )
    return rows
