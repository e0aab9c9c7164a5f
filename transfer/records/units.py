"""Units (player-seasons) and settings: what cells, sessions and weeks are counted by."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError, RecordsError
from transfer.records.problems import nearest
from transfer.records.schema import MODES, PRACTICE
from transfer.records.settings import SETTING_COLUMNS

if TYPE_CHECKING:
    from transfer.records.reading import Records

__all__ = [
    "GAME",
    "NOT_CHARTED",
    "WHO",
    "game_rows",
    "practice_rows",
    "setting_labels",
    "stated_mode",
    "unit_parts",
]

#: Label of game shooting in the ``setting`` column.
GAME = "game"

#: Part of a setting's label where a row left the column blank.
NOT_CHARTED = "not_charted"

#: Columns that say whose row it is.
WHO = ("unit", "player", "program", "season")


def unit_parts(records: Records) -> tuple[str, ...]:
    """Columns of the unit key: player, and program or season where more than one occurs.

    Parameters
    ----------
    records : Records
        Checked records.

    Returns
    -------
    tuple of str
        In the order program, season, player.
    """
    frames = [frame for frame in (records.practice, records.games) if frame is not None]
    varying = []
    for name in ("program", "season"):
        labels = set().union(*(frame[name].unique() for frame in frames))
        if len(labels) > 1:
            varying.append(name)
    return (*varying, "player")


def _with_units(frame: pd.DataFrame, parts: tuple[str, ...]) -> pd.DataFrame:
    """Add ``unit``: the parts joined by '/'. Unique, as player and program hold no '/'."""
    unit = frame[parts[0]]
    for name in parts[1:]:
        unit = unit + "/" + frame[name]
    return frame.assign(unit=unit)


def _counts(frame: pd.DataFrame, fouled_miss_counts: bool) -> pd.DataFrame:
    """Add ``n`` and ``y`` by the scoring convention, or with fouled misses as attempts."""
    n = frame["attempts"]
    if fouled_miss_counts and "fouled" in frame:
        n = n + frame["fouled"]
    return frame.assign(n=n.astype(np.int64), y=frame["makes"].astype(np.int64))


def practice_rows(records: Records, *, fouled_miss_counts: bool = False) -> pd.DataFrame:
    """Practice rows that count, with ``unit``, ``n`` and ``y``; second chartings left out.

    Parameters
    ----------
    records : Records
        Checked records.
    fouled_miss_counts : bool
        Whether a fouled miss is an attempt (the official convention says no).

    Returns
    -------
    DataFrame
        Empty when there is no practice table.
    """
    frame = records.practice
    if frame is None:
        names = [*PRACTICE.key, "attempts", "makes"]
        frame = pd.DataFrame({name: pd.Series([], dtype="str") for name in names})
        frame = frame.astype({"attempts": np.int64, "makes": np.int64, "date": "datetime64[s]"})
    if "second_chart" in frame:
        frame = frame[frame["second_chart"] != "yes"]
    return _counts(_with_units(frame, unit_parts(records)), fouled_miss_counts)


def game_rows(records: Records, *, fouled_miss_counts: bool = False) -> pd.DataFrame:
    """Game rows with ``unit``, ``n`` and ``y``; as `practice_rows`."""
    frame = records.games
    if frame is None:
        frame = pd.DataFrame(
            {name: pd.Series([], dtype="str") for name in ("game", "player", "program", "season")}
        )
        frame = frame.assign(
            date=pd.Series([], dtype="datetime64[s]"),
            attempts=pd.Series([], dtype=np.int64),
            makes=pd.Series([], dtype=np.int64),
        )
    return _counts(_with_units(frame, unit_parts(records)), fouled_miss_counts)


def stated_mode(setting: str) -> str:
    """Mode of a setting that somebody names without records, such as ``"live/trailing"``.

    Settings of records have a column that holds their mode; this is for those that are only named.

    Raises
    ------
    ArgumentError
        When the name starts with neither mode.
    """
    mode = setting.partition("/")[0]
    if mode not in MODES:
        raise ArgumentError(
            f"setting {setting!r} is neither rep nor live",
            rule="a setting starts with its mode: rep or live",
            next_step="name it e.g. 'rep/none' or 'live/trailing'",
        )
    return mode


def setting_labels(
    frame: pd.DataFrame, settings: tuple[str, ...] | list[str] | str
) -> tuple[pd.Series, tuple[str, ...]]:
    """Label every practice row with its setting; mode always stands first.

    Parameters
    ----------
    frame : DataFrame
        Practice rows.
    settings : tuple of str, or comma-separated str
        Practice columns that make a setting, for example ``("mode", "contest")``.

    Returns
    -------
    (Series, tuple of str)
        Labels such as ``"live/trailing"``, and the distinct labels in their fixed order: rep
        first, then live; levels in schema order (lighter contest first); other labels by text.

    Raises
    ------
    ArgumentError
        When a setting column is not known.
    RecordsError
        When no row carries a setting column that was asked for.
    """
    asked = settings.split(",") if isinstance(settings, str) else list(settings)
    columns = [
        "mode",
        *dict.fromkeys(setting.strip() for setting in asked if setting.strip() != "mode"),
    ]
    for name in columns:
        if name not in SETTING_COLUMNS:
            guess = nearest(name, SETTING_COLUMNS)
            raise ArgumentError(
                f"settings={','.join(columns)!r} holds {name!r}",
                rule=f"settings are practice columns: {', '.join(SETTING_COLUMNS)}",
                next_step=f"did you mean {guess!r}?" if guess else "pass settings='mode,contest'",
            )
        if len(frame) and name not in frame:
            raise RecordsError(
                f"the practice records do not carry {name!r}, which was asked for as a setting",
                rule="a setting is made of charted columns",
                next_step=f"chart {name}, or leave it out of settings",
            )
    combination = frame.groupby(columns, sort=False).ngroup()
    distinct = frame.loc[~combination.duplicated(), columns].replace("", NOT_CHARTED)
    settings_of = pd.Series(["/".join(parts) for parts in distinct.to_numpy()], dtype="str")
    levels = [PRACTICE.column(name).levels for name in columns]

    def place(parts: Sequence[str]) -> list[tuple[int, str]]:
        return [
            (known.index(part) if part in known else len(known), part)
            for part, known in zip(parts, levels, strict=True)
        ]

    ordered = sorted(distinct.itertuples(index=False, name=None), key=place)
    labels = pd.Series(settings_of.array.take(combination.to_numpy()), index=frame.index)
    return labels, tuple(dict.fromkeys("/".join(parts) for parts in ordered))
