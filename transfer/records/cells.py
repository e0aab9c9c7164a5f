"""Cells: the sufficient statistics that cross from records to rates and models.

A cell is player x practice setting (or player x game shooting), with attempts ``n`` and makes
``y``. A simulated team-season of 58,705 attempts is 70 such cells with the same posterior to the
second decimal, so aggregation comes first and every model starts here.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError, RecordsError
from transfer.provenance import hash_frames
from transfer.records.reading import Records
from transfer.records.schema import UNKNOWN
from transfer.records.sessions import session_cells
from transfer.records.settings import DEFAULTS
from transfer.records.units import GAME, WHO, game_rows, practice_rows, setting_labels
from transfer.records.weeks import WeeklyCells, attempt_pace, weekly_cells

__all__ = [
    "GAME",
    "ROLES",
    "Cells",
    "WeeklyCells",
    "attempt_pace",
    "build_cells",
    "session_cells",
    "weekly_cells",
]


#: What cells may say of their player beyond the counts.
ROLES = ("position", "class_year", "volume")


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
        of the cell), ``contest`` (game cells by contest level), ``defender``, and of `ROLES` what
        was asked for.
    settings : tuple of str
        Practice settings in a fixed order (rep first, then live; lighter contest first).
    units : tuple of str
        Player-season keys in a fixed (sorted) order.
    data_hash : str
        SHA-256 of the table, see `transfer.provenance.hash_frames`.
    sessions : DataFrame or None
        The same attempts by session, see `session_cells`: they tell a fit whether an attempt counts
        as a whole one. ``None`` where the counts did not come from records.
    """

    table: pd.DataFrame
    settings: tuple[str, ...]
    units: tuple[str, ...]
    data_hash: str
    sessions: pd.DataFrame | None = field(default=None, repr=False)

    @property
    def modes(self) -> tuple[str, ...]:
        """Mode (``rep`` or ``live``) of each practice setting, in the order of ``settings``."""
        first = self.table.drop_duplicates("setting")
        mode = dict(zip(first["setting"].astype(str), first["mode"].astype(str), strict=True))
        lacking = [setting for setting in self.settings if setting not in mode]
        if lacking:
            raise ArgumentError(
                f"settings {lacking[:5]} have no row in the cells",
                rule="every setting has at least one cell, which tells its mode",
                next_step="leave the setting out of `settings`",
            )
        return tuple(mode[setting] for setting in self.settings)


@kinds_checked
def build_cells(
    records: Records,
    settings: tuple[str, ...] | list[str] | str = DEFAULTS.settings,
    *,
    distance: bool = False,
    game_contest: bool = False,
    defenders: bool = False,
    roles: tuple[str, ...] = (),
    fouled_miss_counts: bool = False,
) -> Cells:
    """Count attempts and makes by player-season and setting.

    Parameters
    ----------
    records : Records
        Checked records; practice or games may be absent.
    settings : tuple of str, or comma-separated str
        Practice columns that make a setting; ``mode`` always stands first.
    distance : bool
        Add ``distance_ft``, the mean over the cell's attempts with a known distance.
    game_contest : bool
        Split game cells by contest level (column ``contest``, empty where it was not charted and
        for practice cells).
    defenders : bool
        Split live cells by the defender (column ``defender``, empty for other cells).
    roles : tuple of str
        Any of `ROLES`: columns ``position`` and ``class_year`` from the roster (blank where it does
        not say), and ``volume``, practice attempts a week of the player over the weeks in which his
        program charted practice.
    fouled_miss_counts : bool
        Count a fouled miss as an attempt. By the official scoring convention it is none; a
        blocked shot is a missed attempt either way.

    Returns
    -------
    Cells
        The columns of `distance`, `game_contest`, `defenders` and `roles` are absent when the
        records do not carry them. Cells without an attempt are left out.

    Raises
    ------
    ArgumentError
        When a setting is not a practice column.
    RecordsError
        When the records do not carry a setting, or hold no attempt at all.
    """
    practice = practice_rows(records, fouled_miss_counts=fouled_miss_counts)
    games = game_rows(records, fouled_miss_counts=fouled_miss_counts)
    labels, order = setting_labels(practice, settings)
    practice = practice.assign(setting=labels)
    games = _game_minutes(games).assign(setting=GAME, mode=GAME)
    extra: list[str] = []
    if game_contest and "contest" in games:
        extra.append("contest")
        practice = practice.assign(contest="")
        games = games.assign(contest=games["contest"].replace(UNKNOWN, ""))
        games = games.assign(minutes=np.nan)  # a game's minutes belong to no single contest
    if defenders and "defender" in practice:
        extra.append("defender")
        practice = practice.assign(
            defender=practice["defender"].where(practice["mode"] == "live", "")
        )
        games = games.assign(defender="")
    rows = pd.concat([_slim(frame, extra) for frame in (practice, games)], ignore_index=True)
    table = _aggregate(rows, [*WHO, "setting", "mode", *extra])
    known = rows["distance_ft"].notna().any()
    table = table if distance and known else table.drop(columns="distance_ft")
    table = table[table["n"] > 0]
    if table.empty:
        raise RecordsError(
            "the records hold no attempt",
            rule="there is at least one attempt",
            next_step="check that the right files were read and attempts are filled in",
        )
    held = set(table["setting"])
    kept = tuple(label for label in order if label in held)
    rank = {label: place for place, label in enumerate((*kept, GAME))}
    table = (
        table.assign(rank=table["setting"].map(rank))
        .sort_values(["unit", "rank", *extra], ignore_index=True)
        .drop(columns="rank")
    )
    table = table.assign(**_roles(records, practice, table, roles))
    units = tuple(sorted(table["unit"].unique()))
    sessions = session_cells(records, settings, fouled_miss_counts=fouled_miss_counts)
    return Cells(table, kept, units, hash_frames(cells=table), sessions)


