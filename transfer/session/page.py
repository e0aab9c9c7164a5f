"""The session on one printed page, and the sheet to tally on."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from transfer.session.floor import sides_of
from transfer.session.plan import SessionPlan

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["SPOKEN", "place_name", "render", "render_chart", "render_session", "spoken"]

_TEMPLATES = Path(__file__).parent / "templates"
CHART_NOTE = (
    "Write attempts and makes; a blocked shot is a missed attempt, a fouled miss is no attempt "
    "(count it under fouled). In free live play write the contest of the shots; use a further row "
    "for another contest. Codes only, no names."
)
#: Charted labels as a coach says them.
SPOKEN = {
    "one_foot": "one foot", "two_foot": "two feet", "mark_1": "first lane mark",
    "mark_2": "second lane mark", "mark_3": "third lane mark",
    "circle_bottom": "bottom of the circle", "free_throw_line": "free-throw line",
    "catch": "off the catch", "dribble": "off the dribble", "turn": "off a turn",
}  # fmt: skip


def spoken(label: str) -> str:
    """A charted label in words."""
    return SPOKEN.get(label, label)


def render_session(plan: SessionPlan, title: str, stamp: str = "") -> str:
    """Render the page.

    Parameters
    ----------
    plan : SessionPlan
    title : str
    stamp : str
        From `transfer.page.stamp.stamp_line`.

    Returns
    -------
    str
        One HTML document without script or outside reference.
    """
    return render(
        "session.html.j2",
        title=title,
        size=_print_size(plan),
        summary=plan.headline,
        stamp=stamp,
        defence=_markup(_defence_svg(plan)),
        blocks=[_block(row, plan) for row in plan.blocks.to_dict(orient="records")],
        assumed=bool((plan.blocks["rate_source"] == "assumed").any()),
        capped=bool(plan.blocks["capped"].any()),
        calls=_calls(plan),
        places=[_place(plan, squad, basket) for squad, basket in _places(plan)],
        bodies=_bodies(plan),
        targets=bool(plan.targets),
        starts=_starts(plan),
        start_settings=[*plan.starts["setting"].unique(), "ladder, ft (beyond the charted range)"],
        cautions=plan.cautions,
    )


def render_chart(plan: SessionPlan, title: str, stamp: str = "") -> str:
    """Render the sheet to tally on: a page per basket, its blocks and lines as the floor goes."""
    pages = []
    for squad, basket in _places(plan):
        blocks = []
        for row in plan.blocks.to_dict(orient="records"):
            order, facing = _line(plan, row["block"], squad, basket)
            blocks.append({**row, "rows": list(zip(order, facing, strict=True))})
        pages.append({"name": place_name(plan, squad, basket), "blocks": blocks})
    return render("session_chart.html.j2", title=title, stamp=stamp, note=CHART_NOTE, pages=pages)


def _environment() -> Environment:
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    return Environment(
        loader=FileSystemLoader(_TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        keep_trailing_newline=True,
    )


def render(template: str, css: str = "session.css", script: str = "", **values: Any) -> str:
    """Render a template of this room with its style and script, without blank lines."""
    parts = {"css": _file(css), "script": _file(script) if script else ""}
    page = _environment().get_template(template).render(**parts, **values)
    return "\n".join(line.rstrip() for line in page.splitlines() if line.strip()) + "\n"


def _file(name: str) -> Any:
    return _markup((_TEMPLATES / name).read_text(encoding="utf-8").strip())


def _markup(text: str) -> Any:
    from markupsafe import Markup

    return Markup(text)


def _block(row: dict[Any, Any], plan: SessionPlan) -> dict[str, Any]:
    found = plan.targets.get(row["block"])
    if found is None:
        end = "by time"
    else:
        who = {"ladder": "each to", "group race": "first side to", "player race": "first to"}
        sets = f"{found.sets} sets, " if found.sets > 1 else ""
        chance = f"{int(10 * found.race.probability + 1e-9)} in 10"
        end = f"{sets}{who[row['ending']]} {found.race.target} ({chance})"
    setting = row["setting"] if row["contest"] else f"{row['mode']}, contest as it comes"
    pause = {0: "", 1: "change"}.get(row["pause"], "change and water")
    return {
        **row,
        "setting": " ".join(setting.split("_")),
        "attempts": f"{row['attempts']:.0f}",
        "defends": f"{row['defends']:.0f}" if row["contest"] else "in turn",
        "mark": "*" if row["rate_source"] == "assumed" else "",
        "end": end,
        "after": pause,
        "from": row["start"] + row["minutes"],
    }


def _places(plan: SessionPlan) -> list[tuple[int, int]]:
    """Squad and basket of every group."""
    return list(plan.floor.places)


def place_name(plan: SessionPlan, squad: int, basket: int) -> str:
    """Basket, and squad where there are several."""
    return f"Basket {basket}" + (f", squad {squad}" if plan.floor.squads > 1 else "")


def _line(
    plan: SessionPlan, block: int, squad: int, basket: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Order of a line in a block, and whom each of it faces; free play has only the group."""
    reps = plan.reps
    order = plan.lines.get((block, squad, basket), plan.floor.places[squad, basket])
    here = (reps["block"] == block) & (reps["squad"] == squad) & (reps["basket"] == basket)
    first = reps[here].drop_duplicates("shooter").set_index("shooter")
    facing = []
    for player in order:
        row = first.loc[player] if player in first.index else None
        names = [] if row is None else [row["defender"], row["second_defender"]]
        facing.append(" and ".join(name for name in names if name))
    return order, tuple(facing)


