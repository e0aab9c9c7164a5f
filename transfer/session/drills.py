"""Drills of a floater session: what they are, which setting they chart as, how they end.

The drills are common practice, no source. Order of the list is the order of the work: the
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
        Order of tasks as charted: ``blocked``, ``serial`` or ``random``.
    text : str
        What the players do.
    """

    name: str
    title: str
    mode: str
    contest: str
    defenders: int
    ending: Ending
    order: str
    text: str

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
    Drill("ladder_block_to_arc", "Ladder from the block out", "rep", "none", 0, "ladder", "serial",
          "From the block out to just inside the arc, a make moves on. Sides and hands alternate."),
    Drill("late_closeout_reps", "Reps over a late hand", "rep", "light", 0, "time", "random",
          "A passer closes out late with a hand up and does not go for the ball."),
    Drill("closeout_live", "Live against a chasing closeout", "live", "light", 1, "time", "random",
          "Defender starts under the ring, chases the catch and contests."),
    Drill("hip_trail_live", "Live with the defender on the hip", "live", "trailing", 1, "time",
          "random", "Advantage start: the defender trails on the hip; free fakes and finish."),
    Drill("called_route_race", "Called routes, baskets race", "rep", "none", 0, "group race",
          "random", "Entry, side and hand are called before each rep; baskets race to the target."),
    Drill("release_race_live", "Release race, first to the target", "live", "front", 1,
          "player race", "random",
          "Both start with hands on hips; on the release the defender gets between shooter and "
          "ring. A fake that draws the defender earns a bonus point (kept apart from makes)."),
    Drill("turn_reps", "Reps out of a turn", "rep", "light", 0, "time", "random",
          "Catch out of a turn, a hand up late; no landing in the lane."),
    Drill("one_on_two_live", "One against two", "live", "front_and_trailing", 2, "time", "random",
          "A defender trails on the hip, a rim protector waits."),
    Drill("free_finish_live", "Free live play", "live", "", 1, "time", "random",
          "Small-sided game, free choice to finish; shots of this range are charted."),
)  # fmt: skip
