"""Cells: the sufficient statistics that cross from records to rates and models.

A cell is player x practice setting (or player x game shooting), with attempts ``n`` and makes
``y``. A simulated team-season of 58,705 attempts is 70 such cells with the same posterior to the
second decimal, so aggregation comes first and every model starts here.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

__all__ = ["GAME", "Cells"]

#: Label of game shooting in the ``setting`` column.
GAME = "game"


@dataclass(frozen=True)
class Cells:
    """Attempts and makes by player and setting.

    Parameters
    ----------
    table : DataFrame
        One row per cell, sorted, with columns ``unit`` (player-season key, unique over programs
        and seasons), ``player``, ``program``, ``season``, ``setting`` (a practice setting such as
        ``"live/trailing"``, or ``"game"``), ``mode`` (``rep``, ``live`` or ``game``), ``n``,
        ``y`` (integers), ``minutes`` (float, NaN where not charted). Optional columns, present
        only when the records carry them and they were asked for: ``distance_ft`` (mean distance
        of the cell), ``contest`` (game cells by contest level), ``defender``.
    settings : tuple of str
        Practice settings in a fixed order (rep first, then live; lighter contest first).
    units : tuple of str
        Player-season keys in a fixed (sorted) order.
    data_hash : str
        SHA-256 of the table, see `transfer.provenance.hash_frames`.
    """

    table: pd.DataFrame
    settings: tuple[str, ...]
    units: tuple[str, ...]
    data_hash: str

    @property
    def modes(self) -> tuple[str, ...]:
        """Mode (``rep`` or ``live``) of each practice setting, in the order of ``settings``."""
        return tuple(setting.split("/")[0] for setting in self.settings)
