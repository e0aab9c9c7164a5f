"""The season folder: one ``transfer.toml`` beside the record files, and what its keys mean.

Inside such a folder every command runs without options. The file is read strictly: an unknown
key is an error that names the nearest known one, because a setting that is silently ignored is
worse than a setting that is refused.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from transfer.errors import ArgumentError, StorageError
from transfer.files import read_toml, write_text
from transfer.records.dictionary import columns_text
from transfer.records.schema import TABLES, Table
from transfer.records.settings import (
    SEASON_FILE,
    SETTINGS,
    Settings,
    known_names,
    read_settings,
    settings_lines,
)

__all__ = [
    "FILE_KEYS",
    "SeasonConfig",
    "find_season",
    "header_line",
    "read_season",
    "start_season",
]

#: The page about the record files' columns, written beside them.
COLUMNS_FILE = "columns.md"
#: Record tables a season folder may hold; the first two are always needed.
FILE_KEYS = ("practice", "games", "roster", "drills")


@dataclass(frozen=True)
class SeasonConfig(Settings):
    """What ``transfer.toml`` says: the settings, and where the record files are.

    Parameters
    ----------
    folder : Path
        The season folder.
    files : mapping of str to Path
        Record files by table name, as absolute paths. Optional tables that are missing, or are
        templates without a row, are left out.
    """

    folder: Path
    files: Mapping[str, Path] = field(default_factory=dict)


#: Head of a new settings file, and its end after the settings.
_HEAD = """\
# Settings of this season. Every command run inside this folder reads them.
# A line that starts with # is a remark.
"""
_FILES = """\
# Record files, relative to this folder. CSV, Parquet or Excel.
[files]
practice = "practice.csv"
games = "games.csv"
roster = "roster.csv"
drills = "drills.csv"
"""


def _refuse(key: str, value: object, rule: str, next_step: str) -> ArgumentError:
    return ArgumentError(f"{SEASON_FILE}: {key} = {value!r}", rule=rule, next_step=next_step)


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
    known_names(found, (*SETTINGS, "files"), f"{SEASON_FILE}: unknown key {{name!r}}")
    tables = found.pop("files", {})
    if not isinstance(tables, Mapping):
        raise _refuse("files", tables, "[files] is a table", "write [files] on a line of its own")
    known_names(tables, FILE_KEYS, f"{SEASON_FILE}: unknown key {{name!r}} under [files]")
    named = {key: tables.get(key, f"{key}.csv") for key in FILE_KEYS}
    paths = {key: _path(folder, f"files.{key}", value) for key, value in named.items()}
    if "priors" in found:
        found["priors"] = _path(folder, "priors", found["priors"])
    return SeasonConfig(
        folder=folder,
        files={k: p for k, p in paths.items() if k in ("practice", "games") or _in_use(p)},
        **read_settings(found, "file"),
    )


def settings_file(**first: Any) -> str:
    """A new settings file; `first` are values in place of defaults."""
    return "\n".join([_HEAD, settings_lines(**first), _FILES])


def header_line(table: Table) -> str:
    """Header row for counted rows; the columns of one row per attempt are left out."""
    kept = (n for n in table.names if n not in ("made", "attempt"))
    return ",".join(kept) + "\n"


def start_season(folder: Path | str, **first: Any) -> tuple[Path, ...]:
    """Write ``transfer.toml``, empty record files with their header rows, and ``columns.md``.

    Parameters
    ----------
    folder : path
        The new season folder; it may exist, but must not be a season folder yet. A file
        that is there already is kept.
    **first
        First values of settings, see `transfer.records.settings.Settings`; the others are written
        with their defaults.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    StorageError
        When the folder is a season folder already; nothing is written.
    ArgumentError
        When a setting is not known, or its value is outside its rule.
    """
    folder = Path(folder)
    if (folder / SEASON_FILE).exists():
        raise StorageError(
            f"{folder} is a season folder already",
            rule="nothing is overwritten",
            next_step="edit its transfer.toml, or name another folder",
        )
    known_names(first, SETTINGS, "start_season: unknown setting {name!r}")
    text = settings_file(**read_settings(first))
    written = []
    texts = {f"{key}.csv": header_line(TABLES[key]) for key in FILE_KEYS}
    for name, words in (texts | {COLUMNS_FILE: columns_text()}).items():
        if not (folder / name).exists():
            written.append(write_text(folder / name, words))
    written.append(write_text(folder / SEASON_FILE, text))
    return tuple(written)
