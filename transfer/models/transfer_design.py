"""From cells to the arrays of the transfer model.

Every unit gets every practice setting and the game, charted or not: a cell without attempts adds
nothing to the likelihood, keeps the arrays the same shape for the same units, and lets a player be
left out by setting the game counts to zero.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.models.priors import TransferPriors
from transfer.models.roles import role_columns, role_priors
from transfer.provenance import hash_frames
from transfer.records.cells import GAME, Cells

__all__ = ["REFERENCE_DISTANCE_FT", "TransferDesign", "by_mode", "design_from_cells"]

#: Slopes are taken from this distance, the middle of the floater range (4-14 ft, about).
REFERENCE_DISTANCE_FT = 8.0
_CONTEST_ORDER = ("none", "light", "trailing", "front", "front_and_trailing")


@dataclass(frozen=True)
class TransferDesign:
    """Arrays of the transfer model.

    Parameters
    ----------
    settings : tuple of str
        K practice settings.
    units, programs : tuple of str
        P player-seasons and G programs.
    n, y : array, shape (N,)
        Attempts and makes of each cell; no whole numbers where over-dispersed counts enter as
        fewer.
    unit, setting : array of int, shape (N,)
        Unit and setting of each cell; setting K is the game.
    program : array of int, shape (P,)
        Program of each unit.
    season : array of int, shape (P,), or None
        Program-season of each unit; None where every program has one season.
    seasons : tuple of str
        Names of the program-seasons, such as ``"A/2024-25"``.
    player : array of int, shape (P,), or None
        Player of each unit; None where every player has one season.
    distance : array, shape (N,), or None
        Feet from the reference distance.
    contest : array of int, shape (N,), or None
        Ordered game contest of each cell, 0 for practice cells.
    contests : tuple of str
        Names of the ordered game contests, easiest first.
    defender : array of int, shape (N,), or None
        Defender of each cell, -1 where nobody was charted.
    defenders : tuple of str
    covariates : array, shape (N, J), or None
        Columns with normal slopes, on the logit scale.
    covariate_priors : tuple of (float, float)
        Mean and sd of the normal prior of each column's slope.
    covariate_names : tuple of (str, str)
        Term that each column belongs to, and its name there; columns of the analyst's own, all of
        one term ``"beta_covariate"``, when empty.
    """

    settings: tuple[str, ...]
    units: tuple[str, ...]
    programs: tuple[str, ...]
    n: np.ndarray
    y: np.ndarray
    unit: np.ndarray
    setting: np.ndarray
    program: np.ndarray
    season: np.ndarray | None = None
    seasons: tuple[str, ...] = ()
    player: np.ndarray | None = None
    distance: np.ndarray | None = None
    contest: np.ndarray | None = None
    contests: tuple[str, ...] = ()
    defender: np.ndarray | None = None
    defenders: tuple[str, ...] = ()
    covariates: np.ndarray | None = None
    covariate_priors: tuple[tuple[float, float], ...] = ()
    covariate_names: tuple[tuple[str, str], ...] = ()

    @property
    def dims(self) -> tuple[int, int]:
        """Number of units and of settings with the game."""
        return len(self.units), len(self.settings) + 1

    def attempts(self) -> np.ndarray:
        """Attempts by unit and setting, shape (P, K + 1)."""
        total = np.zeros(self.dims, dtype=self.n.dtype)
        np.add.at(total, (self.unit, self.setting), self.n)
        return total

    def without_games(self, unit: int) -> TransferDesign:
        """Return the design with all game attempts of one unit's player left out."""
        mine = np.arange(len(self.units)) == unit
        if self.player is not None:
            mine = self.player == self.player[unit]
        out = mine[self.unit] & (self.setting == len(self.settings))
        return replace(self, n=np.where(out, 0, self.n), y=np.where(out, 0, self.y))


