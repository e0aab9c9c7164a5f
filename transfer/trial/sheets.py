"""Printable sheets of a trial, and the folder that holds everything a plan writes."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from transfer.files import write_text
from transfer.records.exports import csv_text
from transfer.trial.lot_record import LotRecord, claim_folder, drawn_before
from transfer.trial.plan import TrialPlan
from transfer.trial.printing import plan_stamp, render
from transfer.trial.protocol import protocol_html, protocol_text
from transfer.trial.schedule import BREAK

__all__ = ["unit_sheets", "week_sheets", "write_plan"]

MIX_WORDS = {"live_heavy": "live-heavy", "rep_heavy": "rep-heavy", BREAK: "no practice"}
NOTE = (
    "Minutes are the shooter's own floater minutes; defending in someone else's live drill does "
    "not count. Write down what was done, not what was planned. Pain, a knock to the head or "
    "heavy fatigue: stop, and ask the licensed medical staff; the sheet never overrules them."
)


def unit_sheets(plan: TrialPlan) -> str:
    """One printable page per player, pair or squad: its mix week by week, with room to write.

    Parameters
    ----------
    plan : TrialPlan

    Returns
    -------
    str
        A complete HTML page for A4 or Letter paper.
    """
    sheets = []
    kind = plan.settings["unit"]
    for (program, unit), rows in plan.table.groupby(["program", "unit"], sort=True):
        players = sorted(set(rows["player"]))
        first = rows[rows["player"] == players[0]]
        members = "" if kind == "player" else "Players: " + ", ".join(players)
        sheets.append(
            {
                "title": f"{program}: {kind} {unit}",
                "members": members,
                "rows": [_week_row(row) for row in first.to_dict(orient="records")],
            }
        )
    return render(
        "unit_sheets.html",
        title=f"Practice mix by {kind}",
        sheets=sheets,
        note=_note(plan),
        stamp=plan_stamp(plan),
    )


def week_sheets(plan: TrialPlan) -> str:
    """One printable page per program and week: who does which mix.

    Parameters
    ----------
    plan : TrialPlan

    Returns
    -------
    str
        A complete HTML page for A4 or Letter paper.
    """
    sheets = []
    for (program, week), rows in plan.table.groupby(["program", "week"], sort=True):
        groups = []
        for arm in sorted(set(rows["arm"]) - {BREAK}):
            members = rows[rows["arm"] == arm]
            groups.append(
                {
                    "mix": MIX_WORDS[arm],
                    "live": f"{members['live_minutes'].iloc[0]:g}",
                    "rep": f"{members['rep_minutes'].iloc[0]:g}",
                    "players": ", ".join(members["player"]),
                }
            )
        days = f"{rows['first_day'].iloc[0]} to {rows['last_day'].iloc[0]}"
        sheets.append({"title": f"{program}: week {week}, {days}", "rows": groups})
    return render(
        "week_sheets.html", title="Practice mix by week", sheets=sheets, note=_note(plan),
        stamp=plan_stamp(plan),
    )  # fmt: skip


def write_plan(plan: TrialPlan, folder: Path | str) -> list[Path]:
    """Write everything the staff needs; a lot is drawn once and never written over.

    Parameters
    ----------
    plan : TrialPlan
    folder : path
        Where ``plan.json``, ``assignments.csv``, ``sheets_by_unit.html``,
        ``sheets_by_week.html``, ``protocol.html`` and ``protocol.txt`` shall be.

    Raises
    ------
    StorageError
        Another lot was drawn in the folder, or it cannot be written.
    """
    target = Path(folder)
    own = LotRecord(plan.plan_hash, plan.settings["registered"])
    kept = claim_folder(own, target, WRITERS)
    # The same lot asked for again keeps the day of its first draw.
    first = replace(plan, settings={**plan.settings, "registered": kept.registered})
    if first.plan_hash != kept.plan_hash:
        raise drawn_before(f"{target} holds another plan, {kept.plan_hash[:12]}")
    return [write_text(target / name, of(first)) for name, of in WRITERS.items()]


def _plan_text(plan: TrialPlan) -> str:
    return json.dumps(plan.to_dict(), indent=1, ensure_ascii=True) + "\n"


#: Files of a plan and what is written into each.
WRITERS: Mapping[str, Callable[[TrialPlan], str]] = {
    "assignments.csv": lambda plan: csv_text(plan.table),
    "sheets_by_unit.html": unit_sheets,
    "sheets_by_week.html": week_sheets,
    "protocol.html": protocol_html,
    "protocol.txt": protocol_text,
    "plan.json": _plan_text,
}


def _week_row(row: dict[str, object]) -> dict[str, str]:
    return {
        "week": str(row["week"]),
        "days": f"{row['first_day']} to {row['last_day']}",
        "mix": MIX_WORDS[str(row["arm"])],
        "live": f"{row['live_minutes']:g}",
        "rep": f"{row['rep_minutes']:g}",
    }


def _note(plan: TrialPlan) -> str:
    return f"{NOTE} Plan {plan.plan_hash[:12]}."
