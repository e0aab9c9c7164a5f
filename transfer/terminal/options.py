"""Options that commands share, and how they meet the season folder's settings.

An option on the command line wins over ``transfer.toml``, which wins over the default. Record
files given by hand replace the season's record files altogether, so that a roster of one season
never meets the practice of another.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.arguments import LARGEST_SEED

if TYPE_CHECKING:
    import datetime as dt

    from transfer.models.priors import TransferPriors
    from transfer.records.season import SeasonConfig

__all__ = [
    "SEED",
    "Request",
    "parse_rope",
    "parse_settings",
    "parse_terms",
    "resolve",
    "shared_options",
]

#: Kind of every ``--seed``.
SEED = click.IntRange(0, LARGEST_SEED)

_FILE = click.Path(path_type=Path)
_TABLES = ("practice", "games", "roster", "drills")

_OPTIONS: dict[str, Callable[[Any], Any]] = {
    "practice": click.option(
        "--practice", type=_FILE, help="Charted practice attempts (CSV, Parquet or Excel)."
    ),
    "games": click.option("--games", type=_FILE, help="Game attempts from the same range."),
    "roster": click.option("--roster", type=_FILE, help="Players of the season, by code."),
    "drills": click.option("--drills", type=_FILE, help="Defaults of the drills."),
    "settings": click.option(
        "--settings",
        metavar="COLUMNS",
        help="What splits practice into settings: mode, or mode,contest.  [default: mode,contest]",
    ),
    "terms": click.option(
        "--terms",
        metavar="WORDS",
        help="What the model adjusts for, where charted: any of distance, contest (in games), "
        "defender (in live practice), position and class_year (roster), volume (practice attempts "
        "a week).  [default: none]",
    ),
    "level": click.option(
        "--level",
        metavar="LEVEL",
        help="Level of play: men_pro, men_college, women_pro, women_college, high_school or "
        "other.  [default: men_college]",
    ),
    "rope": click.option(
        "--rope",
        metavar="LOW:HIGH",
        help="Differences between live and rep that would not matter, as shares of R2, stated "
        "before looking.  [default: -0.05:0.05]",
    ),
    "priors": click.option(
        "--priors", type=_FILE, help="A file with your own starting assumptions."
    ),
    "seed": click.option("--seed", type=SEED, help="Same records, same seed, same answer."),
    "out": click.option(
        "--out", type=_FILE, help="Folder for what is written. In a season folder: runs/."
    ),
    "jobs": click.option(
        "--jobs", type=int, metavar="N", help="Fits at a time, each in a process of its own."
    ),
    "cluster": click.option(
        "--cluster",
        metavar="ADDRESS",
        help="A Dask scheduler that runs the fits instead, such as tcp://HOST:8786.",
    ),
    "json": click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON object instead of text."
    ),
}

RECORDS = ("practice", "games", "roster", "drills")
FIT = ("settings", "terms", "level", "priors", "seed")


def shared_options(*names: str) -> Callable[[Any], Any]:
    """Decorate a command with shared options, listed in the order given.

    Parameters
    ----------
    *names : str
        Keys of the shared options; ``"records"`` and ``"fit"`` stand for their groups.
    """
    groups = {"records": RECORDS, "fit": FIT}
    wanted = [key for name in names for key in groups.get(name, (name,))]

    def decorate(function: Any) -> Any:
        for key in reversed(wanted):
            function = _OPTIONS[key](function)
        return function

    return decorate


@dataclass(frozen=True)
class Request:
    """What one call of a command is about, after options and settings have met.

    Parameters
    ----------
    files : mapping of str to Path
        Record files by table name.
    settings, terms, level, rule_body, rope, seed
        See `transfer.records.season.SeasonConfig`.
    season_end : date or None
        Last day of the season.
    priors : Path or None
        File of starting assumptions.
    read_priors : TransferPriors or None
        Starting assumptions that were read already, for a machine that does not have the file.
    out : Path or None
        Folder named with ``--out``.
    season : SeasonConfig or None
        The season folder the command runs in.
    as_json : bool
        Whether JSON was asked for.
    """

    files: Mapping[str, Path]
    settings: tuple[str, ...] = ("mode", "contest")
    terms: tuple[str, ...] = ()
    level: str = "men_college"
    rule_body: str = "NFHS"
    rope: tuple[float, float] = (-0.05, 0.05)
    seed: int = 1
    season_end: dt.date | None = None
    priors: Path | None = None
    read_priors: TransferPriors | None = None
    out: Path | None = None
    season: SeasonConfig | None = None
    as_json: bool = False


def parse_settings(value: str) -> tuple[str, ...]:
    """Split ``mode,contest`` and check the words.

    Raises
    ------
    ArgumentError
        When a word is unknown or ``mode`` does not stand first.
    """
    from transfer.errors import ArgumentError

    words = tuple(word.strip() for word in value.split(","))
    if words not in (("mode",), ("mode", "contest")):
        raise ArgumentError(
            f"--settings {value!r} is not a split of practice",
            rule="mode, or mode,contest",
            next_step="write --settings mode,contest",
        )
    return words


def parse_terms(value: str) -> tuple[str, ...]:
    """Split ``distance,defender`` and check the words; ``none`` for none.

    Raises
    ------
    ArgumentError
        When a word is unknown.
    """
    from transfer.errors import ArgumentError
    from transfer.records.problems import nearest
    from transfer.records.season import TERMS

    words = [word.strip() for word in value.split(",")]
    if words == ["none"]:
        return ()
    for word in words:
        if word not in TERMS:
            close = nearest(word, TERMS)
            raise ArgumentError(
                f"--terms {value!r}: {word!r} is not a term",
                rule=f"any of {', '.join(TERMS)}, or none",
                next_step=f"did you mean {close!r}?" if close else "leave the word out",
            )
    return tuple(dict.fromkeys(words))


def parse_rope(value: str) -> tuple[float, float]:
    """Split ``LOW:HIGH`` into two shares that span zero.

    Raises
    ------
    ArgumentError
        When it is not two numbers that span zero.
    """
    from transfer.errors import ArgumentError

    try:
        low, high = (float(part) for part in value.split(":"))
    except ValueError:
        low, high = 1.0, 0.0
    if not low <= 0.0 <= high or low == high:
        raise ArgumentError(
            f"--rope {value!r} is not a region around zero",
            rule="two numbers LOW:HIGH with LOW <= 0 <= HIGH",
            next_step="write e.g. --rope=-0.05:0.05",
        )
    return low, high


def _level(value: str) -> str:
    from transfer.errors import ArgumentError
    from transfer.records.problems import nearest
    from transfer.records.season import LEVELS

    if value not in LEVELS:
        close = nearest(value, LEVELS)
        raise ArgumentError(
            f"--level {value!r} is not a level of play",
            rule=f"one of {', '.join(LEVELS)}",
            next_step=f"did you mean {close!r}?" if close else "use 'other' where none fits",
        )
    return value


def _files(
    given: Mapping[str, Any], season: SeasonConfig | None, needs: tuple[str, ...]
) -> dict[str, Path]:
    from transfer.errors import ArgumentError

    by_hand = {key: given[key] for key in _TABLES if given.get(key) is not None}
    if season is not None and not ({"practice", "games"} & set(by_hand)):
        return {**season.files, **by_hand}
    missing = [f"--{key}" for key in needs if key not in by_hand]
    if not needs and not ({"practice", "games"} & set(by_hand)):
        missing = ["--practice or --games"]
    if missing:
        raise ArgumentError(
            f"no record files: {' and '.join(missing)} missing",
            rule="this command needs record files, or a season folder around it",
            next_step="name the files, or make a season folder with: transfer init DIR",
        )
    return by_hand


def resolve(
    given: Mapping[str, Any],
    start: Path | str = ".",
    needs: tuple[str, ...] = ("practice", "games"),
) -> Request:
    """Settle what a command is about.

    Parameters
    ----------
    given : mapping
        The command's parameters; None where an option was left out.
    start : path
        Where the command runs.
    needs : tuple of str
        Tables that must be named; with none, either practice or games will do.

    Returns
    -------
    Request

    Raises
    ------
    ArgumentError
        When record files are missing or an option is outside its rule.
    """
    from transfer.records.season import SeasonConfig, find_season, read_season

    folder = find_season(start)
    season = None if folder is None else read_season(folder)
    base = SeasonConfig(folder=Path(start)) if season is None else season
    settings, terms, rope, level = (
        given.get(key) for key in ("settings", "terms", "rope", "level")
    )
    return Request(
        files=_files(given, season, needs),
        settings=base.settings if settings is None else parse_settings(settings),
        terms=base.terms if terms is None else parse_terms(terms),
        level=base.level if level is None else _level(level),
        rule_body=base.rule_body,
        rope=base.rope if rope is None else parse_rope(rope),
        seed=base.seed if given.get("seed") is None else int(given["seed"]),
        season_end=base.season_end,
        priors=base.priors if given.get("priors") is None else given["priors"],
        out=given.get("out"),
        season=season,
        as_json=bool(given.get("as_json")),
    )
