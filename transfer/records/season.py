"""The season folder: one ``transfer.toml`` beside the record files, and what its keys mean.

Inside such a folder every command runs without options. The file is read strictly: an unknown
key is an error that names the nearest known one, because a setting that is silently ignored is
worse than a setting that is refused.
"""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from transfer.arguments import LARGEST_SEED
from transfer.errors import ArgumentError, StorageError
from transfer.files import read_toml, write_text
from transfer.records.dictionary import columns_text
from transfer.records.geometry import BODIES
from transfer.records.schema import TABLES, Table

__all__ = [
    "DEFAULT_LEVEL",
    "FILE_KEYS",
    "LEVELS",
    "RULE_BODIES",
    "SEASON_FILE",
    "TERMS",
    "SeasonConfig",
    "find_season",
    "read_season",
    "start_season",
]

#: Name of the settings file that makes a folder a season folder.
SEASON_FILE = "transfer.toml"
#: The page about the record files' columns, written beside them.
COLUMNS_FILE = "columns.md"
#: Record tables a season folder may hold; the first two are always needed.
FILE_KEYS = ("practice", "games", "roster", "drills")
#: Levels of play that set the prior of the game rate.
LEVELS = ("men_pro", "men_college", "women_pro", "women_college", "high_school", "other")
#: Where none is named, in Python and on the command line. Own simulations and the table of what a
#: season can tell are of floaters at this level; the text of a reading names it.
DEFAULT_LEVEL: Literal["men_college"] = "men_college"
#: Rule bodies whose court geometry turns spot labels into distances.
RULE_BODIES = tuple(BODIES)
#: Charted columns that may split practice into settings.
SPLITS = ("mode", "contest")
#: Charted columns that the model may adjust for, where the records carry them.
TERMS = ("distance", "contest", "defender", "position", "class_year", "volume")


@dataclass(frozen=True)
class SeasonConfig:
    """What ``transfer.toml`` says.

    Parameters
    ----------
    folder : Path
        The season folder.
    files : mapping of str to Path
        Record files by table name, as absolute paths. Optional tables that are missing, or are
        templates without a row, are left out.
    settings : tuple of str
        Charted columns that split practice into settings; ``mode`` first.
    terms : tuple of str
        What the model adjusts for beyond the settings, any of `TERMS`: distance of the shot,
        contest in games, defender in live practice.
    level : str
        Level of play, one of `LEVELS`.
    rule_body : str
        One of `RULE_BODIES`.
    rope : (float, float)
        Region of practical equivalence of the live-minus-rep contrast, stated in advance.
    budget_minutes : float or None
        Shooting minutes a player has in a week; `None`: as many as were charted.
    season_end : date or None
        Attempts charted after this day are a problem in the records.
    seed : int
        Seed of every random step.
    priors : Path or None
        A file that overrides the default priors.
    """

    folder: Path
    files: Mapping[str, Path] = field(default_factory=dict)
    settings: tuple[str, ...] = SPLITS
    terms: tuple[str, ...] = ()
    level: str = DEFAULT_LEVEL
    rule_body: str = "NFHS"
    rope: tuple[float, float] = (-0.05, 0.05)
    budget_minutes: float | None = None
    season_end: dt.date | None = None
    seed: int = 1
    priors: Path | None = None


TEMPLATE = """\
# Settings of this season. Every command run inside this folder reads them.
# A line that starts with # is a remark.

# Charted columns that split practice into settings: ["mode"] keeps rep and live only,
# ["mode", "contest"] tells apart how closely live (and rep) attempts were defended.
settings = ["mode", "contest"]

# What the model adjusts for beyond the settings, where charted: any of
# "distance" (of the shot), "contest" (in games), "defender" (in live practice)
terms = []

# Level of play, which sets the starting assumption of the game rate:
# men_pro, men_college, women_pro, women_college, high_school, other
level = "{level}"

# Court markings that turn a spot label into a distance: NFHS, NCAA, lane_16ft, FIBA
rule_body = "{rule_body}"

# Differences between live and rep inside this region count as practically equal. The number is
# the share of the spread between players in games that a practice number explains (0 to 1).
# State it before looking at a result.
rope = [-0.05, 0.05]

# Shooting minutes that one player has in a week. Left out, the week is planned with the minutes
# charted lately.
# budget_minutes = 70

# Last day of the season; attempts charted later are reported as a problem.
# season_end = 2027-03-31

# Same records, same seed, same answer.
seed = {seed}

# A file with your own starting assumptions in place of the defaults.
# priors = "priors.toml"

# Record files, relative to this folder. CSV, Parquet or Excel.
[files]
practice = "practice.csv"
games = "games.csv"
roster = "roster.csv"
drills = "drills.csv"
"""


