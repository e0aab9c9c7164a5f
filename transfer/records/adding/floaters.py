"""Floaters out of all shots: by type of shot, by distance on the floor, and contest by distance."""

from __future__ import annotations

import numpy as np
import pandas as pd

from transfer.records.adding.mapping import UNITS, Floaters, Floor
from transfer.records.adding.words import plain_words
from transfer.records.adding.work import Work, number_text, pointed
from transfer.records.geometry import court

__all__ = ["COURTS_FT", "distances", "select"]

#: Length and width of the court by rule body, ft (rule books, from memory; a high-school court may
#: be 94 ft long as well, which ``length_ft`` of the mapping says).
COURTS_FT = {
    "NFHS": (84.0, 50.0),
    "NCAA": (94.0, 50.0),
    "lane_16ft": (94.0, 50.0),
    "FIBA": (28 / 0.3048, 15 / 0.3048),
}


def select(work: Work) -> None:
    """Give shots their distance in feet and their contest, and leave out what is no floater.

    Parameters
    ----------
    work : Work
        Rows of a game log; its columns and the rows left out are changed in place.
    """
    feet = _distance_column(work)
    _contests(work)
    chosen = work.mapping.floaters
    types = work.columns.pop("type", None)
    if chosen is None:
        return
    if chosen.types and types is not None:
        meant = {plain_words(text) for text in chosen.types}
        work.leave_out(~types.map(plain_words).isin(meant), "not a floater by its type")
    if feet is not None:
        work.leave_out(feet.isna(), "no distance")
        outside = (feet < chosen.from_ft) | (feet > chosen.to_ft)
        work.leave_out(outside, _band(chosen, "outside"))
    work.settings["floaters"] = "; ".join(
        [
            f"types {', '.join(chosen.types)}" if chosen.types else "any type",
            _band(chosen, "from") if feet is not None else "no distance charted",
        ]
    )


def _band(chosen: Floaters, word: str) -> str:
    return f"{word} {chosen.from_ft:g} to {chosen.to_ft:g} ft"


def _distance_column(work: Work) -> pd.Series | None:
    """Distance in feet, NaN where blank, written into the records' column; None where unknown."""
    floor = work.mapping.floor
    if "distance_ft" in work.columns:
        feet = _numbers(work, "distance_ft") * UNITS[floor.distance_unit]
        if floor.distance_unit != "ft":
            work.settings["distance"] = f"from {floor.distance_unit}"
    elif {"x", "y"} <= set(work.columns):
        x, y = (_numbers(work, name).to_numpy() for name in ("x", "y"))
        feet = pd.Series(distances(x, y, floor, work.rule_body), index=work.rows.index)
        work.settings["places"] = (
            f"x and y in {floor.place_unit}, origin {floor.origin}, {floor.along} along the court, "
            f"court {work.rule_body}"
        )
    else:
        return None
    for name in ("x", "y"):
        work.columns.pop(name, None)
    feet = feet.round(2)
    work.columns["distance_ft"] = feet.map(number_text)
    return feet


def distances(x: np.ndarray, y: np.ndarray, floor: Floor, rule_body: str) -> np.ndarray:
    """Plane distances from below the nearer ring.

    Parameters
    ----------
    x, y : float arrays, shape (N,)
        Places in the unit of `floor`.
    floor : Floor
        Unit, origin, and which axis runs along the court.
    rule_body : str
        Whose court it is.

    Returns
    -------
    float array, shape (N,)
        Feet.
    """
    scale = UNITS[floor.place_unit]
    along, across = (x * scale, y * scale) if floor.along == "x" else (y * scale, x * scale)
    if floor.origin == "ring":
        return np.hypot(along, across)
    length, width = COURTS_FT[rule_body]
    length = floor.length_ft or length
    if floor.origin == "corner":
        across = across - width / 2
    if floor.origin == "centre":
        along = along + length / 2
    ring = court(rule_body).end_line
    return np.minimum(np.hypot(along - ring, across), np.hypot(length - ring - along, across))


def _numbers(work: Work, name: str) -> pd.Series:
    texts = work.columns[name].map(pointed)
    numbers = pd.to_numeric(texts, errors="coerce")
    wrong = (numbers.isna() & (texts != "")) | np.isinf(numbers)
    work.refuse(
        wrong, name, texts, "a distance or place is a number",
        "write the number without unit or word",
    )  # fmt: skip
    return numbers.mask(wrong)


def _contests(work: Work) -> None:
    """Contest levels by the nearest defender's distance."""
    if "defender_distance" not in work.columns:
        return
    unit = work.mapping.floor.defender_unit
    feet = _numbers(work, "defender_distance") * UNITS[unit]
    work.columns.pop("defender_distance")
    bands = work.mapping.bands
    if not bands:
        return
    level = pd.Series("", index=feet.index, dtype=object)
    for band in bands:
        level = level.mask((feet >= band.from_ft) & (feet < band.to_ft), band.contest)
    own = work.get("contest")
    work.columns["contest"] = own.mask(own == "", level)
    work.settings["contest by distance"] = ", ".join(
        f"{band.from_ft:g}-{band.to_ft:g} ft {band.contest}" for band in bands
    )
