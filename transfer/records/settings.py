"""Every setting of a study, said once: default, rule, words for people, and how it is written.

`transfer.toml`, the options of the command line, the defaults in Python, the texts of ``--help``
and the table of the documentation are made from the fields of `Settings`. One reader serves the
three doors; it names the value as its door writes it.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import textwrap
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Literal

from transfer.arguments import LARGEST_SEED
from transfer.errors import ArgumentError
from transfer.records.schema import PRACTICE

__all__ = [
    "DEFAULTS",
    "DEFAULT_LEVEL",
    "LEVELS",
    "RULE_BODIES",
    "SEASON_FILE",
    "SETTINGS",
    "SETTING_COLUMNS",
    "TERMS",
    "Door",
    "Setting",
    "Settings",
    "known_names",
    "read_setting",
    "read_settings",
    "settings_lines",
    "settings_table",
]

#: Name of the settings file that makes a folder a season folder.
SEASON_FILE = "transfer.toml"
#: Levels of play that set the prior of the game rate.
LEVELS = ("men_pro", "men_college", "women_pro", "women_college", "high_school", "other")
#: Where none is named, in Python and on the command line. Own simulations and the table of what a
#: season can tell are of floaters at this level; the text of a reading names it.
DEFAULT_LEVEL: Literal["men_college"] = "men_college"
#: Rule bodies whose court geometry turns spot labels into distances.
RULE_BODIES = ("NFHS", "NCAA", "lane_16ft", "FIBA")
#: Charted practice columns that a setting may be made of.
SETTING_COLUMNS = (
    *(c.name for c in PRACTICE.columns if c.type == "level" and c.name != "second_chart"),
    "drill",
    "spot",
    "charter",
)
#: Charted columns that the model may adjust for, where the records carry them.
TERMS = ("distance", "contest", "defender", "position", "class_year", "volume")

#: Where a value was written: in the settings file, as an option, or as an argument in Python.
Door = Literal["file", "option", "python"]


class _UnknownWordError(ValueError):
    """One of several words is none that is known."""

    def __init__(self, word: object, known: Iterable[str]) -> None:
        super().__init__(word)
        self.nearest = _nearest(str(word), known)


@dataclass(frozen=True)
class Setting:
    """What people read about a setting, and how its value is read.

    Parameters
    ----------
    about : str
        What it is, in words: ``--help``, the settings file and the table take them as they are.
    rule : str
        What its value must be.
    example : object
        A value as the settings file would hold it.
    check : callable
        Gives the value as code uses it; raises `ValueError` outside the rule.
    metavar : str
        What ``--help`` puts for a value.
    split : str
        What stands between the parts of a list on the command line; empty for a single value.
    part : callable
        Reads one part, or the single value, from the command line.
    """

    about: str
    rule: str
    example: Any
    check: Callable[[Any], Any]
    metavar: str
    split: str = ""
    part: Callable[[str], Any] = str

    def from_word(self, word: str) -> Any:
        """Value that stands in a word of the command line, as the settings file would hold it."""
        if not self.split:
            return self.part(word)
        if word.strip() == "none":
            return []
        return [self.part(part.strip()) for part in word.split(self.split)]

    def to_word(self, value: Any) -> str:
        """`value` as the command line takes it."""
        if not isinstance(value, list | tuple):
            return str(value)
        return self.split.join(map(str, value)) or "none"


def _nearest(word: str, known: Iterable[str]) -> str:
    names = list(known)
    lower = [name.lower() for name in names]
    close = difflib.get_close_matches(word.lower(), lower, n=1, cutoff=0.0)
    return names[lower.index(close[0])] if close else names[0]


def _one_of(known: tuple[str, ...]) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if value not in known:
            raise _UnknownWordError(value, known)
        return str(value)

    return check


def _words(known: tuple[str, ...], first: str = "") -> Callable[[Any], tuple[str, ...]]:
    """A list of known words, each once; `first` leads it, where something must."""

    def check(value: Any) -> tuple[str, ...]:
        if not isinstance(value, list | tuple) or (first and (not value or value[0] != first)):
            raise ValueError
        for word in value:
            _one_of(known)(word)
        return tuple(dict.fromkeys(value))

    return check


def _region(value: Any) -> tuple[float, float]:
    numbers = isinstance(value, list | tuple) and all(type(v) in (int, float) for v in value)
    if not numbers or len(value) != 2 or not value[0] <= 0 <= value[1] or value[0] == value[1]:
        raise ValueError
    return float(value[0]), float(value[1])


def _minutes(value: Any) -> float:
    if type(value) not in (int, float) or not 0 < value <= 10080:
        raise ValueError
    return float(value)


def _day(value: Any) -> dt.date:
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise ValueError
    return value


def _seed(value: Any) -> int:
    if type(value) is not int or not 0 <= value <= LARGEST_SEED:
        raise ValueError
    return value


def _path(value: Any) -> Path:
    if not isinstance(value, str | Path) or not str(value).strip():
        raise ValueError
    return Path(value)


def _said(*what: Any, **more: Any) -> dict[str, Setting]:
    """Metadata of a field of `Settings`: what `Setting` says about it."""
    return {"setting": Setting(*what, **more)}


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What decides how a study's records are read, counted, fitted and judged.

    `transfer.records.settings.SETTINGS` says of every field what it is and what its rule is.
    """

    settings: tuple[str, ...] = field(
        default=("mode", "contest"),
        metadata=_said(
            "Charted practice columns that split practice into settings, mode first: mode alone "
            f"keeps rep and live only. Known columns: {', '.join(SETTING_COLUMNS)}.",
            f"practice columns that start with mode; known are {', '.join(SETTING_COLUMNS)}",
            ["mode", "contest"],
            _words(SETTING_COLUMNS, "mode"),
            "COLUMNS",
            ",",
        ),
    )
    terms: tuple[str, ...] = field(
        default=(),
        metadata=_said(
            "What the model adjusts for beyond the settings, where charted: any of distance, "
            "contest (in games), defender (in live practice), position, class_year (from the "
            "roster), volume (weekly practice attempts).",
            f"any of {', '.join(TERMS)}, or none",
            ["distance"],
            _words(TERMS),
            "WORDS",
            ",",
        ),
    )
    level: str = field(
        default=DEFAULT_LEVEL,
        metadata=_said(
            "Level of play, which sets the starting assumption of the game rate: "
            f"{', '.join(LEVELS)}.",
            f"one of {', '.join(LEVELS)}",
            DEFAULT_LEVEL,
            _one_of(LEVELS),
            "LEVEL",
        ),
    )
    rule_body: str = field(
        default="NFHS",
        metadata=_said(
            f"Court markings that turn a spot label into a distance: {', '.join(RULE_BODIES)}.",
            f"one of {', '.join(RULE_BODIES)}",
            "NFHS",
            _one_of(RULE_BODIES),
            "BODY",
        ),
    )
    rope_r2: tuple[float, float] = field(
        default=(-0.05, 0.05),
        metadata=_said(
            "Differences between live and rep that count as practically equal in a reading, in "
            "shares of R²: the part of the differences between players in games that a practice "
            "number accounts for (0 to 1). State it before looking at a result.",
            "two shares of R² that span zero, smaller first",
            [-0.05, 0.05],
            _region,
            "LOW:HIGH",
            ":",
            float,
        ),
    )
    budget_minutes: float | None = field(
        default=None,
        metadata=_said(
            "Shooting minutes that one player has in a week. Left out, the week is planned with "
            "the minutes charted lately.",
            "minutes in a week: more than 0, at most 10080",
            70,
            _minutes,
            "MIN",
            part=float,
        ),
    )
    season_end: dt.date | None = field(
        default=None,
        metadata=_said(
            "Last day of the season; attempts charted later are reported as a problem.",
            "a day, year first (without quotes in the settings file)",
            dt.date(2027, 3, 31),
            _day,
            "DAY",
            part=dt.date.fromisoformat,
        ),
    )
    seed: int = field(
        default=1,
        metadata=_said(
            "Same records, same seed, same answer.",
            f"a whole number from 0 to {LARGEST_SEED}",
            1,
            _seed,
            "N",
            part=int,
        ),
    )
    priors: Path | None = field(
        default=None,
        metadata=_said(
            "A file with your own starting assumptions in place of the defaults.",
            "a file name (in quotes in the settings file)",
            "priors.toml",
            _path,
            "FILE",
        ),
    )