def _nearest(name: str, known: tuple[str, ...]) -> str:
    close = difflib.get_close_matches(name.lower(), [k.lower() for k in known], n=1, cutoff=0.0)
    return next((k for k in known if close and k.lower() == close[0]), known[0])


def _refuse(key: str, value: object, rule: str, next_step: str) -> ArgumentError:
    return ArgumentError(f"{SEASON_FILE}: {key} = {value!r}", rule=rule, next_step=next_step)


def _one_of(key: str, known: tuple[str, ...]) -> Callable[[Any], str]:
    def check(value: Any) -> str:
        if value not in known:
            raise _refuse(
                key,
                value,
                f"{key} is one of {', '.join(known)}",
                f"the nearest known one is {_nearest(str(value), known)!r}",
            )
        return str(value)

    return check


def _settings(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list) or not value or value[0] != "mode":
        raise _refuse(
            "settings",
            value,
            "a list of charted columns that starts with 'mode'",
            'write settings = ["mode", "contest"]',
        )
    for split in value:
        _one_of("settings", SPLITS)(split)
    return tuple(dict.fromkeys(value))


def _terms(value: Any) -> tuple[str, ...]:
    if not isinstance(value, list):
        raise _refuse("terms", value, "a list of words", 'write e.g. terms = ["distance"]')
    for term in value:
        _one_of("terms", TERMS)(term)
    return tuple(dict.fromkeys(value))


def _rope(value: Any) -> tuple[float, float]:
    numbers = isinstance(value, list) and all(type(v) in (int, float) for v in value)
    if not numbers or len(value) != 2 or not value[0] <= 0 <= value[1] or value[0] == value[1]:
        raise _refuse(
            "rope",
            value,
            "two numbers that span zero, smaller first",
            "write e.g. rope = [-0.05, 0.05]",
        )
    return float(value[0]), float(value[1])


def _minutes(value: Any) -> float:
    if type(value) not in (int, float) or not 0 < value <= 10080:
        raise _refuse(
            "budget_minutes",
            value,
            "minutes in a week: more than 0, at most 10080",
            "write e.g. budget_minutes = 70",
        )
    return float(value)


def _day(value: Any) -> dt.date:
    if not isinstance(value, dt.date) or isinstance(value, dt.datetime):
        raise _refuse(
            "season_end",
            value,
            "a day without quotes, year first",
            "write e.g. season_end = 2027-03-31",
        )
    return value


def _seed(value: Any) -> int:
    if type(value) is not int or not 0 <= value <= LARGEST_SEED:
        told = value if type(value) is not int else f"{value:.3g}"
        raise _refuse(
            "seed", told, f"a whole number from 0 to {LARGEST_SEED}", "write e.g. seed = 1"
        )
    return value


_CHECKS: dict[str, Callable[[Any], Any]] = {
    "settings": _settings,
    "terms": _terms,
    "level": _one_of("level", LEVELS),
    "rule_body": _one_of("rule_body", RULE_BODIES),
    "rope": _rope,
    "budget_minutes": _minutes,
    "season_end": _day,
    "seed": _seed,
}


def _known_keys(found: Mapping[str, Any], known: tuple[str, ...], place: str) -> None:
    for key in found:
        if key not in known:
            raise ArgumentError(
                f"{SEASON_FILE}: unknown key {key!r}{place}",
                rule=f"known keys are {', '.join(known)}",
                next_step=f"did you mean {_nearest(key, known)!r}?",
            )


#: Longest name of a file or folder that the usual file systems hold, bytes.
_LONGEST = 255


def _path(folder: Path, key: str, value: Any) -> Path:
    if not isinstance(value, str) or not value.strip():
        raise _refuse(
            key, value, "a file name in quotes", f'write e.g. {key} = "{key.split(".")[-1]}.csv"'
        )
    parts = [folder.anchor, *Path(value).parts]
    if any(ord(c) < 32 for c in value) or max(len(part.encode()) for part in parts) > _LONGEST:
        raise _refuse(
            key,
            f"{value[:40]!r}...",
            f"a file name of at most {_LONGEST} bytes on one line",
            "correct the name under [files]",
        )
    return folder / value


