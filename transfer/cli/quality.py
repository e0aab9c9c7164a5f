"""What the records hold and how far their counts can be trusted, for commands that show it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from transfer.errors import IdentificationError
from transfer.rates.dispersion import dispersion
from transfer.records.reading import Records

__all__ = ["records_summary", "session_spread"]


def session_spread(sessions: pd.DataFrame) -> tuple[str, dict[str, Any] | None]:
    """Say whether adding up sessions was harmless; sets with a target are left out.

    Parameters
    ----------
    sessions : DataFrame
        From `transfer.records.sessions.session_cells`.

    Returns
    -------
    str, dict or None
        A sentence and its numbers; no numbers when there are too few sessions.
    """
    free = sessions[sessions["target"].isna()]
    keys = ["unit", "setting", "date", "session"]
    counts = free.groupby(keys, as_index=False, observed=True)[["n", "y"]].sum()
    try:
        found = dispersion(counts)
    except IdentificationError as error:
        return f"Variation between sessions cannot be judged: {error.message}.", None
    return found.text, found.to_dict()


def records_summary(records: Records) -> list[tuple[str, str]]:
    """Names and values of what the records hold, table by table.

    Parameters
    ----------
    records : Records
        Checked records.

    Returns
    -------
    list of (str, str)
    """
    rows = [
        (
            row["table"],
            f"{row['makes']:,} makes of {row['attempts']:,} attempts by {row['players']} "
            f"player-seasons, {row['first']:%Y-%m-%d} to {row['last']:%Y-%m-%d}",
        )
        for row in records.table.to_dict(orient="records")
    ]
    practice = records.practice
    if practice is not None:
        sessions = practice[["program", "season", "date", "session"]].drop_duplicates()
        rows.append(("practice sessions", f"{len(sessions):,}"))
        if "charter" in practice:
            charters = int(practice["charter"].nunique())
            rows.append(("charters", str(charters)))
    if records.games is not None:
        games = records.games[["program", "season", "date", "game"]].drop_duplicates()
        rows.append(("games", f"{len(games):,}"))
    return rows