#: What is said about every setting, by name.
SETTINGS: dict[str, Setting] = {f.name: f.metadata["setting"] for f in fields(Settings)}
#: The defaults, in Python and on the command line.
DEFAULTS = Settings()


def _toml(value: Any) -> str:
    """A value as TOML writes it."""
    if isinstance(value, dt.date):
        return value.isoformat()
    return json.dumps(value, default=str)


def _spelled(name: str, value: Any, door: Door) -> str:
    """Name and value as they are written in that place."""
    if door == "file":
        return f"{name} = {_toml(value)}"
    if door == "option":
        return f"--{name.replace('_', '-')}={SETTINGS[name].to_word(value)}"
    return f"{name}={value!r}"


def _told(name: str, value: Any, door: Door) -> str:
    """What was written, for a message; a number too long to read is shortened."""
    shown = f"{value:.3g}" if type(value) is int and abs(value) > LARGEST_SEED else repr(value)
    if door == "file":
        return f"{SEASON_FILE}: {name} = {shown}"
    return f"--{name.replace('_', '-')} {shown}" if door == "option" else f"{name}={shown}"


def read_setting(name: str, value: Any, door: Door = "python") -> Any:
    """Check the value of one setting.

    Parameters
    ----------
    name : str
        A field of `Settings`.
    value : object
        As TOML or Python hold it; from the command line a word.
    door : {"file", "option", "python"}
        Where it was written.

    Returns
    -------
    object
        As `Settings` holds it.

    Raises
    ------
    ArgumentError
        When it is outside its rule; names the nearest known word, or an example.
    """
    setting = SETTINGS[name]
    try:
        held = setting.from_word(value) if door == "option" and isinstance(value, str) else value
        return setting.check(held)
    except _UnknownWordError as error:
        next_step = f"the nearest known one is {error.nearest!r}"
    except (TypeError, ValueError):
        next_step = f"write e.g. {_spelled(name, setting.example, door)}"
    raise ArgumentError(_told(name, value, door), rule=setting.rule, next_step=next_step)


