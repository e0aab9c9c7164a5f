"""Drills of a floater session: what they are, which setting they chart as, how they end.

A starter list of our own: generic game situations crossed with mode and contest. A program puts
its own drills in their place. Order of the list is the order of the work: the
defence goes up and down and ends in free live play (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from transfer.errors import ArgumentError, StorageError
from transfer.records.problems import nearest
from transfer.records.schema import CONTESTS, MODES, PRACTICE

__all__ = ["DRILLS", "Drill", "defence_level", "in_order", "named_drills", "read_drills"]

Ending = Literal["time", "ladder", "group race", "player race"]


@dataclass(frozen=True)
class Drill:
    """One drill.

    Parameters
    ----------
    name : str
        Label in the ``drill`` column of the records.
    title : str
        What the page calls it.
    mode, contest : str
        As charted; an empty contest is written down attempt by attempt.
    defenders : int
        Defenders against one shooter.
    ending : str
        ``time``, or a set that ends with the k-th make: ``ladder`` (a player's own makes),
        ``group race`` (baskets against each other), ``player race``.
    order : str
        Order of the calls as charted: ``blocked``, ``serial`` or ``random``.
    text : str
        What the players do.
    entries : tuple of str
        Entries that fit the drill; the calls hold no other.
    alternate : bool
        Whether a player's shots change sides every time; the side is called otherwise.
    spots : tuple of str
        Spots of both sides that fit, nearest first; a ladder takes them as its rungs. The usual
        ones lie 6 to 14 ft from below the ring.
    """

    name: str
    title: str
    mode: str
    contest: str
    defenders: int
    ending: Ending
    order: str
    text: str
    entries: tuple[str, ...]
    alternate: bool = False
    spots: tuple[str, ...] = ("block", "mark_1", "mark_2", "mark_3")

    @property
    def setting(self) -> str:
        """Setting label as in the cells; the mode alone where the contest varies."""
        return f"{self.mode}/{self.contest}" if self.contest else self.mode


def defence_level(drill: Drill) -> int:
    """Height of the defence for the picture: reps 0-4, live one step higher, free play on top."""
    if not drill.contest:
        return len(CONTESTS) + 1
    return CONTESTS.index(drill.contest) + (1 if drill.mode == "live" else 0)


DRILLS: tuple[Drill, ...] = (
    Drill("rungs_along_the_lane", "Rungs along the lane", "rep", "none", 0, "ladder", "serial",
          "Marks along the lane are the rungs, the nearest first; a make moves on, from "
          "the last to the first. Sides alternate.",
          ("catch", "dribble"), alternate=True),
    Drill("closeout_hand_up", "Late closeout, hand up", "rep", "light", 0, "time", "random",
          "Catch against a closeout that comes late; the helper keeps a hand up and stays on the "
          "floor.", ("catch",)),
    Drill("closeout_recover_live", "Late closeout, live", "live", "light", 1, "time", "random",
          "The defender starts in help, recovers to the catch and plays what follows.",
          ("catch",)),
    Drill("screen_drop_live", "Ball screen against drop coverage", "live", "trailing", 1, "time",
          "random", "The shooter comes off a ball screen; the defender goes over it and trails.",
          ("dribble",)),
    Drill("transition_sides", "Transition finishes, baskets count", "rep", "none", 0, "group race",
          "random", "From the sideline at speed, sides alternate; entry and hand are called late. "
          "Each basket counts its makes up to the target.",
          ("catch", "dribble"), alternate=True),
    Drill("baseline_help_live", "Baseline drive against help", "live", "front", 1,
          "player race", "random",
          "A drive from the corner along the baseline; the defender steps over from the far side "
          "and stays in front. Each player counts makes up to the target.",
          ("dribble",), spots=("block", "baseline")),
    Drill("short_roll_hand_up", "Short roll over a hand", "rep", "light", 0, "time", "random",
          "Pocket pass on the short roll, at most two steps, a helper's hand up late.",
          ("catch", "turn"), spots=("mark_1", "mark_2", "mark_3")),
    Drill("drive_and_rim_live", "Drive between two defenders", "live", "front_and_trailing", 2,
          "time", "random", "One defender trails from the screen, a second waits at the rim.",
          ("dribble",)),
    Drill("kick_and_drive_live", "Kick-out and drive, free play", "live", "", 1, "time", "random",
          "Small-sided game that starts with a pass from the post to the perimeter; free choice "
          "of finish, shots of this range are charted.", ("catch", "dribble", "turn")),
)  # fmt: skip


def in_order(drills: Sequence[Drill]) -> tuple[Drill, ...]:
    """Drills in the order of the list, free play last; that of the starter list where none is."""
    free = [drill for drill in drills if not drill.contest]
    return (*(drill for drill in drills if drill.contest), (free or [DRILLS[-1]])[0])


def read_drills(path: Path, program: str | None = None) -> tuple[Drill, ...]:
    """A program's own list of drills.

    Parameters
    ----------
    path : Path
        CSV file with the columns of the drills table; ``drill`` and ``mode`` are needed. A live
        drill without a contest is free play: the contest is charted shot by shot.
    program : str, optional
        Only the drills of this program, where the file names programs.

    Returns
    -------
    tuple of Drill
        In the order of the file; all of them end by time.

    Raises
    ------
    StorageError
        When the file cannot be read.
    ArgumentError
        When it lacks a column, or a mode, contest or entry is none of the charted ones.
    """
    import pandas as pd

    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
    except (OSError, ValueError) as error:
        raise StorageError(
            f"{path.name} cannot be read as a table",
            rule="a CSV file with a header row",
            next_step="check the name and export the list as CSV (UTF-8)",
        ) from error
    table.columns = table.columns.str.strip().str.lower()
    for name in ("drill", "mode"):
        if name not in table:
            raise ArgumentError(
                f"{path.name} has no column {name}",
                rule="a list of drills has the columns drill and mode",
                next_step="name the columns as in the drills table",
            )
    if program is not None and "program" in table:
        table = table[table["program"].isin([program, ""])]
    rows = table.assign(row=table.index + 2).to_dict(orient="records")
    return tuple(_own(row, f"{path.name}, row {row['row']}") for row in rows)


def _own(row: Mapping[Any, Any], place: str) -> Drill:
    def cell(name: str) -> str:
        return str(row.get(name, "")).strip()

    mode, contest = cell("mode").lower(), "_".join(cell("contest").lower().split())
    if mode not in MODES or contest not in ("", *CONTESTS) or (mode == "rep" and not contest):
        raise ArgumentError(
            f"{place}: mode {mode!r} with contest {contest!r}",
            rule=f"mode is one of {', '.join(MODES)}, contest one of {', '.join(CONTESTS)}; a live "
            "drill may leave it open",
            next_step="correct the row",
        )
    entry = cell("entry").lower()
    if entry not in ("", *PRACTICE.column("entry").levels):
        raise ArgumentError(
            f"{place}: entry {entry!r}",
            rule=f"entry is one of {', '.join(PRACTICE.column('entry').levels)}, or blank",
            next_step="correct the row",
        )
    defenders = 0 if mode == "rep" else 2 if contest == "front_and_trailing" else 1
    entries = (entry,) if entry else PRACTICE.column("entry").levels
    title = " ".join(cell("drill").split("_")).capitalize()
    return Drill(cell("drill"), title, mode, contest, defenders, "time", cell("order") or "random",
                 cell("description"), entries)  # fmt: skip


def named_drills(drills: Sequence[Drill], names: Sequence[str]) -> list[Drill]:
    """The drills of these names in their order; all drills without a name.

    Raises
    ------
    ArgumentError
        When a name is not in the list, or the list is empty.
    """
    known = {drill.name: drill for drill in drills}
    for name in names:
        if name not in known:
            guess = nearest(name, known)
            raise ArgumentError(
                f"there is no drill {name!r} in the list",
                rule=f"drills are {', '.join(known)}",
                next_step=f"did you mean {guess!r}?" if guess else "use one of these names",
            )
    if not known:
        raise ArgumentError(
            "the list holds no drill",
            rule="at least one drill",
            next_step="write the drills of your program into the list",
        )
    return [known[name] for name in names] if names else list(drills)