def _complete(table: pd.DataFrame, cells: Cells) -> pd.DataFrame:
    """Add empty cells so that every unit has every setting and the game."""
    wanted = pd.MultiIndex.from_product(
        [cells.units, [*cells.settings, GAME]], names=["unit", "setting"]
    )
    have = pd.MultiIndex.from_frame(table[["unit", "setting"]].astype(str))
    missing = wanted.difference(have, sort=False).to_frame(index=False).assign(n=0, y=0)
    return pd.concat([table, missing], ignore_index=True)


def by_mode(cells: Cells) -> Cells:
    """Return the same cells with one practice setting a mode, the cells of each kept apart.

    Parameters
    ----------
    cells : Cells

    Returns
    -------
    Cells
        ``settings`` are the modes that occur, rep first. The table has the further column
        ``level``, the setting that the cell had, blank for games: `design_from_cells` makes shifts
        of the mode's mean of it where a mode has several.
    """
    table = cells.table
    practice = table["setting"] != GAME
    table = table.assign(
        level=table["setting"].astype(str).where(practice, ""),
        setting=table["setting"].where(~practice, table["mode"]),
    )
    modes = tuple(dict.fromkeys(cells.modes))
    return replace(cells, table=table, settings=modes, data_hash=hash_frames(cells=table))


def _level_shifts(frame: pd.DataFrame, sd: float) -> dict[str, Any]:
    """Columns that shift a mode's mean by the contest of the attempt.

    The shifts have independent normal priors. Each column is less its attempts-weighted mean over
    the mode, so that the mode's mean is that of the attempts as they were charted; the prior of
    differences between levels is not touched by that.
    """
    level = frame["level"].fillna("").astype(str)
    several = level[level != ""].groupby(frame["_s"]).transform("nunique").gt(1)
    level = level.where(several.reindex(level.index, fill_value=False), "")
    names = tuple(dict.fromkeys(level[level != ""]))
    if not names:
        return {}
    columns = np.equal.outer(level.to_numpy(), np.array(names, dtype=object)) * 1.0
    n = frame["n"].to_numpy(float)
    for setting in frame["_s"].unique():
        mode = (frame["_s"] == setting).to_numpy() & (level != "").to_numpy()
        if mode.any():
            columns[mode] -= n[mode] @ columns[mode] / n[mode].sum()
    return {
        "covariates": columns,
        "covariate_priors": ((0.0, sd),) * len(names),
        "covariate_names": tuple(("level_shift", name) for name in names),
    }


def _roles(frame: pd.DataFrame, cells: Cells, priors: TransferPriors) -> dict[str, Any]:
    """Shifts of the mean by role, one column per setting for each column of the units."""
    columns, names = role_columns(cells)
    settings = (*cells.settings, GAME)
    own = columns[frame["_u"].to_numpy()]
    setting = frame["_s"].to_numpy()[:, None] == np.arange(len(settings))
    slopes = [role_priors(name, len(cells.settings), priors) for name in names]
    return {
        "covariates": (own[:, :, None] * setting[:, None, :]).reshape(len(frame), -1),
        "covariate_priors": tuple(prior for slope in slopes for prior in slope),
        "covariate_names": tuple(
            (term, f"{level} in {setting}") for term, level in names for setting in settings
        ),
    }


def _joined(first: dict[str, Any], second: dict[str, Any]) -> dict[str, Any]:
    """Columns of both, or none at all where there are none."""
    parts = [p for p in (first, second) if p.get("covariate_names")]
    if not parts:
        return {}
    return {
        "covariates": np.column_stack([p["covariates"] for p in parts]),
        "covariate_priors": tuple(q for p in parts for q in p["covariate_priors"]),
        "covariate_names": tuple(q for p in parts for q in p["covariate_names"]),
    }


def _worth(frame: pd.DataFrame, effects: Mapping[str, float]) -> np.ndarray:
    """Design effect of each cell, by the setting that it was charted in."""
    setting = frame["setting"].astype(str)
    if "level" in frame:
        level = frame["level"].fillna("").astype(str)
        setting = level.where(level != "", setting)
    return setting.map(dict(effects)).fillna(1.0).to_numpy(float)


