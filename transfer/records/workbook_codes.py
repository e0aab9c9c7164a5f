"""What every level means, its short code for a pencil, and which columns each form charts.

The schema decides names and levels; this module only explains them. A test holds that every
level of the schema is explained here and nothing else is.
"""

from __future__ import annotations

from typing import Literal

from transfer.arguments import choice
from transfer.records.schema import Column, Table

__all__ = ["CODES", "MEANINGS", "Form", "charted_columns", "code_of", "meaning_of"]

#: Rows of counts, or one row per attempt.
Form = Literal["counts", "attempts"]

_LEFT_OUT: dict[str, tuple[str, ...]] = {
    "counts": ("made", "attempt"),
    "attempts": ("attempts", "makes"),
}

_AGREE = "agree on the height in writing"

#: Level name -> meaning; a column's own entry ("hand.left") wins over the bare level.
MEANINGS: dict[str, str] = {
    "mode.rep": "repetition work, no defender who decides freely",
    "mode.live": "a defender who tries to stop the shot, or a small-sided game",
    "contest.none": "no defender near at release",
    "contest.light": "late closeout, or a hand up at a distance",
    "contest.trailing": "defender at the side or behind",
    "contest.front": "defender between shooter and ring",
    "contest.front_and_trailing": "one defender in front, one at the side or behind",
    "contest.unknown": "nobody charted where the defender was",
    "side.left": "left of the ring, seen facing it",
    "side.middle": "straight in front of the ring",
    "side.right": "right of the ring, seen facing it",
    "hand.left": "left hand",
    "hand.right": "right hand",
    "entry.catch": "off the catch",
    "entry.dribble": "off the dribble",
    "entry.turn": "off a turn",
    "footwork.one_foot": "take-off from one foot",
    "footwork.two_foot": "take-off from two feet",
    "pickup.low": f"ball picked up low; {_AGREE}",
    "pickup.mid": f"ball picked up at middle height; {_AGREE}",
    "pickup.high": f"ball picked up high; {_AGREE}",
    "rotation.yes": "the ball left the hand with backspin",
    "rotation.no": "the ball left the hand without backspin",
    "order.blocked": "one task in a row",
    "order.serial": "a fixed sequence of tasks",
    "order.random": "tasks mixed",
    "second_chart.yes": "the same attempts charted a second time by another charter",
    "second_chart.no": "the first and only charting",
    "position.guard": "guard",
    "position.wing": "wing",
    "position.big": "big",
    "class_year.first": "first year of play",
    "class_year.second": "second year of play",
    "class_year.third": "third year of play",
    "class_year.fourth": "fourth year of play",
    "class_year.later": "fifth year of play or later",
}

#: Level -> what a pencil writes: the first letters, or the number of feet or of the year.
CODES: dict[str, str] = {
    "front_and_trailing": "FT",
    "one_foot": "1",
    "two_foot": "2",
    "first": "1",
    "second": "2",
    "third": "3",
    "fourth": "4",
    "later": "5",
}


def charted_columns(table: Table, form: Form = "counts") -> tuple[Column, ...]:
    """Columns of a table for rows of counts, or for one row per attempt.

    Parameters
    ----------
    table : Table
        Spec from `transfer.records.schema`.
    form : {"counts", "attempts"}
        Tables without attempts (roster, drills) are the same in both.

    Returns
    -------
    tuple of Column
        In template order.

    Raises
    ------
    ArgumentError
        When the form is unknown.
    """
    choice(
        "form",
        form,
        _LEFT_OUT,
        "is not known",
        rule=f"form is one of {', '.join(_LEFT_OUT)}",
        next_step="write counts, or attempts for one row per attempt",
    )
    if "made" not in table.names:
        return table.columns
    return tuple(column for column in table.columns if column.name not in _LEFT_OUT[form])


def meaning_of(column: Column, level: str) -> str:
    """What a level of a column means, in a few words.

    Parameters
    ----------
    column : Column
        A column with levels.
    level : str
        One of them.
    """
    return MEANINGS[f"{column.name}.{level}"]


def code_of(level: str) -> str:
    """Short code of a level for charting by hand, unique within its column."""
    return CODES.get(level, level[0].upper())
