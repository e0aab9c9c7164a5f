"""Session cells: the finer counts that tell whether cells may be pooled, and which set stopped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from transfer.records.settings import DEFAULTS
from transfer.records.units import GAME, WHO, game_rows, practice_rows, setting_labels

if TYPE_CHECKING:
    from transfer.records.reading import Records

__all__ = ["session_cells"]

#: Rows that make up one set (together with the unit).
_SET = ("unit", "date", "session", "drill", "set")


def session_cells(
    records: Records,
    settings: tuple[str, ...] | list[str] | str = DEFAULTS.settings,
    *,
    fouled_miss_counts: bool = False,
) -> pd.DataFrame:
    """Attempts and makes by player-season, setting and session (or game).

    Parameters
    ----------
    records : Records
        Checked records.
    settings : tuple of str, or comma-separated str
        As in `transfer.records.cells.build_cells`.
    fouled_miss_counts : bool
        Whether a fouled miss is an attempt.

    Returns
    -------
    DataFrame
        Columns ``unit``, ``player``, ``program``, ``season``, ``setting``, ``mode``, ``date``,
        ``session`` (the game's label for game rows), ``set_id`` (-1 for work without a target,
        else the number of the set: one row per set), ``target`` (k of a first-to-k set, else
        NaN), ``n``, ``y``, ``stopped`` (whether the set reached its target, so that its raw rate
        is biased upward). Rows without an attempt are left out.

    Raises
    ------
    ArgumentError
        When a setting is not a practice column.
    RecordsError
        When the records do not carry a setting.
    """
    practice = practice_rows(records, fouled_miss_counts=fouled_miss_counts)
    labels, order = setting_labels(practice, settings)
    practice = _number_sets(practice.assign(setting=labels))
    games = game_rows(records, fouled_miss_counts=fouled_miss_counts)
    games = games.assign(
        setting=GAME, mode=GAME, session=games["game"], set_id=-1, target=np.nan, stopped=False
    )
    by = [*WHO, "setting", "mode", "date", "session", "set_id", "target", "stopped"]
    rows = pd.concat([frame[[*by, "n", "y"]] for frame in (practice, games)], ignore_index=True)
    table = rows.groupby(by, dropna=False, observed=True, as_index=False)[["n", "y"]].sum()
    table = table[table["n"] > 0]
    rank = {label: place for place, label in enumerate((*order, GAME))}
    table = table.assign(rank=table["setting"].map(rank)).sort_values(
        ["unit", "rank", "date", "session", "set_id"], ignore_index=True
    )
    wanted = [*by[:-1], "n", "y", "stopped"]
    return table[wanted].astype({"n": np.int64, "y": np.int64, "stopped": bool})


def _number_sets(practice: pd.DataFrame) -> pd.DataFrame:
    """Number the sets with a target and mark those that reached it."""
    if "target" not in practice:
        return practice.assign(set_id=-1, target=np.nan, stopped=False)
    held = practice["target"].notna()
    by = [name for name in _SET if name in practice]
    grouped = practice[held].groupby(by, dropna=False, observed=True, sort=True)
    stopped = grouped["y"].transform("sum") == practice.loc[held, "target"]
    return practice.assign(
        set_id=grouped.ngroup().reindex(practice.index, fill_value=-1).astype(np.int64),
        stopped=stopped.reindex(practice.index, fill_value=False).astype(bool),
    )