def _place(plan: SessionPlan, squad: int, basket: int) -> dict[str, Any]:
    """The lines of one basket, block by block, with who works besides the first shooter."""
    rows = []
    for row in plan.blocks.to_dict(orient="records"):
        order, _ = _line(plan, row["block"], squad, basket)
        if not row["contest"]:
            rows.append({"block": row["block"], "line": sides_of(order), "work": "everybody"})
            continue
        reps = plan.reps[plan.reps["block"] == row["block"]]
        here = reps[(reps["squad"] == squad) & (reps["basket"] == basket)].iloc[0]
        roles = (("defends", "defender"), ("at the rim", "second_defender"), ("hand up", "helper"),
                 ("rebounds", "rebounder"), ("passes", "passer"))  # fmt: skip
        work = ", ".join(f"{here[role]} {does}" for does, role in roles if here[role])
        rows.append({"block": row["block"], "line": " ".join(order), "work": work})
    return {"name": place_name(plan, squad, basket), "rows": rows}


def _calls(plan: SessionPlan) -> list[dict[str, Any]]:
    """Calls in words, by block."""
    rows = []
    for call in plan.calls.to_dict(orient="records"):
        rows.append({
            "block": call["block"], "first": call["call"] == 1,
            "side": call["side"] or "in turn", "hand": call["hand"],
            "entry": spoken(call["entry"]), "footwork": spoken(call["footwork"]),
            "spot": spoken(call["spot"]) or "own rung",
        })  # fmt: skip
    return rows


def _bodies(plan: SessionPlan) -> str:
    """What the session asks of bodies, in one sentence."""
    turns = plan.turns
    shots, free = turns["takeoffs"], plan.blocks.loc[plan.blocks["contest"] == "", "attempts"].sum()
    contacts, live = turns["contacts"], plan.live_minutes
    return (
        f"A player takes off about {shots.mean() + 2 * free:.0f} times and meets a body in about "
        f"{contacts.mean() + 2 * free:.0f} live shots, as shooter or defender, in {live} live "
        "minutes (one take-off a shot and a trip as a defender: judgement, no source)."
    )


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
            f"{spoken(by['spot'][s])} {spoken(by['entry'][s])} {by['rate'][s]:.2f}"
            if s in by.index
            else ""
            for s in settings
        ]
        rows.append({"player": player, "cells": [*cells, ladder.get(player, "")]})
    return rows


def _print_size(plan: SessionPlan) -> float:
    """Print size in points at which the page holds what is on it, 5.5 to 8.5."""
    lines = len(plan.calls) + (len(plan.blocks) + 2) * len(plan.floor.places)
    lines += plan.starts["player"].nunique() + 6
    total = lines / 2 + 2.5 * len(plan.blocks) + 34
    return round(min(8.5, max(5.5, 8.5 * 70 / total)), 2)


def _defence_svg(plan: SessionPlan) -> str:
    """Steps of the defence over the minutes of the session; live blocks are filled."""
    width, height, top = 720, 86, 8
    highest = max(7, int(plan.blocks["level"].max()))
    scale = width / plan.floor.squad_minutes
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
