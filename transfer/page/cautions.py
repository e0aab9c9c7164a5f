"""What a reader must know before acting on a page of this package."""

from __future__ import annotations

from dataclasses import dataclass

from transfer.page import blocks
from transfer.page.blocks import Section

__all__ = ["CAUTIONS", "Caution", "cautions_section"]


@dataclass(frozen=True)
class Caution:
    """One caution.

    Parameters
    ----------
    title : str
        A few words.
    text : str
        Plain sentences.
    """

    title: str
    text: str


CAUTIONS: tuple[Caution, ...] = (
    Caution(
        "One season is a small sample",
        "A player takes too few game floaters in one season to be ranked by them. Most of the "
        "difference between two players' raw rates is luck, so players stand here in the order of "
        "their codes.",
    ),
    Caution(
        "The worst shooters get better anyway",
        "Whoever shot worst so far will, on average, shoot better next, with or without a new "
        "drill. Judge a change against an estimate, never against the worst stretch.",
    ),
    Caution(
        "Better in practice is not yet learned",
        "A make rate that rises during practice can be gone a week later, and work that looks "
        "worse on the day can last longer. Look at later sessions and at games.",
    ),
    Caution(
        "Coaches give drills for a reason",
        "When live work goes to players who need it, or to players in form, the mix and the "
        "result share a cause. Only a mix assigned by lot says what a drill does.",
    ),
    Caution(
        "Labels drift",
        "Two charters, or one charter in two years, may not mean the same by live, trailing or "
        "floater. Write the definitions down and let two people chart some sessions twice.",
    ),
    Caution(
        "Live work means contact and landings",
        "More live work means more bodies near a shooter's feet. Count jumps and live minutes and "
        "show them to the licensed medical staff; nothing here predicts an injury. Knee pain, "
        "load and return to play are decisions of that staff. With a suspected concussion, take "
        "the player out at once and refer.",
    ),
    Caution(
        "Practice hours have limits",
        "The current rules of the governing body and the compliance office decide how much "
        "practice is allowed. Any minutes shown here are inputs from the staff, not permissions.",
    ),
    Caution(
        "Player records are personal data",
        "Use codes and keep their key elsewhere; ask for consent apart from selection; set a day "
        "on which records are deleted; publish no ranking of minors; in tables that leave the "
        "staff, hide groups of fewer than 5 players. Local law comes first.",
    ),
)


def cautions_section() -> Section:
    """What to know before acting."""
    return Section("cautions", "Before you act on this", [blocks.items(CAUTIONS)])
