"""Checks and small sums that every rate needs: counts, probabilities, percentages in words."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from transfer.arguments import between
from transfer.errors import ArgumentError
from transfer.records.cells import GAME, Cells

__all__ = [
    "FloatArray",
    "add_up",
    "check_columns",
    "check_counts",
    "check_prob",
    "distinct",
    "percent",
]

FloatArray = npt.NDArray[np.float64]


def check_prob(prob: float, name: str = "prob") -> float:
    """Return `prob` when it lies strictly between 0 and 1.

    Raises
    ------
    ArgumentError
        Otherwise.
    """
    wrong = "is not a probability content"
    return between(name, prob, wrong, above=0, below=1, next_step=f"pass e.g. {name}=0.90")


def check_counts(
    y: npt.ArrayLike, n: npt.ArrayLike, *, whole: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Broadcast makes and attempts against each other and check them.

    Parameters
    ----------
    y, n : array_like, broadcastable
        Makes and attempts. Fractions are accepted unless `whole`, because counts divided by a
        design effect are fractions.
    whole : bool
        Ask for whole numbers.

    Returns
    -------
    y, n : array, shape of the broadcast

    Raises
    ------
    ArgumentError
        For anything but finite 0 <= y <= n with n > 0; the first offending pair is named.
    """
    makes, attempts = np.broadcast_arrays(np.asarray(y, dtype=float), np.asarray(n, dtype=float))
    bad = ~(np.isfinite(makes) & np.isfinite(attempts))
    rule = "0 <= y <= n and n > 0, both finite"
    with np.errstate(invalid="ignore"):
        bad |= (makes < 0) | (makes > attempts) | (attempts <= 0)
        if whole:
            bad |= (makes != np.round(makes)) | (attempts != np.round(attempts))
            rule += ", whole numbers"
    if bad.any():
        first = tuple(int(i) for i in np.argwhere(bad)[0])
        place = f" at position {first[0] if len(first) == 1 else first}" if first else ""
        raise ArgumentError(
            f"counts y={makes[first]:g}, n={attempts[first]:g}{place} are not makes of attempts",
            rule=rule,
            next_step="drop rows without attempts and correct the counts",
        )
    return makes.copy(), attempts.copy()


def check_columns(frame: pd.DataFrame, columns: tuple[str, ...], name: str) -> None:
    """Raise ArgumentError when `frame` lacks one of `columns`."""
    missing = [column for column in columns if column not in frame.columns]
    if missing:
        raise ArgumentError(
            f"{name} lacks the column(s) {', '.join(missing)}",
            rule=f"{name} needs the columns {', '.join(columns)}",
            next_step=f"rename or add them; found {', '.join(map(str, frame.columns)) or 'none'}",
        )


def distinct(y: FloatArray, n: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Distinct (y, n) pairs with how often each occurs, to spare repeated likelihood terms."""
    pairs, times = np.unique(np.column_stack([y.ravel(), n.ravel()]), axis=0, return_counts=True)
    return pairs[:, 0], pairs[:, 1], times.astype(float)


def percent(value: float, digits: int = 0) -> str:
    """Format a share as a percentage for a sentence: ``percent(.413) == "41%"``."""
    return f"{100 * value:.{digits}f}%"


def add_up(cells: Cells) -> tuple[pd.DataFrame, int]:
    """One row per unit and setting with attempts, and how many cells had none.

    Raises
    ------
    ArgumentError
        For missing columns, unknown settings, impossible counts, or no attempt at all.
    """
    check_columns(cells.table, ("unit", "setting", "n", "y"), "cells.table")
    known = {*cells.settings, GAME}
    strange = sorted(set(map(str, cells.table["setting"])) - known)
    if strange:
        raise ArgumentError(
            f"cells.table holds the setting(s) {', '.join(strange)}",
            rule="every setting is listed in cells.settings, or is 'game'",
            next_step="build cells with transfer.records",
        )
    frame = cells.table[["unit", "setting", "n", "y"]].astype({"setting": str})
    used = frame[frame["n"] > 0]
    if used.empty:
        raise ArgumentError(
            "cells.table holds no attempts",
            rule="at least one cell with n > 0",
            next_step="check the records with `transfer check`",
        )
    rows = used.groupby(["unit", "setting"], sort=True, as_index=False).sum()
    check_counts(rows["y"].to_numpy(), rows["n"].to_numpy())
    return rows, int(len(frame) - len(used))
