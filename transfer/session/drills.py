"""Drills of a floater session: what they are, which setting they chart as, how they end.

A starter list of our own: generic game situations crossed with mode and contest. A program puts
its own drills in their place. Order of the list is the order of the work: the
defence goes up and down and ends in free live play (common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from transfer.records.schema import CONTESTS

__all__ = ["DRILLS", "Drill", "defence_level"]

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
