"""Half-court plan of charted spots, to scale, with the rule body named."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.page import style
from transfer.records.geometry import Court, court, spot
from transfer.records.problems import nearest

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["FEET_IN_METRE", "Unit", "describe", "draw", "frame"]

Unit = Literal["ft", "m"]
#: Exact by definition of the foot.
FEET_IN_METRE = 1 / 0.3048
_UNITS = {"ft": 1.0, "m": FEET_IN_METRE}


def frame(practice: pd.DataFrame, body: str = "NFHS", unit: Unit = "ft") -> pd.DataFrame:
    """Return attempts and makes by charted spot with its place on the floor.

    Parameters
    ----------
    practice : DataFrame
        Canonical rows with ``spot``, ``mode``, ``attempts``, ``makes`` and, where charted,
        ``side``.
    body : str
        Rule body whose court is drawn.
    unit : {"ft", "m"}
        Unit of the places.

    Returns
    -------
    DataFrame
        One row per ``mode`` and spot: ``spot``, ``side``, ``x``, ``y``, ``distance``,
        ``attempts``, ``makes``, ``rate``, ``body``, ``unit``. Rows without a spot, and spots
        whose side is not said although they have one, are counted under the right side.

    Raises
    ------
    ArgumentError
        When the unit, the rule body or a spot is not known.
    """
    scale = _scale(unit)
    rows = practice[practice["spot"].notna() & (practice["spot"].astype(str) != "")]
    sides = rows["side"].astype("string").fillna("") if "side" in rows else ""
    keys = rows.assign(spot=rows["spot"].astype(str), side=sides, mode=rows["mode"].astype(str))
    counts = keys.groupby(["mode", "spot", "side"], as_index=False)[["attempts", "makes"]].sum()
    places = [spot(s, body, side) for s, side in zip(counts["spot"], counts["side"], strict=True)]
    counts = counts.assign(
        spot=[p.name for p in places],
        side=[p.side for p in places],
        x=[p.x / scale for p in places],
        y=[p.y / scale for p in places],
        distance=[p.distance_ft / scale for p in places],
    )
    keep = ["mode", "spot", "side", "x", "y", "distance"]
    table = counts.groupby(keep, as_index=False)[["attempts", "makes"]].sum()
    table = table[table["attempts"] > 0]
    return table.assign(
        rate=table["makes"] / table["attempts"], body=court(body).body, unit=unit
    ).reset_index(drop=True)


def _scale(unit: str) -> float:
    if unit not in _UNITS:
        close = nearest(unit, list(_UNITS))
        raise ArgumentError(
            f"unit={unit!r}",
            rule="ft (feet) or m (metres)",
            next_step=f"did you mean {close!r}?" if close else "pass 'ft' or 'm'",
        )
    return _UNITS[unit]


def _lines(axes: Any, c: Court, scale: float) -> None:
    """Lines of half a court around the ring centre at the origin."""
    from matplotlib.patches import Arc, Circle, Rectangle

    line: dict[str, Any] = {"fill": False, "ec": style.PALE, "lw": 0.9}
    lane, base, free = c.lane_half_width / scale, -c.end_line / scale, c.free_throw_line / scale
    axes.axhline(base, color=style.PALE, lw=0.9)
    axes.add_patch(Rectangle((-lane, base), 2 * lane, free - base, **line))
    axes.add_patch(Circle((0, free), c.circle_radius / scale, **line))
    axes.add_patch(Circle((0, 0), 0.75 / scale, **line))
    restricted, arc = 2 * c.restricted_arc / scale, 2 * c.three_point_arc / scale
    axes.add_patch(Arc((0, 0), restricted, restricted, theta1=0, theta2=180, color=style.PALE))
    axes.add_patch(Arc((0, 0), arc, arc, theta1=0, theta2=180, color=style.PALE))
    for mark in c.lane_marks:
        for side in (-1, 1):
            axes.plot([side * lane, side * (lane + 0.7 / scale)], [mark / scale] * 2,
                      color=style.PALE, lw=1.2)  # fmt: skip


def draw(table: pd.DataFrame) -> Figure:
    """Draw one court per mode, a mark per spot with area by attempts and its make rate."""
    modes = [m for m in ("rep", "live") if m in set(table["mode"])]
    body, unit = table["body"].iloc[0], table["unit"].iloc[0]
    scale = _UNITS[unit]
    with style.styled():
        figure, panels = style.grid_of_panels(modes, columns=2, row_height=3.5)
        for mode, axes in panels.items():
            _lines(axes, court(body), scale)
            rows = table[table["mode"] == mode]
            area = 20 + 260 * rows["attempts"] / table["attempts"].max()
            axes.scatter(rows["x"], rows["y"], s=area, marker=style.MARKERS[mode],
                         color=style.MODE_COLOURS[mode], alpha=0.75, lw=0, zorder=3)  # fmt: skip
            room = np.sqrt(area) / 2 + 3
            for r, out in zip(rows.to_dict(orient="records"), room, strict=True):
                side = -1 if r["x"] < 0 else 1
                axes.annotate(
                    f"{r['rate']:.0%} of {r['attempts']:,.0f}",
                    (r["x"], r["y"]),
                    (side * out, 0),
                    textcoords="offset points",
                    ha="left" if side > 0 else "right",
                    va="center",
                    fontsize=7,
                )
            axes.set_aspect("equal")
            axes.set_xlim(-21 / scale, 21 / scale)
            axes.set_ylim(-6 / scale, 26 / scale)
            axes.grid(False)
            axes.set_xlabel(f"{'feet' if unit == 'ft' else 'metres'} from the ring, {body} court")
    return figure


def describe(table: pd.DataFrame) -> str:
    """Alternative text: attempts, spots and the most used spot of each mode."""
    unit = "feet" if table["unit"].iloc[0] == "ft" else "metres"
    parts = []
    for mode, rows in table.groupby("mode", sort=False):
        most = rows.iloc[int(rows["attempts"].to_numpy().argmax())]
        place = style.setting_label(f"{most['side']} {most['spot']}".strip())
        parts.append(
            f"{mode}: {rows['attempts'].sum():,.0f} attempts from {len(rows)} spots, most from "
            f"{place} ({most['distance']:.1f} {unit}, {most['rate']:.0%} made)"
        )
    return f"Half-court plan to scale, {table['body'].iloc[0]} court. {'; '.join(parts)}."