def _in_use(path: Path) -> bool:
    """Whether an optional record file exists and is more than an untouched template."""
    if not path.is_file():
        return False
    if path.suffix.lower() != ".csv":
        return True
    with open(path, "rb") as stream:
        return sum(1 for line in stream if line.strip(b" ,;\t\r\n")) > 1


def find_season(start: Path | str = ".") -> Path | None:
    """Return the season folder that holds `start`, or None.

    Parameters
    ----------
    start : path
        Where to begin; its parents are looked at in turn.

    Returns
    -------
    Path or None
    """
    here = Path(start).resolve()
    return next((d for d in (here, *here.parents) if (d / SEASON_FILE).is_file()), None)


def read_season(folder: Path | str) -> SeasonConfig:
    """Read and check ``transfer.toml``.

    Parameters
    ----------
    folder : path
        The season folder.

    Returns
    -------
    SeasonConfig
        Record files are listed when they exist; ``practice`` and ``games`` always, so that a
        missing one is reported by name when it is read.

    Raises
    ------
    StorageError
        When the file cannot be read.
    ArgumentError
        When it is not TOML, holds an unknown key or a value outside its rule.
    """
    folder = Path(folder).resolve()
    try:
        found = read_toml(folder / SEASON_FILE)
    except OSError as error:
        raise StorageError(
            f"{SEASON_FILE} cannot be read: {error.strerror or error}",
            rule="a season folder holds a readable transfer.toml",
            next_step="make one with: transfer init DIR",
        ) from error
    except ValueError as error:
        raise ArgumentError(
            f"{SEASON_FILE} is not valid: {error}",
            rule="the settings file is TOML in UTF-8",
            next_step="correct the line, or make a fresh file with: transfer init DIR",
        ) from error
    _known_keys(found, (*_CHECKS, "priors", "files"), "")
    tables = found.get("files", {})
    if not isinstance(tables, Mapping):
        raise _refuse("files", tables, "[files] is a table", "write [files] on a line of its own")
    _known_keys(tables, FILE_KEYS, " under [files]")
    named = {key: tables.get(key, f"{key}.csv") for key in FILE_KEYS}
    paths = {key: _path(folder, f"files.{key}", value) for key, value in named.items()}
    values = {key: check(found[key]) for key, check in _CHECKS.items() if key in found}
    return SeasonConfig(
        folder=folder,
        files={k: p for k, p in paths.items() if k in ("practice", "games") or _in_use(p)},
        priors=_path(folder, "priors", found["priors"]) if "priors" in found else None,
        **values,
    )


def _header(table: Table) -> str:
    """Header row for counted rows; the columns of one row per attempt are left out."""
    kept = (n for n in table.names if n not in ("made", "attempt"))
    return ",".join(kept) + "\n"


def start_season(
    folder: Path | str,
    level: str = DEFAULT_LEVEL,
    rule_body: str = "NFHS",
    seed: int = 1,
) -> tuple[Path, ...]:
    """Write ``transfer.toml``, empty record files with their header rows, and ``columns.md``.

    Parameters
    ----------
    folder : path
        The new season folder; it may exist, but must not be a season folder yet. A file
        that is there already is kept.
    level, rule_body : str
        First values of the settings.
    seed : int
        Seed written into the settings.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    StorageError
        When the folder is a season folder already; nothing is written.
    ArgumentError
        When the level or the rule body is unknown.
    """
    folder = Path(folder)
    if (folder / SEASON_FILE).exists():
        raise StorageError(
            f"{folder} is a season folder already",
            rule="nothing is overwritten",
            next_step="edit its transfer.toml, or name another folder",
        )
    text = TEMPLATE.format(
        level=_one_of("level", LEVELS)(level),
        rule_body=_one_of("rule_body", RULE_BODIES)(rule_body),
        seed=_seed(seed),
    )
    written = []
    texts = {f"{key}.csv": _header(TABLES[key]) for key in FILE_KEYS}
    for name, words in (texts | {COLUMNS_FILE: columns_text()}).items():
        if not (folder / name).exists():
            written.append(write_text(folder / name, words))
    written.append(write_text(folder / SEASON_FILE, text))
    return tuple(written)
