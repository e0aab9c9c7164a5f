"""What stands beside the model's answer: classical crossover, free throws, earlier looks."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import RecordsError
from transfer.trial.cells import TrialCells
from transfer.trial.classical import SEQUENCES, CrossoverResult, crossover_ab_ba
from transfer.trial.plan import TrialPlan
from transfer.trial.schedule import as_date
from transfer.trial.wording import chance

__all__ = ["classical_companion", "control_cells", "control_text"]

#: Two-sided tail at which the check outcome is called out of line (judgement, no source).
CONTROL_TAIL = 0.025


def classical_companion(cells: TrialCells, plan: TrialPlan) -> CrossoverResult | None:
    """Two-period analysis of the players' game rates, in points.

    Parameters
    ----------
    cells : TrialCells
    plan : TrialPlan

    Returns
    -------
    CrossoverResult or None
        A is the live-heavy mix. ``None`` unless the plan has one swap and at least two players of
        each sequence have attempts on both sides of it.
    """
    if plan.settings["design"] != "one_swap":
        return None
    block = plan.calendar.set_index("week")["block"]
    table = cells.table.assign(block=cells.table["week"].map(block))
    sums = table[table["block"] >= 0].groupby(["program", "player", "block"])[["n", "y"]].sum()
    rates = (100.0 * sums["y"] / sums["n"].where(sums["n"] > 0)).unstack("block")
    if set(rates.columns) != {0, 1}:
        return None
    periods = rates.rename(columns={0: "period1", 1: "period2"}).dropna().reset_index()
    first = plan.units[["program", "player", "first_arm"]]
    periods = periods.merge(first, on=["program", "player"])
    starts_live = periods["first_arm"] == "live_heavy"
    periods["sequence"] = np.where(starts_live, *SEQUENCES)
    if periods["sequence"].value_counts().reindex(SEQUENCES).fillna(0).min() < 2:
        return None
    return crossover_ab_ba(periods, prob=0.90)


def control_cells(cells: TrialCells, outcome: pd.DataFrame, plan: TrialPlan) -> TrialCells:
    """Weekly cells with another outcome in place of the game attempts.

    Parameters
    ----------
    cells : TrialCells
    outcome : DataFrame
        ``player``, ``attempts``, ``makes``, and ``week`` (of the plan) or ``date``; optional
        ``program``.
    plan : TrialPlan

    Raises
    ------
    RecordsError
        Missing columns, or makes outside 0 to attempts.
    """
    missing = [c for c in ("player", "attempts", "makes") if c not in outcome]
    if "week" not in outcome and "date" not in outcome:
        missing.append("week or date")
    if missing:
        raise RecordsError(
            f"the check outcome has no column {', '.join(missing)}",
            rule="player, attempts, makes, and week or date; program where there are several",
            next_step="add the columns, or leave the check outcome out",
        )
    frame = outcome.assign(
        n=pd.to_numeric(outcome["attempts"], errors="coerce"),
        y=pd.to_numeric(outcome["makes"], errors="coerce"),
        week=_plan_weeks(outcome, plan),
        player=outcome["player"].astype(str),
    )
    _check_counts(outcome, frame)
    keys = ["program", "player", "week"] if "program" in frame else ["player", "week"]
    sums = frame.groupby(keys, as_index=False)[["n", "y"]].sum()
    table = cells.table.drop(columns=["n", "y"]).merge(sums, on=keys, how="left")
    if table["n"].isna().all():
        raise RecordsError(
            "the check outcome has no player and week of the plan",
            rule="program and player as in the plan, weeks 1, 2, ... of the plan or dates",
            next_step="use the codes and weeks of the plan, or leave the check outcome out",
        )
    table[["n", "y"]] = table[["n", "y"]].fillna(0).astype(np.int64)
    return TrialCells(table, cells.start, cells.recorded_weeks, cells.notes)


def _check_counts(outcome: pd.DataFrame, frame: pd.DataFrame) -> None:
    whole = (frame["n"] % 1 == 0) & (frame["y"] % 1 == 0) & frame["week"].notna()
    bad = ~(whole & (frame["y"] >= 0) & (frame["y"] <= frame["n"]))
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        when = outcome["week" if "week" in outcome else "date"].iloc[row]
        raise RecordsError(
            f"check outcome, row {row + 1}: week or date {when}, makes "
            f"{outcome['makes'].iloc[row]} of attempts {outcome['attempts'].iloc[row]}",
            rule="a week or date, and whole numbers with 0 <= makes <= attempts",
            next_step="correct the row",
        )


def control_text(row: dict[str, Any]) -> str:
    """Say whether the check outcome moved with the lot, which it should not."""
    sentence = (
        f"Check outcome (free throws), which the mix should not move: {row['low']:+.1f} to "
        f"{row['high']:+.1f} points, chance {chance(row['probability'])} for {row['favoured']}."
    )
    if row["probability"] >= 1.0 - CONTROL_TAIL:
        return (
            f"{sentence} That is out of line: look for something else that went with the lot "
            "before believing the main result."
        )
    return f"{sentence} In line with a fair lot."


def _plan_weeks(outcome: pd.DataFrame, plan: TrialPlan) -> pd.Series:
    if "week" in outcome:
        return pd.to_numeric(outcome["week"], errors="coerce")
    start = as_date(plan.settings["start"], "start")
    days = [(as_date(value, "date") - start).days for value in outcome["date"]]
    return pd.Series(np.floor_divide(days, 7) + 1, index=outcome.index)