def design_from_cells(
    cells: Cells,
    priors: TransferPriors | None = None,
    design_effects: Mapping[str, float] | None = None,
) -> TransferDesign:
    """Build the arrays of the transfer model.

    Parameters
    ----------
    cells : Cells
        From `transfer.records.cells.build_cells`, or of them `by_mode`.
    priors : TransferPriors, optional
        Where columns with normal slopes take their scale from; the defaults when omitted.
    design_effects : mapping of str to float, optional
        By setting: what attempts and makes are divided by, see `transfer.models.overdispersion`.

    Raises
    ------
    ArgumentError
        When there are no cells with attempts, or distances are missing where asked for.
    """
    table = cells.table
    if table.empty or int(table["n"].sum()) == 0:
        raise ArgumentError(
            "the cells hold no attempts",
            rule="a fit needs at least one charted attempt",
            next_step="check the records with `transfer check`",
        )
    frame = _complete(table, cells)
    order = {setting: k for k, setting in enumerate([*cells.settings, GAME])}
    units = {unit: p for p, unit in enumerate(cells.units)}
    frame = frame.assign(
        _u=frame["unit"].astype(str).map(units), _s=frame["setting"].astype(str).map(order)
    ).sort_values(["_u", "_s"], kind="stable")
    chosen = priors or TransferPriors()
    owner = table.drop_duplicates("unit").set_index("unit")
    owners = [str(owner.at[unit, "program"]) for unit in cells.units]
    programs = tuple(sorted(set(owners)))
    who = owner.loc[list(cells.units)].astype(str)
    team = (who["program"] + "/" + who["season"]).to_numpy()
    people = (who["program"] + "/" + who["player"]).to_numpy()
    extra: dict[str, Any] = {}
    worth = _worth(frame, design_effects) if design_effects else None
    seasons, season = np.unique(team, return_inverse=True)
    if len(seasons) > len(programs):
        extra |= {"season": season, "seasons": tuple(map(str, seasons))}
    players, player = np.unique(people, return_inverse=True)
    if len(players) < len(people):
        extra["player"] = player
    roles = _roles(frame, cells, chosen)
    if "level" in frame:
        extra |= _level_shifts(frame, chosen.level_shift_sd)
    extra |= _joined(extra, roles)
    if "distance_ft" in frame and frame["distance_ft"].notna().any():
        known = frame["distance_ft"].astype(float)
        # A cell without a charted distance sits at the reference: it says nothing of the slope.
        extra["distance"] = (known - REFERENCE_DISTANCE_FT).fillna(0.0).to_numpy()
    if "contest" in frame:
        seen = set(frame.loc[frame["_s"] == len(cells.settings), "contest"].dropna().astype(str))
        levels = [c for c in _CONTEST_ORDER if c in seen]
        if len(levels) > 1:
            code = {c: i for i, c in enumerate(levels)}
            values = frame["contest"].astype(object).map(code).fillna(0).astype(int)
            extra["contest"] = np.where(frame["_s"] == len(cells.settings), values, 0)
            extra["contests"] = tuple(levels)
    # Blank where nobody defends: on air and in games, whose defenders are not charted.
    if "defender" in frame and frame["defender"].fillna("").ne("").any():
        names = tuple(sorted(set(frame["defender"].dropna().astype(str)) - {""}))
        code = {d: i for i, d in enumerate(names)}
        extra["defender"] = (
            frame["defender"].astype(object).map(code).fillna(-1).astype(int).to_numpy()
        )
        extra["defenders"] = names
    return TransferDesign(
        settings=cells.settings,
        units=cells.units,
        programs=programs,
        n=frame["n"].to_numpy(np.int64) if worth is None else frame["n"].to_numpy(float) / worth,
        y=frame["y"].to_numpy(np.int64) if worth is None else frame["y"].to_numpy(float) / worth,
        unit=frame["_u"].to_numpy(np.int64),
        setting=frame["_s"].to_numpy(np.int64),
        program=np.array([programs.index(o) for o in owners], dtype=np.int64),
        **extra,
    )
