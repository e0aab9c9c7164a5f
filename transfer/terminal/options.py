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
from transfer.records.settings import SETTINGS, Settings, default_word, read_settings

if TYPE_CHECKING:
    from transfer.models.priors import TransferPriors
    from transfer.records.season import SeasonConfig

__all__ = [
    "SEED",
    "Request",
    "resolve",
    "shared_options",
]

#: Kind of every ``--seed``.
SEED = click.IntRange(0, LARGEST_SEED)

_FILE = click.Path(path_type=Path)
_TABLES = ("practice", "games", "roster", "drills")


def _setting_option(name: str) -> Callable[[Any], Any]:
    """Option of a setting; its word is read by `transfer.records.settings.read_setting`."""
    setting, default = SETTINGS[name], default_word(name)
    help_text = f"{setting.about}  [default: {default}]" if default else setting.about
    return click.option(
        f"--{name.replace('_', '-')}", name, metavar=setting.metavar, help=help_text
    )


_OPTIONS: dict[str, Callable[[Any], Any]] = {
    "practice": click.option(
        "--practice", type=_FILE, help="Charted practice attempts (CSV, Parquet or Excel)."
    ),
    "games": click.option("--games", type=_FILE, help="Game attempts from the same range."),
    "roster": click.option("--roster", type=_FILE, help="Players of the season, by code."),
    "drills": click.option("--drills", type=_FILE, help="Defaults of the drills."),
    **{name: _setting_option(name) for name in SETTINGS},
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
    "season": click.option(
        "--season",
        default="latest",
        show_default=True,
        metavar="NAME",
        help="Season whose players are shown: its name, all, or the latest of each program.",
    ),
    "json": click.option(
        "--json", "as_json", is_flag=True, help="Print one JSON object instead of text."
    ),
}

RECORDS = (*_TABLES, "rule_body", "season_end")
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
class Request(Settings):
    """What one call of a command is about: its settings, files and where results go.

    Parameters
    ----------
    files : mapping of str to Path or DataFrame
        Record files, or tables in memory, by table name.
    read_priors : TransferPriors or None
        Starting assumptions that were read already, for a machine that does not have the file.
    out : Path or None
        Folder named with ``--out``.
    season : SeasonConfig or None
        The season folder the command runs in.
    as_json : bool
        Whether JSON was asked for.
    """

    files: Mapping[str, Any]
    read_priors: TransferPriors | None = None
    out: Path | None = None
    season: SeasonConfig | None = None
    as_json: bool = False


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

    Raises
    ------
    ArgumentError
        When record files are missing or an option is outside its rule.
    """
    from transfer.records.season import find_season, read_season

    folder = find_season(start)
    season = None if folder is None else read_season(folder)
    base: Settings = Settings() if season is None else season
    stated = {name: getattr(base, name) for name in SETTINGS}
    return Request(
        files=_files(given, season, needs),
        out=given.get("out"),
        season=season,
        as_json=bool(given.get("as_json")),
        **(stated | read_settings(given, "option")),
    )
