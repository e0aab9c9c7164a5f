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
        Columns `COLUMNS`; blanks are for the charter. Block by block and basket by basket a row
        per shooter, as the line goes, with the defender whom he faces; a row per set where a
        target ends it. Who only defends in a block has no row, so that his minutes are no dose.
        A trait is filled in where all calls of the block agree. In free live play the contest is
        to be written in.
    """
    common = {"date": date, "session": session, "program": program, "season": season}
    rows: list[dict[str, Any]] = []
    for record in plan.blocks.to_dict(orient="records"):
        block = {str(name): value for name, value in record.items()}
        fixed = {
            **common, "drill": block["drill"], "mode": block["mode"], "contest": block["contest"],
            "order": block["order"], **_agreed(plan, block["block"]),
        }  # fmt: skip
        here = plan.reps[plan.reps["block"] == block["block"]]
        for (squad, basket), group in plan.floor.places.items():
            mine = here[(here["squad"] == squad) & (here["basket"] == basket)]
            if block["contest"]:
                shooters = mine.drop_duplicates("shooter")
                facing = dict(zip(shooters["shooter"], shooters["defender"], strict=True))
            else:
                facing = dict.fromkeys(group, "")
            rows.extend(
                {**fixed, "player": player, "defender": defender, **part}
                for player, defender in facing.items()
                for part in _sets(block)
            )
    table = pd.DataFrame(rows).reindex(columns=list(COLUMNS))
    return table.astype(object).where(table.notna(), "")


def _agreed(plan: SessionPlan, block: int) -> dict[str, str]:
    """Traits on which all calls of a block agree."""
    calls = plan.calls.loc[plan.calls["block"] == block, list(TRAITS)]
    return {str(name): part.iloc[0] for name, part in calls.items() if part.nunique() == 1}


def _sets(block: dict[str, Any]) -> list[dict[str, Any]]:
    """Minutes of a row, and a row per set where each player's own makes end it."""
    if block["ending"] != "ladder":
        return [{"minutes": block["minutes"]}]
    share = round(block["minutes"] / block["sets"], 2)
    return [
        {"minutes": share, "set": number, "target": int(block["target"])}
        for number in range(1, block["sets"] + 1)
    ]
