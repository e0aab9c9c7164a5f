"""Which player-seasons a table shows: the latest of each program, one by its name, or all."""

from __future__ import annotations

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError

__all__ = ["ALL", "LATEST", "in_season"]

LATEST = "latest"
ALL = "all"


def in_season(who: pd.DataFrame, season: str = LATEST) -> np.ndarray:
    """Mark the rows of one season.

    Parameters
    ----------
    who : DataFrame
        With ``program`` and ``season``, blank or missing where not charted.
    season : str
        ``latest``: of each program, by the order of the names, so that players who have left are
        not among them; ``all``; or the name of a season.

    Raises
    ------
    ArgumentError
        When no row is of that season.
    """
    if season == ALL:
        return np.ones(len(who), dtype=bool)
    named = who["season"].astype("string").fillna("")
    if season == LATEST:
        program = who["program"].astype("string").fillna("")
        return np.asarray(named == named.groupby(program).transform("max"), dtype=bool)
    found = np.asarray(named == season, dtype=bool)
    if not found.any():
        there = ", ".join(sorted(set(named) - {""})) or "none by name"
        raise ArgumentError(
            f"season {season!r} is not in these records",
            rule=f"a season of the records ({there}), {LATEST} or {ALL}",
            next_step=f"write it as the records do, or {LATEST}",
        )
    return found
