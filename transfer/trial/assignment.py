"""The lot: units, strata, and a seeded draw that is the same on every platform.

Only the raw 64-bit stream of PCG64 is used, which numpy promises to keep, and whole-number
arithmetic on it; numpy's higher-level draws may change between releases and are avoided here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypeVar

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError

__all__ = ["FIRST_ARMS", "Lot", "LotTree", "Unit", "draw_first_arms", "make_units"]

Unit = Literal["player", "pair", "squad"]
UNITS: tuple[Unit, ...] = ("player", "pair", "squad")
#: What the lot decides: which mix a unit starts with (and keeps, in parallel groups).
FIRST_ARMS = ("live_heavy", "rep_heavy")
STRATA = ("position", "baseline")

T = TypeVar("T")


class Lot:
    """Whole random numbers from the raw PCG64 stream.

    Parameters
    ----------
    seed : int
        Non-negative seed; the same seed gives the same draws on every platform.
    """

    def __init__(self, seed: int) -> None:
        if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
            raise ArgumentError(
                f"seed={seed!r} cannot start a lot",
                rule="a whole number, zero or more",
                next_step="pass e.g. seed=20261101, written down before the draw",
            )
        self._stream = np.random.PCG64(int(seed))

    def below(self, bound: int) -> int:
        """Return a whole number from 0 to ``bound - 1``, each equally likely."""
        limit = (1 << 64) - (1 << 64) % bound
        while True:
            raw = int(self._stream.random_raw())
            if raw < limit:
                return raw % bound

    def shuffled(self, items: Sequence[T]) -> list[T]:
        """Return the items in a random order (Fisher and Yates; Durstenfeld's form)."""
        order = list(items)
        for last in range(len(order) - 1, 0, -1):
            other = self.below(last + 1)
            order[last], order[other] = order[other], order[last]
        return order


def make_units(roster: pd.DataFrame, unit: Unit, strata: Sequence[str]) -> pd.DataFrame:
    """Units of the lot with their strata.

    Parameters
    ----------
    roster : DataFrame
        Columns ``player`` (codes), optional ``program``; ``position`` and ``baseline`` when they
        are strata; ``pair`` or ``squad`` when that is the unit.
    unit : {"player", "pair", "squad"}
        Who is drawn together. Partners who work out together should be one unit.
    strata : sequence of str
        Any of ``position`` and ``baseline``, in order of importance.

    Returns
    -------
    DataFrame
        One row per player, sorted: ``program``, ``unit``, ``player`` and one ``stratum_*`` column
        of labels per stratum. The baseline is cut into an upper and a lower half by its rank
        among the units of the same program and the strata before it.

    Raises
    ------
    ArgumentError
        Unknown unit or stratum, missing column, empty or repeated player code.
    """
    _check_roster(roster, unit, strata)
    frame = pd.DataFrame({"player": roster["player"].astype(str).str.strip()})
    frame["program"] = (
        roster["program"].astype(str).str.strip() if "program" in roster else "program"
    )
    frame["unit"] = frame["player"] if unit == "player" else roster[unit].astype(str).str.strip()
    for name in strata:
        frame[name] = roster[name]
    frame = frame.sort_values(["program", "unit", "player"], kind="stable").reset_index(drop=True)
    units = _describe_units(frame, strata)
    before = ["program"]
    for name in strata:
        label = f"stratum_{name}"
        units[label] = (
            _halves(units, before) if name == "baseline" else units["position"].astype(str)
        )
        before.append(label)
    labels = [f"stratum_{name}" for name in strata]
    return frame[["program", "unit", "player"]].merge(
        units[["program", "unit", *labels]], on=["program", "unit"], how="left", sort=False
    )


def draw_first_arms(units: pd.DataFrame, lot: Lot) -> dict[tuple[str, str], str]:
    """Draw which mix each unit starts with.

    Within the finest stratum the units are shuffled and split in twos, one to each arm by the
    lot; a unit left over joins the left-over units of the next coarser stratum, and so on up to
    the program and the whole study. So the arms differ by at most one unit in every stratum, in
    every program and overall, and each unit has an even chance of either arm.

    Parameters
    ----------
    units : DataFrame
        As `make_units` returns.
    lot : Lot
        Source of random whole numbers.

    Returns
    -------
    dict
        ``(program, unit)`` to one of `FIRST_ARMS`.
    """
    return LotTree(units).draw(lot)


class LotTree:
    """Units under their strata, ready to be drawn again and again.

    Parameters
    ----------
    units : DataFrame
        As `make_units` returns.
    """

    def __init__(self, units: pd.DataFrame) -> None:
        labels = ["program", *[c for c in units.columns if c.startswith("stratum_")]]
        distinct = units.drop_duplicates(["program", "unit"])
        keys: list[tuple[str, str]] = list(zip(distinct["program"], distinct["unit"], strict=True))
        self._depth = len(labels)
        self._paths = dict(
            zip(keys, distinct[labels].itertuples(index=False, name=None), strict=True)
        )

    def draw(self, lot: Lot) -> dict[tuple[str, str], str]:
        """Draw once; see `draw_first_arms`."""
        drawn: dict[tuple[str, str], str] = {}
        waiting = list(self._paths)
        for depth in range(self._depth, -1, -1):
            groups: dict[tuple[str, ...], list[tuple[str, str]]] = {}
            for key in waiting:
                groups.setdefault(self._paths[key][:depth], []).append(key)
            waiting = []
            for group in sorted(groups):
                left = _split_in_twos(lot.shuffled(sorted(groups[group])), lot, drawn)
                if left is not None:
                    waiting.append(left)
        for key in waiting:
            drawn[key] = FIRST_ARMS[lot.below(2)]
        return drawn


def _split_in_twos(
    order: list[tuple[str, str]], lot: Lot, drawn: dict[tuple[str, str], str]
) -> tuple[str, str] | None:
    """Give each two neighbours of a shuffled list different arms; return the one left over."""
    for first, second in zip(order[0::2], order[1::2], strict=False):
        side = lot.below(2)
        drawn[first], drawn[second] = FIRST_ARMS[side], FIRST_ARMS[1 - side]
    return order[-1] if len(order) % 2 else None


def _describe_units(frame: pd.DataFrame, strata: Sequence[str]) -> pd.DataFrame:
    """One row per unit: position if all members share it, baseline as the members' mean."""
    rows = []
    for (program, unit), members in frame.groupby(["program", "unit"], sort=True):
        row: dict[str, object] = {"program": program, "unit": unit}
        if "position" in strata:
            shared = sorted(set(members["position"].astype(str)))
            row["position"] = shared[0] if len(shared) == 1 else "mixed"
        if "baseline" in strata:
            row["baseline"] = float(pd.to_numeric(members["baseline"]).mean())
        rows.append(row)
    return pd.DataFrame(rows)


def _halves(units: pd.DataFrame, before: Sequence[str]) -> pd.Series:
    """Upper or lower half by rank of the baseline; equal values are ordered by the unit's code."""
    ordered = units.sort_values([*before, "baseline", "unit"], kind="stable")
    groups = ordered.groupby(list(before), sort=False)["unit"]
    upper = groups.cumcount() >= groups.transform("size") // 2
    return upper.map({True: "upper", False: "lower"}).reindex(units.index)


def _check_roster(roster: pd.DataFrame, unit: str, strata: Sequence[str]) -> None:
    if unit not in UNITS:
        raise ArgumentError(
            f"unit={unit!r} is not a unit of the lot",
            rule=f"one of {', '.join(UNITS)}",
            next_step="use unit='player' unless partners or squads always work out together",
        )
    unknown = [name for name in strata if name not in STRATA]
    if unknown or len(set(strata)) != len(tuple(strata)):
        raise ArgumentError(
            f"strata={tuple(strata)!r} cannot be used",
            rule=f"any of {', '.join(STRATA)}, each once",
            next_step="leave out the others: with few players, finer strata balance nothing",
        )
    needed = ["player", *strata, *([] if unit == "player" else [unit])]
    missing = [name for name in needed if name not in roster.columns]
    if missing:
        raise ArgumentError(
            f"the roster has no column {', '.join(missing)}",
            rule=f"a lot with unit={unit!r} and strata={tuple(strata)!r} needs {', '.join(needed)}",
            next_step="add the column, or leave the stratum out with strata=('position',) or ()",
        )
    if len(roster) < 2:
        raise ArgumentError(
            f"the roster has {len(roster)} players",
            rule="a lot needs at least two",
            next_step="list every player of the trial, one row each",
        )
    _check_values(roster, needed)


def _check_values(roster: pd.DataFrame, needed: Sequence[str]) -> None:
    for name in needed:
        empty = roster[name].isna() | (roster[name].astype(str).str.strip() == "")
        if empty.any():
            raise ArgumentError(
                f"roster row {int(np.flatnonzero(empty)[0]) + 1} has no {name}",
                rule=f"every player needs a {name}",
                next_step="fill the cell in, or leave the stratum out",
            )
    for name in {"player", "program", *needed} & set(roster.columns) - {"baseline"}:
        unsafe = roster[name].astype(str).str.match(r"\s*[=+\-@]|.*[\x00-\x1f]")
        if unsafe.any():
            raise ArgumentError(
                f"{name} {roster[name][unsafe].iloc[0]!r} could run as a formula in a spreadsheet",
                rule="labels start with a letter or a digit and hold no control characters",
                next_step="use codes such as P01",
            )
    programs = roster["program"].astype(str) if "program" in roster else ""
    codes = programs + "/" + roster["player"].astype(str).str.strip()
    if codes.duplicated().any():
        raise ArgumentError(
            f"player {codes[codes.duplicated()].iloc[0]!r} stands in the roster twice",
            rule="one row per player and program",
            next_step="remove the second row",
        )
    if "baseline" in needed:
        numbers = pd.to_numeric(roster["baseline"], errors="coerce")
        if numbers.isna().any():
            row = int(np.flatnonzero(numbers.isna())[0])
            raise ArgumentError(
                f"baseline {roster['baseline'].iloc[row]!r} of player "
                f"{roster['player'].iloc[row]!r} is not a number",
                rule="the baseline is a make rate or a logit, e.g. the forecast of `transfer "
                "forecast`",
                next_step="put a number there, or leave baseline out of the strata",
            )
