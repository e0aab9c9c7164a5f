"""Words that people use for columns, levels and results, and what they mean in the records."""

from __future__ import annotations

import re

__all__ = [
    "ATTEMPT_WORDS",
    "COUNT_WORDS",
    "FLOATER_WORDS",
    "HEADERS",
    "LEVEL_WORDS",
    "MAKE_WORDS",
    "RESULT_WORDS",
    "TOTAL_ROWS",
    "plain_words",
]


def plain_words(text: str) -> str:
    """Lower case, single blanks, without signs: ``"Live?"`` becomes ``"live"``.

    Parameters
    ----------
    text : str
        A header or a cell.
    """
    spread = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", text)
    return " ".join(re.sub(r"[^\w#%]+|_", " ", spread).lower().split()) or text.strip()


MAKE_WORDS = frozenset(["m", "make", "makes", "made", "fgm", "hit", "hits", "in"])
ATTEMPT_WORDS = frozenset(["a", "att", "attempt", "attempts", "fga", "shots", "taken", "tries"])
MISS_WORDS = frozenset(["miss", "misses", "missed", "out"])
TOTAL_WORDS = frozenset(
    [
        "fg",
        "m a",
        "m att",
        "made att",
        "made attempts",
        "makes attempts",
        "fgm fga",
        "total",
        "score",
    ]
)
#: What stands below a drill's name in a header of two lines.
COUNT_WORDS = MAKE_WORDS | ATTEMPT_WORDS | MISS_WORDS | TOTAL_WORDS

#: Column of the records, or of the conversion, -> headers that mean it, as `plain_words` has them.
HEADERS: dict[str, frozenset[str]] = {
    "player": frozenset(
        ["player", "athlete", "shooter", "player id", "athlete id", "player code", "code", "id",
         "name", "player name", "athlete name", "who", "#", "no", "number", "jersey"]
    ),
    "date": frozenset(["date", "day", "session date", "practice date", "game date", "when"]),
    "session": frozenset(["session", "practice", "workout", "session no", "session number"]),
    "drill": frozenset(["drill", "drill name", "exercise", "activity", "station"]),
    "mode": frozenset(["mode", "live", "rep or live", "live or rep", "live rep", "rep live"]),
    "contest": frozenset(
        ["contest", "contested", "defense", "defence", "defended", "pressure", "guarded",
         "contest level"]
    ),
    "makes": MAKE_WORDS | {"made shots", "total makes", "field goals made"},
    "attempts": ATTEMPT_WORDS | {"shots taken", "total attempts", "field goals attempted"},
    "misses": MISS_WORDS,
    "total": TOTAL_WORDS,
    "result": frozenset(["result", "outcome", "made missed", "make miss", "make or miss"]),
    "minutes": frozenset(["minutes", "min", "mins", "mp", "minutes played", "time min", "duration",
                          "duration min"]),
    "session_minutes": frozenset(["session minutes", "session length", "session min",
                                  "practice minutes", "practice length"]),
    "game": frozenset(["game", "game id", "game no", "game number", "match", "match id"]),
    "opponent": frozenset(["opponent", "opp", "vs", "against"]),
    "type": frozenset(["type", "shot type", "action", "action type", "shot", "kind"]),
    "distance_ft": frozenset(
        ["distance ft", "distance", "dist", "shot distance", "shot dist", "distance feet",
         "dist ft", "distance m", "dist m", "distance in", "distance cm", "shot distance ft",
         "shot distance m"]
    ),
    "x": frozenset(["x", "loc x", "x ft", "x m", "x in", "x cm", "shot x", "coord x"]),
    "y": frozenset(["y", "loc y", "y ft", "y m", "y in", "y cm", "shot y", "coord y"]),
    "defender_distance": frozenset(
        ["defender distance", "defender dist", "def dist", "def distance", "closest defender",
         "nearest defender", "defender distance ft", "defender ft", "defender distance m",
         "def dist ft", "def dist m", "nearest defender ft", "nearest defender m"]
    ),
    "spot": frozenset(["spot", "location", "zone", "area"]),
    "set": frozenset(["set", "set no", "round"]),
    "position": frozenset(["position", "pos"]),
    "squad": frozenset(["squad", "group"]),
    "program": frozenset(["program", "team"]),
    "season": frozenset(["season"]),
    "side": frozenset(["side"]),
    "hand": frozenset(["hand"]),
    "entry": frozenset(["entry"]),
    "footwork": frozenset(["footwork", "feet", "takeoff", "take off"]),
    "blocked": frozenset(["blocked", "block", "blocks"]),
    "fouled": frozenset(["fouled", "foul"]),
    "defender": frozenset(["defender", "defender id", "defender code"]),
    "target": frozenset(["target", "first to"]),
    "charter": frozenset(["charter", "charted by", "recorder"]),
}  # fmt: skip

_UNGUARDED = ["none", "open", "unguarded", "uncontested", "no defender", "no", "on air", "air"]

#: Column -> word in a file -> level of the records.
LEVEL_WORDS: dict[str, dict[str, str]] = {
    "mode": {
        **dict.fromkeys(["live", "yes", "y", "true", "1", "live play", "vs defender"], "live"),
        **dict.fromkeys(
            ["rep", "reps", "repetition", "no", "n", "false", "0", "drill", "not live"], "rep"
        ),
    },
    "contest": {
        **dict.fromkeys(_UNGUARDED, "none"),
        **dict.fromkeys(["light", "late closeout", "hand up"], "light"),
        **dict.fromkeys(["trailing", "trail", "behind", "chase"], "trailing"),
        **dict.fromkeys(["front", "in front"], "front"),
        **dict.fromkeys(["front and trailing", "both", "two defenders"], "front_and_trailing"),
        **dict.fromkeys(["unknown", "not charted"], "unknown"),
    },
    "position": {
        **dict.fromkeys(["guard", "g", "pg", "sg", "point guard"], "guard"),
        **dict.fromkeys(["wing", "w", "sf"], "wing"),
        **dict.fromkeys(["big", "c", "center", "centre", "post", "pf"], "big"),
    },
    "side": {"left": "left", "l": "left", "middle": "middle", "m": "middle", "right": "right",
             "r": "right"},
    "hand": {"left": "left", "l": "left", "right": "right", "r": "right"},
    "entry": {"catch": "catch", "off the catch": "catch", "dribble": "dribble",
              "off the dribble": "dribble", "turn": "turn"},
    "footwork": {
        **dict.fromkeys(["one foot", "1 foot", "one"], "one_foot"),
        **dict.fromkeys(["two foot", "two feet", "2 feet", "2 foot", "two"], "two_foot"),
    },
}  # fmt: skip

#: Word in a file -> result of one shot.
RESULT_WORDS: dict[str, str] = {
    **dict.fromkeys(
        ["made", "make", "m", "yes", "y", "true", "1", "hit", "good", "in", "x", "scored"], "made"
    ),
    **dict.fromkeys(["missed", "miss", "no", "n", "false", "0", "out", "o", "short"], "missed"),
    **dict.fromkeys(["blocked", "block", "missed blocked", "miss blocked"], "blocked"),
    **dict.fromkeys(["fouled", "foul", "missed fouled", "miss fouled"], "fouled"),
}

#: Words in a type of shot that mean a floater.
FLOATER_WORDS = ("floater", "floating", "runner", "teardrop", "push shot", "touch shot")

#: Words in the player's column that head a line of sums.
TOTAL_ROWS = frozenset(["total", "totals", "team", "team total", "team totals", "sum", "average",
                        "avg", "all", "grand total"])  # fmt: skip