def read_settings(given: Mapping[str, Any], door: Door = "python") -> dict[str, Any]:
    """Check those of the settings that were given; `None` is a setting left out.

    Raises
    ------
    ArgumentError
        When one is outside its rule.
    """
    return {
        name: read_setting(name, given[name], door)
        for name in SETTINGS
        if given.get(name) is not None
    }


def known_names(given: Iterable[str], known: Iterable[str], message: str) -> None:
    """Refuse a name that is none of the known ones, naming the nearest.

    Parameters
    ----------
    given, known : iterable of str
    message : str
        What is wrong, with ``{name!r}`` for the name.

    Raises
    ------
    ArgumentError
    """
    names = tuple(known)
    for name in given:
        if name not in names:
            raise ArgumentError(
                message.format(name=name),
                rule=f"known keys are {', '.join(names)}",
                next_step=f"did you mean {_nearest(name, names)!r}?",
            )


def default_word(name: str) -> str:
    """The default as the command line would take it; empty where there is none."""
    value = getattr(DEFAULTS, name)
    return "" if value is None else SETTINGS[name].to_word(value)


def settings_lines(**first: Any) -> str:
    """The settings of a new settings file, each under what it is.

    Parameters
    ----------
    **first
        Values in place of defaults.
    """
    parts = []
    for name, setting in SETTINGS.items():
        value = first.get(name, getattr(DEFAULTS, name))
        remark = textwrap.fill(setting.about, 98, initial_indent="# ", subsequent_indent="# ")
        line = _spelled(name, setting.example if value is None else value, "file")
        parts.append(f"{remark}\n{'# ' if value is None else ''}{line}\n")
    return "\n".join(parts)


def settings_table() -> str:
    """Markdown table of the settings: key of the file and argument in Python, option, default."""
    lines = ["| setting | option | default | what it is |", "|---|---|---|---|"]
    for name, setting in SETTINGS.items():
        option = f"`--{name.replace('_', '-')} {setting.metavar}`"
        default = f"`{default_word(name)}`" if default_word(name) else "none"
        lines.append(f"| `{name}` | {option} | {default} | {setting.about} |")
    return "\n".join(lines) + "\n"
