"""The four record tables, column by column: the one place where names and levels are decided.

Reading, checking, the data dictionary, the templates and the demo all read these specs. A column
is added here first. Level names are lower case with underscores; a person's "Front and trailing"
is read as ``front_and_trailing``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from transfer.errors import ArgumentError

__all__ = [
    "CONTESTS",
    "DRILLS",
    "GAMES",
    "MODES",
    "PRACTICE",
    "ROSTER",
    "TABLES",
    "UNKNOWN",
    "Column",
    "Table",
    "table_named",
]

#: ``text`` a code or label; ``date`` ISO; ``level`` one of ``levels``; ``count`` whole, not
#: negative; ``number`` real; ``flag`` read into 0/1.
ColumnType = Literal["text", "date", "level", "count", "number", "flag"]

#: ``yes`` in every row; ``or_drill`` in the row or as the drill's default; ``counts`` needed
#: unless the table has one row per attempt; ``attempt`` the column that makes it so; ``no``.
Required = Literal["yes", "or_drill", "counts", "attempt", "no"]

MODES = ("rep", "live")
#: Lighter contest first; this order also orders the settings of the cells.
CONTESTS = ("none", "light", "trailing", "front", "front_and_trailing")
#: Contest that nobody charted: a setting of its own inside its mode, no rung of the ladder above.
UNKNOWN = "unknown"


@dataclass(frozen=True)
class Column:
    """One column of a record table.

    Parameters
    ----------
    name : str
        Header in the file; case, spaces and hyphens are forgiven.
    type : str
        See `ColumnType`.
    meaning : str
        What it holds, with the hint a charter needs.
    required : str
        See `Required`.
    levels : tuple of str
        The accepted labels of a ``level`` column, in their fixed order.
    unit : str
        Unit of a number, empty for labels.
    low, high : float or None
        Inclusive limits of a number.
    example : str
        A valid value, shown in templates.
    """

    name: str
    type: ColumnType
    meaning: str
    required: Required = "no"
    levels: tuple[str, ...] = ()
    unit: str = ""
    low: float | None = None
    high: float | None = None
    example: str = ""

    @property
    def limits(self) -> str:
        """The limits of a number in words; empty where there are none."""
        if self.low is None and self.high is None:
            return ""
        if self.high is None:
            return f"{self.low:g} or more"
        return f"{self.low:g} to {self.high:g}"


@dataclass(frozen=True)
class Table:
    """One record table.

    Parameters
    ----------
    name : str
        ``practice``, ``games``, ``roster`` or ``drills``.
    meaning : str
        What one row is.
    columns : tuple of Column
        In the order of the template.
    key : tuple of str
        The row key: columns whose values together may occur once only. A row that repeats them
        all is taken for one entered twice; rows that differ in any of them are summed.
    """

    name: str
    meaning: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in template order."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Return the spec of a column.

        Raises
        ------
        ArgumentError
            When the table has no such column.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise ArgumentError(
            f"table {self.name} has no column {name!r}",
            rule=f"columns are {', '.join(self.names)}",
            next_step="use one of these names",
        )


_YES_NO = ("yes", "no")

_PROGRAM = Column(
    "program",
    "text",
    "Code of the program or team. Needed as soon as records of more than one "
    "program are read together, because player codes repeat between programs. No '/'.",
    example="A",
)
_SEASON = Column(
    "season",
    "text",
    "Label of the season, spelled the same in every file. Needed as soon as "
    "more than one season is read together.",
    example="2025-26",
)
_PLAYER = Column(
    "player",
    "text",
    "Player's code, not a name; keep the key to the codes elsewhere. No '/'.",
    required="yes",
    example="P01",
)
_DATE = Column("date", "date", "Day, as year-month-day.", required="yes", example="2025-11-03")
_SPOT = Column(
    "spot",
    "text",
    "Spot label, for example block, mark_1, mark_2, mark_3, elbow, circle_bottom, "
    "free_throw_line; left_ or right_ may stand before it. Gives distance_ft by the rule book's "
    "geometry, good to about 1 ft (judgement, no source).",
    example="mark_1",
)
_DISTANCE = Column(
    "distance_ft",
    "number",
    "Distance on the floor from below the ring centre to where the "
    "shooter left the floor. Wins over the spot's distance when both are given.",
    unit="ft",
    low=0.0,
    high=94.0,
    example="8.5",
)
_BLOCKED = Column(
    "blocked",
    "count",
    "How many of the attempts were blocked. A blocked shot is a missed "
    "attempt, so blocked is part of attempts. In one row per attempt: 1 or 0.",
    unit="attempts",
    low=0,
    high=10000,
    example="0",
)
_FOULED = Column(
    "fouled",
    "count",
    "Misses on which the shooter was fouled, counted apart: by the official "
    "scoring convention a fouled miss is not an attempt, so fouled is NOT part of attempts. In "
    "one row per attempt: 1 or 0; a made shot with a foul stays an attempt and a make.",
    unit="misses",
    low=0,
    high=10000,
    example="0",
)
_MADE = Column(
    "made",
    "flag",
    "One row per attempt instead of attempts and makes: 1 made, 0 missed "
    "(true/false and yes/no are read as well).",
    required="attempt",
    example="1",
)


def _attempts(what: str) -> Column:
    return Column(
        "attempts",
        "count",
        f"Shots released {what}. Blocked shots count, fouled misses do not.",
        required="counts",
        unit="attempts",
        low=0,
        high=10000,
        example="10",
    )


_MAKES = Column(
    "makes",
    "count",
    "How many of the attempts went in.",
    required="counts",
    unit="makes",
    low=0,
    high=10000,
    example="4",
)

#: What a drill may fix in advance; practice and drills share these specs.
_DRILL_TRAITS = (
    _SPOT,
    _DISTANCE,
    Column(
        "side",
        "level",
        "Side of the floor, seen facing the ring.",
        levels=("left", "middle", "right"),
        example="left",
    ),
    Column("hand", "level", "Shooting hand.", levels=("left", "right"), example="right"),
    Column(
        "entry",
        "level",
        "How the shooter came into the shot: off the catch, off the dribble, off a turn.",
        levels=("catch", "dribble", "turn"),
        example="dribble",
    ),
    Column(
        "footwork",
        "level",
        "Take-off from one foot or two feet.",
        levels=("one_foot", "two_foot"),
        example="one_foot",
    ),
    Column(
        "pickup",
        "level",
        "Height at which the ball was picked up.",
        levels=("low", "mid", "high"),
        example="mid",
    ),
    Column(
        "rotation",
        "level",
        "Whether the ball left the hand with backspin.",
        levels=_YES_NO,
        example="yes",
    ),
    Column(
        "order",
        "level",
        "Order of the work: one task in a row (blocked), a fixed sequence "
        "of tasks (serial), or mixed (random).",
        levels=("blocked", "serial", "random"),
        example="random",
    ),
    Column(
        "target",
        "count",
        "k of a first-to-k set or a make-it-to-move-on ladder: the set ends "
        "with the k-th make. Leave blank when nothing stopped the set.",
        unit="makes",
        low=1,
        example="5",
    ),
)


def _mode(required: Required) -> Column:
    return Column(
        "mode",
        "level",
        "rep: repetition work, no defender who decides freely. live: "
        "a defender who tries to stop the shot, or a small-sided game.",
        required=required,
        levels=MODES,
        example="live",
    )


def _contest(required: Required) -> Column:
    return Column(
        "contest",
        "level",
        "Nearest defender at release: none; light (late closeout or "
        "hand up at a distance); trailing (at the side or behind); front (between "
        "shooter and ring); front_and_trailing; unknown "
        'where nobody charted it. May stay blank with settings = ["mode"].',
        required=required,
        levels=(*CONTESTS, UNKNOWN),
        example="trailing",
    )


PRACTICE = Table(
    "practice",
    "One player's attempts of one kind in one drill of one session; or one attempt, with made.",
    (
        _DATE,
        Column(
            "session",
            "text",
            "Label of the practice session, unique within its day.",
            required="yes",
            example="1",
        ),
        _PLAYER,
        Column(
            "drill",
            "text",
            "Name of the drill; its defaults may stand in the drills table.",
            required="yes",
            example="closeout_floater",
        ),
        _mode("or_drill"),
        _contest("or_drill"),
        _attempts("by the player in this row"),
        _MAKES,
        _MADE,
        Column(
            "minutes",
            "number",
            "Minutes the player spent on the work of this row, rest and "
            "waiting included. In one row per attempt: the minutes of the drill (of the set, when "
            "sets are numbered), the same on each of its rows; they are counted once.",
            unit="min",
            low=0.0,
            high=600.0,
            example="6",
        ),
        Column(
            "set",
            "count",
            "Number of the set when a drill has several sets in a session; "
            "needed to tell several first-to-k sets apart.",
            low=1,
            example="1",
        ),
        Column(
            "attempt",
            "count",
            "In one row per attempt: number of the attempt, so that a row "
            "entered twice is noticed.",
            low=1,
            example="1",
        ),
        *_DRILL_TRAITS,
        Column(
            "defender",
            "text",
            "Code of the live defender. A live make depends on the defender as well.",
            example="P07",
        ),
        Column("charter", "text", "Code of the person who charted.", example="C1"),
        Column(
            "second_chart",
            "level",
            "yes: the same attempts charted a second time by another "
            "charter, for the agreement check; such rows never enter the counts.",
            levels=_YES_NO,
            example="no",
        ),
        _BLOCKED,
        _FOULED,
        _PROGRAM,
        _SEASON,
    ),
    key=(
        "program",
        "season",
        "date",
        "session",
        "player",
        "drill",
        "set",
        "mode",
        "contest",
        "spot",
        "distance_ft",
        "side",
        "hand",
        "entry",
        "footwork",
        "pickup",
        "rotation",
        "order",
        "target",
        "defender",
        "second_chart",
    ),
)

GAMES = Table(
    "games",
    "One player's attempts from the range of interest in one game; or one attempt, with made. A "
    "game without an attempt is a row with 0 attempts. Rows of one player and game in other spots, "
    "distances or contests are added up.",
    (
        _DATE,
        Column(
            "game",
            "text",
            "Label of the game, unique within the season.",
            required="yes",
            example="G01",
        ),
        _PLAYER,
        _attempts("by the player from the range of interest (layups and free throws left out)"),
        _MAKES,
        _MADE,
        Column(
            "minutes",
            "number",
            "Minutes played by the player in this game. In one row per "
            "attempt, or in several rows of one game: the same on each; counted once.",
            unit="min",
            low=0.0,
            high=100.0,
            example="24",
        ),
        Column(
            "attempt",
            "count",
            "In one row per attempt: number of the attempt, so that a row "
            "entered twice is noticed.",
            low=1,
            example="1",
        ),
        _SPOT,
        _DISTANCE,
        _contest("no"),
        Column("opponent", "text", "Code of the opponent.", example="OPP3"),
        _BLOCKED,
        _FOULED,
        _PROGRAM,
        _SEASON,
    ),
    key=("program", "season", "date", "game", "player", "spot", "distance_ft", "contest"),
)

ROSTER = Table(
    "roster",
    "One player of one season.",
    (
        _PLAYER,
        Column(
            "position",
            "level",
            "Playing position; a stratum when players are assigned.",
            levels=("guard", "wing", "big"),
            example="guard",
        ),
        Column(
            "class_year",
            "level",
            "Year of play of the player in this season, as the program counts it.",
            levels=("first", "second", "third", "fourth", "later"),
            example="second",
        ),
        Column("squad", "text", "Practice squad, when squads practise apart.", example="S1"),
        Column("hand", "level", "Stronger hand.", levels=("left", "right"), example="right"),
        _PROGRAM,
        _SEASON,
    ),
    key=("program", "season", "player"),
)

DRILLS = Table(
    "drills",
    "One drill and its defaults; a blank in a practice row takes the drill's default.",
    (
        Column(
            "drill",
            "text",
            "Name of the drill as written in the practice table.",
            required="yes",
            example="closeout_floater",
        ),
        _mode("no"),
        _contest("no"),
        *_DRILL_TRAITS,
        Column(
            "description",
            "text",
            "What the players do, so that two charters mean the same.",
            example="Ball screen, drop coverage; the defender goes over and trails.",
        ),
        _PROGRAM,
    ),
    key=("program", "drill"),
)

#: All tables by name, in the order of the work.
TABLES: dict[str, Table] = {t.name: t for t in (PRACTICE, GAMES, ROSTER, DRILLS)}


def table_named(name: str) -> Table:
    """Return a table's spec.

    Raises
    ------
    ArgumentError
        When there is no such table.
    """
    if name not in TABLES:
        raise ArgumentError(
            f"there is no record table {name!r}",
            rule=f"tables are {', '.join(TABLES)}",
            next_step="use one of these names",
        )
    return TABLES[name]
