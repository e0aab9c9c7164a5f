"""The session on one printed page, and its chart sheet as HTML and CSV."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from transfer.files import write_text
from transfer.records.exports import csv_text
from transfer.session.chart_sheet import chart_sheet
from transfer.session.plan import SessionPlan

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["render_chart", "render_session", "write_session"]

_TEMPLATES = Path(__file__).parent / "templates"
CHART_NOTE = (
    "Write attempts and makes; a blocked shot is a missed attempt, a fouled miss is no attempt "
    "(count it under fouled). In free live play write the contest of the shots; use a further row "
    "for another contest. Codes only, no names."
)


def render_session(plan: SessionPlan, title: str) -> str:
    """Render the page.

    Parameters
    ----------
    plan : SessionPlan
    title : str

    Returns
    -------
    str
        One HTML document without script or outside reference.
    """
    blocks = [_block(row, plan) for row in plan.blocks.to_dict(orient="records")]
    tasks = plan.tasks.replace({"one_foot": "one foot", "two_foot": "two feet"})
    return _render(
        "session.html.j2",
        title=title,
        size=_print_size(plan),
        summary=plan.headline,
        defence=_markup(_defence_svg(plan)),
        blocks=blocks,
        assumed=any(block["mark"] for block in blocks),
        tasks=tasks.to_dict(orient="records"),
        variety=f"{plan.variety.score:.2f}",
        rotations=_rotations(plan),
        targets=bool(plan.targets),
        baskets=range(1, plan.baskets + 1),
        groups=_groups(plan),
        starts=_starts(plan),
        start_settings=[*plan.starts["setting"].unique(), "ladder, ft (beyond the charted range)"],
        cautions=plan.cautions,
        seed=plan.seed,
    )


def render_chart(sheet: pd.DataFrame, title: str) -> str:
    """Render the chart sheet for filling in by hand, with every column that is read."""
    return _render(
        "session_chart.html.j2",
        title=title,
        note=CHART_NOTE,
        columns=list(sheet.columns),
        rows=sheet.to_numpy().tolist(),
    )


def write_session(
    plan: SessionPlan,
    folder: Path | str,
    date: str,
    session: str = "1",
    program: str = "",
    season: str = "",
) -> tuple[Path, ...]:
    """Write the page, the plan's tables and the chart sheet.

    Parameters
    ----------
    plan : SessionPlan
    folder : path
    date, session, program, season : str
        As on the chart sheet.

    Returns
    -------
    tuple of Path
        ``session.html``, ``session.csv`` (blocks), ``rotation.csv``, ``tasks.csv``,
        ``chart.csv`` and ``chart.html``.

    Raises
    ------
    StorageError
        When the folder cannot be written.
    """
    target = Path(folder)
    title = f"Session {session} of {date}" + (f", {program}" if program else "")
    sheet = chart_sheet(plan, date, session, program, season)
    files = {
        "session.html": render_session(plan, title),
        "session.csv": csv_text(plan.blocks),
        "rotation.csv": csv_text(plan.rotation),
        "tasks.csv": csv_text(plan.tasks),
        "chart.csv": csv_text(sheet),
        "chart.html": render_chart(sheet, f"Chart sheet, {title[0].lower()}{title[1:]}"),
    }
    return tuple(write_text(target / name, text) for name, text in files.items())


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )


def _render(template: str, **values: Any) -> str:
    css = (_TEMPLATES / "session.css").read_text(encoding="utf-8").strip()
    page = _environment().get_template(template).render(css=_markup(css), **values)
    return "\n".join(line.rstrip() for line in page.splitlines() if line.strip()) + "\n"


def _markup(text: str) -> Any:
    from markupsafe import Markup

    return Markup(text)


def _block(row: dict[Any, Any], plan: SessionPlan) -> dict[str, Any]:
    found = plan.targets.get(row["block"])
    if found is None:
        end = "by time"
    else:
        who = {"ladder": "each to", "group race": "first side to", "player race": "first to"}
        end = f"{who[row['ending']]} {found.target} ({100 * found.probability:.0f}\u00a0%)"
    setting = row["setting"] if row["contest"] else f"{row['mode']}, contest as it comes"
    return {
        **row,
        "setting": setting.replace("_", " "),
        "attempts": f"{row['attempts']:.0f}",
        "mark": "*" if row["rate_source"] == "assumed" else "",
        "end": end,
    }


def _rotations(plan: SessionPlan) -> list[dict[str, Any]]:
    titles = plan.blocks.set_index("block")["title"]
    pages = []
    for block, rows in plan.rotation.groupby("block", sort=True):
        baskets = list(range(1, int(rows["basket"].max()) + 1))
        turns = []
        for turn, pairs in rows.groupby("turn", sort=True):
            by = {
                pair["basket"]: {**pair, "second": pair["second_defender"]}
                for pair in pairs.to_dict(orient="records")
            }
            turns.append({"turn": turn, "cells": [by.get(b) for b in baskets]})
        two = bool((rows["second_defender"] != "").any())
        pages.append(
            {"block": block, "title": titles[block], "baskets": baskets, "turns": turns, "two": two}
        )
    return pages


def _groups(plan: SessionPlan) -> list[dict[str, Any]]:
    """One row per block, a cell per basket; with the makes of a smaller side."""
    rows = []
    for block, part in plan.groups.groupby("block", sort=True):
        found = plan.targets.get(int(str(block)))
        cells = [""] * plan.baskets
        for row in part.to_dict(orient="records"):
            goal = None if found is None else found.goals.get(f"basket {row['basket']}")
            who = row["sides"] or " ".join(row["players"])
            cells[row["basket"] - 1] = who if goal is None else f"{who}: to {goal}"
        rows.append({"block": block, "cells": cells})
    return rows


def _starts(plan: SessionPlan) -> list[dict[str, Any]]:
    settings = list(plan.starts["setting"].unique())
    ladder = {
        player: "  ".join(
            f"{feet:.0f}" if known else f"({feet:.0f})"
            for feet, known in zip(rungs["distance_ft"], rungs["charted"], strict=True)
        )
        for player, rungs in plan.ladders.groupby("player")
    }
    rows = []
    for player in [p for p in plan.players if p in ladder or p in set(plan.starts["player"])]:
        by = plan.starts[plan.starts["player"] == player].set_index("setting")
        cells = [
            f"{by['spot'][s]} {by['entry'][s]} {by['rate'][s]:.2f}".replace("_", " ")
            if s in by.index
            else ""
            for s in settings
        ]
        rows.append({"player": player, "cells": [*cells, ladder.get(player, "")]})
    return rows


def _print_size(plan: SessionPlan) -> float:
    """Print size in points at which the page holds what is on it, 5.5 to 8.5."""
    turns = plan.rotation.drop_duplicates(["block", "turn"])
    wide = 1.0 if plan.baskets < 4 else 1.5  # four baskets wrap
    lines = len(plan.tasks) + wide * len(turns) + 3 * turns["block"].nunique()
    lines += 2 * wide * plan.groups["block"].nunique() + plan.starts["player"].nunique() + 6
    total = lines / 2 + 2.0 * len(plan.blocks) + 24
    return round(min(8.5, max(5.5, 8.5 * 70 / total)), 2)


def _defence_svg(plan: SessionPlan) -> str:
    """Steps of the defence over the minutes of the session; live blocks are filled."""
    width, height, top = 720, 86, 8
    highest = max(7, int(plan.blocks["level"].max()))
    scale = width / plan.minutes
    parts = []
    for row in plan.blocks.to_dict(orient="records"):
        x, w = row["start"] * scale, row["minutes"] * scale
        h = 10 + (row["level"] / highest) * (height - top - 26)
        fill = "#b8b8b8" if row["mode"] == "live" else "none"
        y = height - 16 - h
        parts.append(
            f'<rect x="{x + 1:.1f}" y="{y:.1f}" width="{w - 2:.1f}" height="{h:.1f}" '
            f'fill="{fill}" stroke="#000"/><text x="{x + w / 2:.1f}" y="{height - 3}" '
            f'font-size="11" text-anchor="middle">{row["block"]}</text>'
        )
    alt = (
        "Height of the defence by block: "
        + ", ".join(f"{r['block']} {r['setting']}" for r in plan.blocks.to_dict(orient="records"))
        + "."
    )
    return (
        f'<svg viewBox="0 0 {width} {height}" role="img" aria-label="{alt}">'
        f"<title>{alt} Live blocks are grey.</title>{''.join(parts)}</svg>"
    )
