"""Charting by tap: one offline HTML page a basket, for a phone or a tablet.

The page knows the line of every block, keeps each tap in the browser and hands in rows of the
practice table, one an attempt. It asks for no network and no name.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Any

from transfer.errors import ArgumentError
from transfer.page.embedded import safe_json
from transfer.records.schema import CONTESTS
from transfer.session.drills import Drill
from transfer.session.floor import sides_of
from transfer.session.page import SPOKEN, place_name, render
from transfer.session.plan import SESSION_CAUTIONS, SessionPlan

__all__ = ["TAP_NOTE", "drill_pages", "tap_block", "tap_page", "tap_pages"]

#: What a charter must know; the meaning of the columns is that of the records.
TAP_NOTE = (
    "A blocked shot is a missed attempt. A fouled miss is no attempt and is counted apart; a make "
    "with a foul stays a make. Minutes are those a player spent in the block, waiting included. "
    "Codes only, no names."
)
_CONTEST_WORDS = {
    "none": "none", "light": "light: late, or a hand up", "trailing": "at the side or behind",
    "front": "in front", "front_and_trailing": "in front and behind",
}  # fmt: skip


def tap_block(
    drill: Drill,
    minutes: float,
    line: Sequence[str],
    calls: Sequence[dict[str, str]] = (),
    *,
    shots: int = 0,
    rounds: int = 1,
    target: int | None = None,
) -> dict[str, Any]:
    """What the page knows of a block.

    Parameters
    ----------
    drill : Drill
    minutes : float
    line : sequence of str
        First shooter in front.
    calls : sequence of dict
        Called traits, in order; each holds for an equal part of the rounds.
    shots, rounds : int
        Planned reps and rounds of the line; 0 and 1 where nothing was planned.
    target : int, optional
        Makes that end a player's set of a ladder.
    """
    blank = {"side": "", "hand": "", "entry": "", "footwork": "", "spot": ""}
    return {
        "drill": drill.name, "title": drill.title, "text": drill.text, "mode": drill.mode,
        "contest": drill.contest, "order": drill.order, "minutes": minutes, "line": list(line),
        "free": not drill.contest, "defenders": drill.defenders,
        "hand": drill.mode == "rep" and drill.contest == "light", "alternate": drill.alternate,
        "ladder": target is not None, "target": target or 0, "rungs": list(drill.spots),
        "calls": list(calls) or [blank], "rounds": max(1, rounds), "shots": shots,
    }  # fmt: skip


def tap_page(
    title: str,
    place: str,
    blocks: Sequence[dict[str, Any]],
    codes: Sequence[str],
    *,
    date: str,
    session: str = "1",
    program: str = "",
    season: str = "",
    stamp: str = "",
) -> str:
    """Render the page of one basket.

    Parameters
    ----------
    title : str
    place : str
        Basket, and squad where there are several; part of the file's name.
    blocks : sequence of dict
        See `tap_block`.
    codes : sequence of str
        All players of the session, offered when somebody comes late.
    date, session, program, season : str
        As in the records.
    stamp : str
        From `transfer.page.stamp.stamp_line`.

    Returns
    -------
    str
        One HTML document that loads nothing.
    """
    plan = {
        "date": date, "session": session, "program": program, "season": season, "place": place,
        "blocks": list(blocks), "words": SPOKEN,
    }  # fmt: skip
    told = json.dumps(plan, sort_keys=True).encode()
    # Taps of another plan are not mixed with these, even where date and basket are the same.
    plan["key"] = f"transfer taps {hashlib.sha256(told).hexdigest()[:16]}"
    return render(
        "tap_chart.html.j2",
        css="tap_chart.css",
        script="tap_chart.js",
        title=title,
        codes=sorted(codes),
        contests=[(name, _CONTEST_WORDS[name]) for name in CONTESTS],
        stamp=stamp,
        note=TAP_NOTE,
        cautions=SESSION_CAUTIONS,
        plan=safe_json(plan),
    )


def tap_pages(
    plan: SessionPlan,
    title: str,
    date: str,
    session: str = "1",
    program: str = "",
    season: str = "",
    stamp: str = "",
) -> dict[str, str]:
    """The pages of a planned session.

    Parameters
    ----------
    plan : SessionPlan
    title : str
    date, session, program, season : str
        As in the records.
    stamp : str
        From `transfer.page.stamp.stamp_line`.

    Returns
    -------
    dict of str to str
        File name to page, one a basket (and squad).
    """
    traits = ["side", "hand", "entry", "footwork", "spot"]
    called: dict[int, list[dict[str, str]]] = {
        int(str(number)): [
            {trait: str(call[trait]) for trait in traits} for call in part.to_dict("records")
        ]
        for number, part in plan.calls.groupby("block")
    }
    reps = zip(*(plan.reps[name].tolist() for name in ("block", "squad", "basket", "round")),
               strict=True)  # fmt: skip
    counts: dict[tuple[int, int, int], tuple[int, int]] = {}
    for number, squad, basket, lap in reps:
        shots, _ = counts.get((number, squad, basket), (0, 0))
        counts[number, squad, basket] = (shots + 1, lap)
    pages = {}
    for (squad, basket), group in plan.floor.places.items():
        blocks = []
        for row in plan.blocks.to_dict(orient="records"):
            key = (int(row["block"]), squad, basket)
            drill = plan.drills[key[0] - 1]
            shots, laps = counts.get(key, (0, 1))
            block = tap_block(
                drill, row["minutes"], plan.lines.get(key, group), called.get(key[0], ()),
                shots=shots, rounds=laps,
                target=int(row["target"]) if row["ending"] == "ladder" else None,
            )  # fmt: skip
            if block["free"]:
                block["text"] = f"{drill.text} {sides_of(group)}."
            blocks.append(block)
        place = place_name(plan, squad, basket)
        name = f"tap_basket_{basket}" + (f"_squad_{squad}" if plan.floor.squads > 1 else "")
        pages[f"{name}.html"] = tap_page(
            f"{place}. {title}", place, blocks, plan.players, date=date, session=session,
            program=program, season=season, stamp=stamp,
        )  # fmt: skip
    return pages


def drill_pages(
    drills: Sequence[Drill],
    players: Sequence[str],
    baskets: int,
    minutes: float,
    date: str,
    session: str = "1",
    program: str = "",
    season: str = "",
    stamp: str = "",
) -> dict[str, str]:
    """Pages to chart drills on that nobody planned here: lines in the order of the codes.

    Parameters
    ----------
    drills : sequence of Drill
    players : sequence of str
    baskets : int
        Pages; players are dealt out to them.
    minutes : float
        Of each drill.
    date, session, program, season : str
        As in the records.
    stamp : str
        From `transfer.page.stamp.stamp_line`.

    Returns
    -------
    dict of str to str
        File name to page.

    Raises
    ------
    ArgumentError
        When there are fewer players than baskets, or no basket, or no minute.
    """
    if not 1 <= baskets <= len(players) or not 0 < minutes <= 600:
        raise ArgumentError(
            f"baskets={baskets}, players={len(players)}, minutes={minutes:g}",
            rule="at least one player a basket; minutes above 0, 600 at most",
            next_step="name players, baskets and minutes as they are",
        )
    pages = {}
    for basket in range(1, baskets + 1):
        line = list(players[basket - 1 :: baskets])
        blocks = [tap_block(drill, minutes, line) for drill in drills]
        place = f"Basket {basket}"
        title = f"{place}. Session {session} of {date}" + (f", {program}" if program else "")
        pages[f"tap_basket_{basket}.html"] = tap_page(
            title, place, blocks, players, date=date, session=session, program=program,
            season=season,
        )  # fmt: skip
    return pages
