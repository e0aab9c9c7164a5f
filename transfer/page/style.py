"""One look for every figure: plain statistical graphics, colour-blind safe, equal bytes each time.

Colours are the eight-colour palette of Okabe and Ito (2008, "Color Universal Design", values from
memory). Colour never carries a meaning alone: each mode has its own marker and its own place.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from transfer.records.schema import UNKNOWN

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = [
    "COLOURS",
    "INK",
    "MARKERS",
    "MODE_COLOURS",
    "PALE",
    "grid_of_panels",
    "new_figure",
    "percent_axis",
    "setting_label",
    "styled",
]

#: Okabe and Ito (2008), from memory.
COLOURS = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}
MODE_COLOURS = {
    "rep": COLOURS["blue"],
    "live": COLOURS["vermillion"],
    "game": COLOURS["black"],
}
MARKERS = {"rep": "o", "live": "s", "game": "D"}
INK = "#222222"
#: Grey of what stands behind: raw rates, starting assumptions, grid.
PALE = "#8C8C8C"

_RC: dict[str, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.titlesize": 9.5,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.labelsize": 9.0,
    "axes.edgecolor": INK,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "grid.color": "#E2E2E2",
    "grid.linewidth": 0.6,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "xtick.labelsize": 8.0,
    "ytick.labelsize": 8.0,
    "legend.frameon": False,
    "legend.fontsize": 8.0,
    "lines.linewidth": 1.2,
    "figure.facecolor": "white",
    "savefig.facecolor": "white",
    # Outlines instead of fonts and a fixed salt: the same drawing on every machine.
    "svg.fonttype": "path",
    "svg.hashsalt": "practice-transfer",
}


@contextmanager
def styled() -> Iterator[None]:
    """Use the package's style inside the block, whatever the user's own settings are."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcdefaults()
        mpl.rcParams.update(_RC)
        yield


def new_figure(width: float = 7.0, height: float = 3.6) -> Figure:
    """Return an empty figure that is not registered with any window system.

    Parameters
    ----------
    width, height : float
        Size in inches; 7 inches is the text width of an A4 page.
    """
    from matplotlib.figure import Figure

    return Figure(figsize=(width, height), layout="constrained")


def grid_of_panels(
    names: Sequence[str],
    columns: int = 3,
    width: float = 7.0,
    row_height: float = 2.4,
    sharex: bool = False,
    sharey: bool = False,
) -> tuple[Figure, dict[str, Any]]:
    """Return a figure with one titled panel per name, row by row.

    Parameters
    ----------
    names : sequence of str
        Panel names, in order.
    columns : int
        Most panels in a row.
    width, row_height : float
        Inches.
    sharex, sharey : bool
        Whether all panels have the same axis.
    """
    columns = max(1, min(columns, len(names)))
    rows = -(-len(names) // columns)
    figure = new_figure(width, row_height * rows + 0.4)
    axes = figure.subplots(rows, columns, squeeze=False, sharex=sharex, sharey=sharey).ravel()
    for spare in axes[len(names) :]:
        spare.set_axis_off()
    panels = dict(zip(names, axes, strict=False))
    for name, panel in panels.items():
        panel.set_title(setting_label(name))
    return figure, panels


def percent_axis(axis: Any) -> None:
    """Label an axis of rates in whole percent."""
    from matplotlib.ticker import MaxNLocator, PercentFormatter

    axis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]))
    axis.set_major_formatter(PercentFormatter(xmax=1.0, decimals=0))


def setting_label(setting: str) -> str:
    """Words for a setting: ``"live/front_and_trailing"`` becomes "live, front and trailing"."""
    parts = ["contest unknown" if part == UNKNOWN else part for part in setting.split("/")]
    return ", ".join(parts).replace("_", " ")