def _roles(
    records: Records, practice: pd.DataFrame, table: pd.DataFrame, roles: tuple[str, ...]
) -> dict[str, pd.Series]:
    """Columns of what was asked for and is charted, the same in all rows of a unit."""
    found: dict[str, pd.Series] = {}
    roster = records.roster
    who = ["program", "season", "player"]
    for name in ("position", "class_year"):
        if name in roles and roster is not None and name in roster:
            known = roster.set_index(who)[name].astype(str)
            keys = pd.MultiIndex.from_frame(table[who])
            found[name] = pd.Series(known.reindex(keys).to_numpy(), table.index).fillna("")
    if "volume" in roles and len(practice):
        week = practice["date"].dt.to_period("W")
        weeks = week.groupby([practice["program"], practice["season"]]).nunique()
        attempts = practice.groupby("unit")["n"].sum()
        squads = pd.MultiIndex.from_frame(table[["program", "season"]])
        total = table["unit"].map(attempts).fillna(0).to_numpy(float)
        found["volume"] = pd.Series(total / weeks.reindex(squads).to_numpy(float), table.index)
    return found


def _slim(frame: pd.DataFrame, extra: list[str]) -> pd.DataFrame:
    """Only the columns cells are made of, minutes and distance NaN where absent."""
    wanted = [*WHO, "setting", "mode", *extra, "n", "y", "minutes", "distance_ft"]
    return frame.reindex(columns=wanted).astype(
        {"minutes": float, "distance_ft": float, "n": np.int64, "y": np.int64}
    )


def _game_minutes(games: pd.DataFrame) -> pd.DataFrame:
    """Minutes on the first row of each player-game only, so that sums count them once."""
    if "minutes" not in games:
        return games
    again = games.duplicated(["unit", "date", "game"])
    return games.assign(minutes=games["minutes"].where(~again, 0.0))


def _aggregate(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Sum counts; minutes are NaN when any row lacks them; distances weighted by attempts."""
    weight = rows["n"].where(rows["distance_ft"].notna(), 0)
    summed = (
        rows.assign(
            known=weight,
            reach=weight * rows["distance_ft"].fillna(0.0),
            uncharted=rows["minutes"].isna(),
        )
        .groupby(by, sort=True, observed=True)
        .agg(
            n=("n", "sum"),
            y=("y", "sum"),
            minutes=("minutes", "sum"),
            uncharted=("uncharted", "any"),
            known=("known", "sum"),
            reach=("reach", "sum"),
        )
        .reset_index()
    )
    summed["minutes"] = summed["minutes"].mask(summed["uncharted"])
    summed["distance_ft"] = summed["reach"] / summed["known"].where(summed["known"] > 0)
    return summed.drop(columns=["uncharted", "known", "reach"])
