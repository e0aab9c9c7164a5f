"""Spot labels to distances by the rule books' court geometry.

The plan is half a court seen from above, in feet: the origin lies on the floor below the ring
centre, x to the shooter's right when facing the ring, y from the end line towards half court.
Distances are plane distances from the origin. A spot label is good to about 1 ft (judgement, no
source), whatever the digits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from transfer.arguments import choice
from transfer.errors import ArgumentError
from transfer.records.problems import nearest

__all__ = [
    "BODIES",
    "SPOT_TOLERANCE_FT",
    "Court",
    "Spot",
    "court",
    "parse_spot",
    "spot",
    "spot_names",
]

Side = Literal["left", "middle", "right", ""]

#: How far a labelled spot may be from the true one (judgement, no source).
SPOT_TOLERANCE_FT = 1.0

_M = 1 / 0.3048  # feet in a metre, exact by definition
_RULES = "NFHS rule 1-5 and NCAA court diagram"


@dataclass(frozen=True)
class Court:
    """Half-court lines of one rule body, in feet from the ring centre unless stated.

    Parameters
    ----------
    body : str
        Key, one of `BODIES`.
    lane_half_width : float
        From the middle line to the outside of the lane line.
    end_line : float
        From the end line to the ring centre.
    free_throw_line : float
        From the ring centre to the free-throw line.
    circle_radius : float
        Radius of the free-throw circle.
    lane_marks : tuple of float
        y of the block's centre and of the lane marks above it, in that order.
    restricted_arc, three_point_arc : float
        Radii about the ring centre.
    lane_source, arc_source, restricted_source : str
        Where the numbers of the lane, of the three-point and of the restricted arc come from.
    """

    body: str
    lane_half_width: float
    end_line: float
    free_throw_line: float
    circle_radius: float
    lane_marks: tuple[float, ...]
    restricted_arc: float
    three_point_arc: float
    lane_source: str
    arc_source: str
    restricted_source: str


@dataclass(frozen=True)
class Spot:
    """A labelled place on the floor.

    Parameters
    ----------
    name : str
        Label without its side.
    side : str
        ``left``, ``right``, ``middle`` or empty when not said.
    x, y : float
        Feet; see the module's text. x is positive when the side is not said.
    distance_ft : float
        Plane distance from below the ring centre.
    source : str
        Rule body and what the number rests on.
    """

    name: str
    side: Side
    x: float
    y: float
    distance_ft: float
    source: str


# Lane marks: the block is 1 ft wide and starts 7 ft from the end line; above it 2-inch marks
# with 3-ft spaces. Centres 7.5, 11.083, 14.25, 17.417 ft from the end line, 5.25 to the ring.
_MARKS_FT = tuple(round(d - 5.25, 4) for d in (7.5, 11 + 1 / 12, 14.25, 17 + 5 / 12))
# Block zone and marks of the metric lane: centres 2.80, 3.90, 4.85 m from the end line.
_MARKS_M = tuple(round((d - 1.575) * _M, 4) for d in (2.80, 3.90, 4.85))

BODIES: dict[str, Court] = {
    "NFHS": Court(
        "NFHS",
        6.0,
        5.25,
        13.75,
        6.0,
        _MARKS_FT,
        4.0,
        19.75,
        _RULES,
        "NFHS rule 1-5",
        "4-ft arc of the NCAA court diagram; not on every high-school floor",
    ),
    "NCAA": Court(
        "NCAA",
        6.0,
        5.25,
        13.75,
        6.0,
        _MARKS_FT,
        4.0,
        22 + 1.75 / 12,
        _RULES,
        "NCAA court diagram",
        "NCAA court diagram",
    ),
    "lane_16ft": Court(
        "lane_16ft",
        8.0,
        5.25,
        13.75,
        6.0,
        _MARKS_FT,
        4.0,
        23.75,
        "16-ft lane, from memory; lane marks taken as on the 12-ft lane, from memory",
        "from memory",
        "from memory",
    ),
    "FIBA": Court(
        "FIBA",
        4.90 / 2 * _M,
        1.575 * _M,
        (5.80 - 1.575) * _M,
        1.80 * _M,
        _MARKS_M,
        1.25 * _M,
        6.75 * _M,
        "FIBA court: lane 4.90 m, free-throw line 5.80 m and ring centre 1.575 m from the end "
        "line; lane marks, circle and restricted arc from memory",
        "FIBA court: arc 6.75 m",
        "from memory",
    ),
}

_MIDDLE = ("circle_bottom", "free_throw_line", "restricted_arc_top", "three_point_top")
_SIDES: dict[str, Side] = {"left": "left", "middle": "middle", "right": "right"}
_SIDED = ("block", "mark_1", "mark_2", "mark_3", "elbow", "baseline", "wing")


def court(body: str) -> Court:
    """Return the court of a rule body.

    Raises
    ------
    ArgumentError
        When the body is not known.
    """
    by_lower_case = {known.lower(): known for known in BODIES}
    close = by_lower_case.get(nearest(body, by_lower_case))
    choice(
        "rule_body",
        body,
        BODIES,
        "is not known",
        rule=f"rule_body is one of {', '.join(BODIES)}",
        next_step=f"did you mean {close!r}?" if close else "pass one of these",
    )
    return BODIES[body]


def _places(c: Court) -> dict[str, tuple[float, float, str]]:
    """Every spot of a court as (x, y, source), x for the right side."""
    lane = c.lane_half_width
    places = {
        "circle_bottom": (0.0, c.free_throw_line - c.circle_radius, c.lane_source),
        "free_throw_line": (0.0, c.free_throw_line, c.lane_source),
        "restricted_arc_top": (0.0, c.restricted_arc, c.restricted_source),
        "three_point_top": (0.0, c.three_point_arc, c.arc_source),
        "elbow": (lane, c.free_throw_line, c.lane_source),
        # Not a line of any rule book: three feet outside the lane, level with the ring.
        "baseline": (lane + 3.0, 0.0, "three feet outside the lane: judgement, no source"),
        # Not a line of any rule book: on the 45-degree line, midway from ring to arc.
        "wing": (
            c.three_point_arc / 2 * math.sqrt(0.5),
            c.three_point_arc / 2 * math.sqrt(0.5),
            "halfway to the arc at 45 degrees: judgement, no source",
        ),
    }
    for label, y in zip(("block", "mark_1", "mark_2", "mark_3"), c.lane_marks, strict=False):
        places[label] = (lane, y, c.lane_source)
    return places


def spot_names(body: str = "NFHS", *, sides: bool = False) -> tuple[str, ...]:
    """Labels a rule body's court offers.

    Parameters
    ----------
    body : str
        Rule body.
    sides : bool
        Whether to list ``left_`` and ``right_`` forms too.

    Raises
    ------
    ArgumentError
        When the body is not known.
    """
    places = _places(court(body))
    names = [n for n in (*_SIDED, *_MIDDLE) if n in places]
    if sides:
        names += [f"{s}_{n}" for n in names if n in _SIDED for s in ("left", "right")]
    return tuple(names)


def parse_spot(label: str) -> tuple[str, Side]:
    """Split a label such as ``left_block`` or ``Right elbow`` into name and side.

    Parameters
    ----------
    label : str
        As charted.

    Returns
    -------
    (str, str)
        Normalised name and side; the side is empty when the label does not say it.
    """
    text = "_".join(label.strip().lower().replace("-", " ").replace("_", " ").split())
    for side in ("left", "right"):
        if text.startswith(f"{side}_"):
            return text[len(side) + 1 :], side
        if text.endswith(f"_{side}"):
            return text[: -len(side) - 1], side
    return text, "middle" if text in _MIDDLE else ""


def spot(label: str, body: str = "NFHS", side: str = "") -> Spot:
    """Return place, distance and source of a spot label.

    Parameters
    ----------
    label : str
        Spot label, with or without its side.
    body : str
        Rule body, one of `BODIES`.
    side : str
        Side from a column of its own; the label's own side wins.

    Raises
    ------
    ArgumentError
        When the body or the label is not known; names the nearest label.
    """
    places = _places(court(body))
    name, own_side = parse_spot(label)
    if name not in places:
        close = nearest(name, places)
        raise ArgumentError(
            f"spot {label!r} is not a spot of the {body} court",
            rule=f"spots are {', '.join(spot_names(body))}, with left_ or right_ before sided ones",
            next_step=f"did you mean {close!r}?" if close else "use one of the labels.",
        )
    x, y, source = places[name]
    where: Side = own_side or _SIDES.get(side, "")
    x = -x if where == "left" and name in _SIDED else x
    return Spot(name, where, x, y, math.hypot(x, y), f"{body}: {source}")
