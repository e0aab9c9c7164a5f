"""Planned against done: dose per player and week, missed weeks, drop-outs, mixing of the arms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.results import Result
from transfer.trial.cells import TrialCells
from transfer.trial.plan import TrialPlan
from transfer.trial.schedule import BREAK

__all__ = ["Adherence", "adherence"]

#: A player is flagged when the mix was on the other arm's side in this share of practised weeks
#: (judgement, no source).
MIXED_SHARE = 0.25
#: So many weeks without practice up to the end of the records count as having left (judgement).
GONE_WEEKS = 4
#: Below this share of the planned minutes a week counts as missed (judgement, no source).
MISSED_SHARE = 0.10


@dataclass(frozen=True)
class Adherence(Result):
    """What was planned and what was done.

    Parameters
    ----------
    table : DataFrame
        One row per player and recorded week, ready for a picture: ``program``, ``player``,
        ``week``, ``arm``, ``planned_rep``, ``planned_live``, ``done_rep``, ``done_live``
        (minutes; NaN where not charted), ``done_share`` (live share of the minutes done),
        ``state`` (``done``, ``missed``, ``break``, ``not_charted``), ``other_side`` (the share
        done lies on the other arm's side of one half).
    players : DataFrame
        One row per player: ``planned_weeks``, ``missed_weeks``, ``minutes_share`` (done over
        planned minutes), ``separation`` (done over planned difference in live share between the
        arms; NaN when only one arm was practised), ``other_side_share``, ``mixed`` (flag),
        ``last_active_week``, ``left`` (flag).
    """

    _figure = "transfer.trial.figure_dose"

    table: pd.DataFrame
    players: pd.DataFrame

    @property
    def separation(self) -> float:
        """Done over planned difference in live share between the arms, all players together."""
        done = self.table[self.table["state"] == "done"]
        planned = done["planned_live"] / (done["planned_live"] + done["planned_rep"])
        live = done["arm"] == "live_heavy"
        if live.all() or not live.any():
            return float("nan")
        wanted = planned[live].mean() - planned[~live].mean()
        return float(
            (done.loc[live, "done_share"].mean() - done.loc[~live, "done_share"].mean()) / wanted
        )

    @property
    def text(self) -> str:
        """How closely the plan was followed, in words."""
        weeks = self.table[self.table["state"] != "break"]
        missed = int((weeks["state"] == "missed").sum())
        parts = [f"{missed} of {len(weeks)} planned player-weeks were missed"]
        uncharted = int((weeks["state"] == "not_charted").sum())
        if uncharted:
            parts.append(f"{uncharted} lack charted minutes")
        if np.isfinite(self.separation):
            parts.append(f"the mixes differed by {self.separation:.0%} of what was planned")
        left = self.players.loc[self.players["left"], "player"]
        if len(left):
            parts.append(f"{len(left)} players stopped early ({_some(left)})")
        mixed = self.players.loc[self.players["mixed"], "player"]
        sentence = "; ".join(parts) + "."
        if len(mixed):
            sentence += (
                f" Cross-contamination: {len(mixed)} players ({_some(mixed)}) practised on the "
                f"other arm's side in at least {MIXED_SHARE:.0%} of their weeks; as assigned "
                "then understates the difference between the mixes."
            )
        return sentence

    def to_dict(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "text": self.text,
            "separation": self.separation,
            "players": self.players,
            "weeks": self.table,
        }


def adherence(plan: TrialPlan, cells: TrialCells) -> Adherence:
    """Compare the plan with what was charted.

    Parameters
    ----------
    plan : TrialPlan
    cells : TrialCells
        Weekly records on the plan's calendar.
    """
    table = _weeks(plan, cells)
    rows = []
    for (program, player), weeks in table.groupby(["program", "player"], sort=True):
        rows.append({"program": program, "player": player, **_player(weeks, cells)})
    columns = [
        "program",
        "player",
        "week",
        "arm",
        "planned_rep",
        "planned_live",
        "done_rep",
        "done_live",
        "done_share",
        "state",
        "other_side",
    ]
    return Adherence(table[columns].reset_index(drop=True), pd.DataFrame(rows))


def _weeks(plan: TrialPlan, cells: TrialCells) -> pd.DataFrame:
    planned = plan.table.rename(
        columns={"rep_minutes": "planned_rep", "live_minutes": "planned_live"}
    )
    done = cells.table.rename(columns={"rep_minutes": "done_rep", "live_minutes": "done_live"})
    keep = ["program", "player", "week", "done_rep", "done_live", "n"]
    table = planned.merge(done[keep], on=["program", "player", "week"], how="left")
    table = table[table["week"] <= cells.recorded_weeks].copy()
    total = table["done_rep"] + table["done_live"]
    wanted = table["planned_rep"] + table["planned_live"]
    table["done_share"] = table["done_live"] / total.where(total > 0)
    table["state"] = np.select(
        [table["arm"] == BREAK, total.isna(), total < MISSED_SHARE * wanted],
        ["break", "not_charted", "missed"],
        default="done",
    )
    live = table["arm"] == "live_heavy"
    wrong = np.where(live, table["done_share"] < 0.5, table["done_share"] > 0.5)
    table["other_side"] = wrong & (table["state"] == "done")
    return table


def _player(weeks: pd.DataFrame, cells: TrialCells) -> dict[str, Any]:
    planned = weeks[weeks["state"] != "break"]
    done = planned[planned["state"] == "done"]
    active = weeks.loc[(weeks["state"] == "done") | (weeks["n"] > 0), "week"]
    last = int(active.max()) if len(active) else 0
    other = float(done["other_side"].mean()) if len(done) else float("nan")
    wanted = (planned["planned_rep"] + planned["planned_live"]).sum()
    return {
        "planned_weeks": len(planned),
        "missed_weeks": int((planned["state"] == "missed").sum()),
        "minutes_share": float((planned["done_rep"] + planned["done_live"]).sum() / wanted),
        "separation": _separation(done),
        "other_side_share": other,
        "mixed": bool(other >= MIXED_SHARE),
        "last_active_week": last,
        "left": bool(cells.recorded_weeks - last >= GONE_WEEKS),
    }


def _separation(done: pd.DataFrame) -> float:
    shares = done.groupby("arm")["done_share"].mean()
    if len(shares) < 2:
        return float("nan")
    planned = done.assign(share=done["planned_live"] / (done["planned_live"] + done["planned_rep"]))
    wanted = planned.groupby("arm")["share"].mean()
    return float(
        (shares["live_heavy"] - shares["rep_heavy"]) / (wanted["live_heavy"] - wanted["rep_heavy"])
    )


def _some(names: pd.Series) -> str:
    shown = [str(name) for name in names[:5]]
    return ", ".join(shown) + (", ..." if len(names) > 5 else "")
