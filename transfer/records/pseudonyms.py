"""Random codes in place of people's and programs' codes or names, and the key that undoes them.

The codes come from the operating system's random source, not from a seed: a code that anybody
could work out again from the name would be no protection. The only way back is the key file.
"""

from __future__ import annotations

import json
import os
import secrets
import stat
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from transfer.errors import ArgumentError, RecordsError, StorageError
from transfer.files import SETTINGS_BYTES, read_plain
from transfer.records.schema import TABLES

__all__ = [
    "FREE_TEXT",
    "RETENTION",
    "Key",
    "Pseudonymised",
    "create_key",
    "load_key",
    "pseudonymise",
    "save_key",
]

#: Column -> kind of code. A defender is a player; an opponent is a program.
KINDS = {
    "player": "player",
    "defender": "player",
    "charter": "charter",
    "program": "program",
    "opponent": "program",
}
_PREFIX = {"player": "P", "charter": "C", "program": "T"}

#: Columns in which a charter may have written anything, names included.
FREE_TEXT = ("description", "session", "game", "drill", "squad", "spot", "season")

RETENTION = (
    "The key file turns the codes back into people. Keep it apart from the records, let as few "
    "people as possible open it, and decide now on which day it is destroyed. Dates, games and "
    "counts can still point to a person, so the new files remain personal data in many places: "
    "follow local law, the consent that was given and your data protection officer."
)

#: Letters and digits that are not mistaken for one another by hand (judgement, no source).
_ALPHABET = "23456789ABCDEFGHJKMNPQRSTVWXYZ"
_LENGTH = 6
_FORMAT = "transfer pseudonym key, version 1"


@dataclass
class Key:
    """Which code stands for what.

    Parameters
    ----------
    codes : dict of str to dict
        Kind (player, charter, program) to a mapping from what stood there to its new code.
    """

    codes: dict[str, dict[str, str]] = field(default_factory=lambda: {kind: {} for kind in _PREFIX})

    def code(self, kind: str, text: str, avoid: frozenset[str] = frozenset()) -> str:
        """The code of a text; a new one is drawn when there is none yet.

        Parameters
        ----------
        kind : str
            player, charter or program.
        text : str
            What stands in the records.
        avoid : frozenset of str
            Texts that a new code must not equal.
        """
        known = self.codes[kind]
        if text not in known:
            taken = avoid | set(known.values())
            drawn = ""
            while not drawn or drawn in taken:
                drawn = _PREFIX[kind] + "".join(secrets.choice(_ALPHABET) for _ in range(_LENGTH))
            known[text] = drawn
        return known[text]

    def copy(self) -> Key:
        """An independent copy."""
        return Key({kind: dict(known) for kind, known in self.codes.items()})

    @property
    def size(self) -> int:
        """Number of codes."""
        return sum(len(known) for known in self.codes.values())


@dataclass(frozen=True)
class Pseudonymised:
    """Tables with new codes.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Table name to rows, texts only, sorted, so that the order of the rows tells nothing.
    key : Key
        The given key and the codes drawn for these tables.
    drawn : int
        Codes that are new in the key.
    free_text : tuple of str
        ``table.column`` of columns that may hold names and were left as they are.
    leftovers : tuple of str
        ``table.column`` of free-text columns in which a replaced code or name still stands.
    """

    tables: dict[str, pd.DataFrame]
    key: Key
    drawn: int
    free_text: tuple[str, ...]
    leftovers: tuple[str, ...]


def pseudonymise(tables: Mapping[str, pd.DataFrame], key: Key | None = None) -> Pseudonymised:
    """Replace codes or names of players, defenders, charters, programs and opponents.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Table name to its cells as texts, known columns only (see
        `transfer.records.workbook_read.charted_frame`).
    key : Key, optional
        Codes of earlier files; the same text gets the same code again. It is not changed.

    Raises
    ------
    ArgumentError
        When a table's name is unknown.
    RecordsError
        When no table holds a column to replace.
    """
    unknown = sorted(set(tables) - set(TABLES))
    if unknown:
        raise ArgumentError(
            f"there is no record table {', '.join(unknown)}",
            rule=f"tables are {', '.join(TABLES)}",
            next_step="use these names",
        )
    if not any(set(KINDS) & set(frame.columns) for frame in tables.values()):
        raise RecordsError(
            "no table holds a column of players, defenders, charters, programs or opponents",
            rule=f"columns with codes are named {', '.join(KINDS)}",
            next_step="rename the column that holds the players to 'player'",
        )
    used = Key() if key is None else key.copy()
    before = used.size
    originals = frozenset(
        str(text)
        for frame in tables.values()
        for name in KINDS
        if name in frame
        for text in frame[name].unique()
        if text
    )
    out = {name: _replaced(frame, used, originals) for name, frame in tables.items()}
    free = {
        f"{table}.{name}": frame[name]
        for table, frame in out.items()
        for name in FREE_TEXT
        if name in frame and frame[name].ne("").any()
    }
    left = tuple(place for place, cells in free.items() if _mentions(cells, originals))
    return Pseudonymised(out, used, used.size - before, tuple(free), left)


def _replaced(frame: pd.DataFrame, key: Key, originals: frozenset[str]) -> pd.DataFrame:
    out = frame.copy()
    for name, kind in KINDS.items():
        if name in out:
            texts = {t: key.code(kind, t, originals) for t in out[name].unique() if t}
            out[name] = out[name].map(lambda t, texts=texts: texts.get(t, ""))
    return out.sort_values(list(out.columns), kind="stable", ignore_index=True)


def _words(text: str) -> str:
    """Words in lower case between single blanks, one blank at either end."""
    spaced = "".join(sign if sign.isalnum() else " " for sign in text.casefold())
    return f" {' '.join(spaced.split())} "


def _mentions(cells: pd.Series, originals: frozenset[str]) -> bool:
    """Whether a replaced text stands as whole words in one of the cells (3 signs or more)."""
    wanted = [_words(text) for text in originals if len(_words(text)) >= 5]
    found = [_words(str(cell)) for cell in cells.unique()]
    return any(text in cell for cell in found for text in wanted)


def create_key(path: Path | str, out: Path | str, key: Key) -> Path:
    """Write a new key file that only its owner may read; an existing file is never replaced.

    Parameters
    ----------
    path : path
        The key file.
    out : path
        Folder of the new records; the key must not lie inside.
    key : Key
        Codes that belong to the texts.

    Raises
    ------
    ArgumentError
        When the key would lie inside the output folder.
    StorageError
        When the file exists, or cannot be written.
    """
    target = _outside(path, out)
    if target.exists() or target.is_symlink():
        raise StorageError(
            f"{target} exists already",
            rule="a key is never overwritten: without it, earlier files cannot be undone",
            next_step="pass it with --key to use it again, or name another file with --new-key",
        )
    _write_private(target, key, replace=False)
    return target


def save_key(path: Path | str, out: Path | str, key: Key) -> Path:
    """Add codes to a key file that exists; what it holds already must stay.

    Parameters
    ----------
    path, out, key
        As in `create_key`.

    Raises
    ------
    ArgumentError
        When the key lies inside the output folder.
    StorageError
        When the file's codes would be lost or changed, or it cannot be written.
    """
    target = _outside(path, out)
    held = load_key(target)
    for kind, known in held.codes.items():
        if any(key.codes[kind].get(text) != code for text, code in known.items()):
            raise StorageError(
                f"{target} holds codes that the new key lacks or changes",
                rule="a key only grows",
                next_step="run the command again with the key as it is now",
            )
    if key.codes != held.codes:
        _write_private(target, key, replace=True)
    return target


def load_key(path: Path | str) -> Key:
    """Read a key file.

    Parameters
    ----------
    path : path
        The key file.

    Raises
    ------
    StorageError
        When it cannot be read, is no key, or others than its owner may read it.
    """
    target = Path(path)
    try:
        mode = stat.S_IMODE(target.stat().st_mode)
        text = read_plain(target, SETTINGS_BYTES).decode("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise StorageError(
            f"the key {target} cannot be read: {getattr(error, 'strerror', None) or error}",
            rule="--key names a key file that exists",
            next_step="check the name, or make a new key with --new-key",
        ) from error
    if os.name == "posix" and mode & 0o077:
        raise StorageError(
            f"the key {target} may be read by others (mode {mode:o})",
            rule="only its owner may read a key",
            next_step=f"run: chmod 600 {target.name}",
        )
    try:
        return _parsed(json.loads(text))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise StorageError(
            f"{target} is not a key file",
            rule=f"a key file is JSON of the form {_FORMAT!r}",
            next_step="name the key that an earlier run wrote",
        ) from error


def _parsed(value: Any) -> Key:
    if value["format"] != _FORMAT:
        raise ValueError("format")
    codes = {kind: dict(value["codes"][kind]) for kind in _PREFIX}
    for known in codes.values():
        if not all(isinstance(code, str) and code for code in known.values()):
            raise ValueError("codes")
        if len(set(known.values())) < len(known):
            raise ValueError("one code stands for two texts")
    return Key(codes)


def _outside(path: Path | str, out: Path | str) -> Path:
    target, folder = Path(path).resolve(), Path(out).resolve()
    if target == folder or folder in target.parents:
        raise ArgumentError(
            f"the key {path} lies inside the output folder {out}",
            rule="a key is kept apart from the records it belongs to",
            next_step="name a key file in another folder",
        )
    return Path(path)


def _write_private(target: Path, key: Key, *, replace: bool) -> None:
    """Write with mode 0600 from the first byte on; whole or not at all."""
    text = json.dumps({"format": _FORMAT, "codes": key.codes}, indent=1, ensure_ascii=True)
    temporary = ""
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:  # mkstemp gives mode 0600
            stream.write((text + "\n").encode("utf-8"))
            stream.flush()
            os.fsync(stream.fileno())
        if replace:
            os.replace(temporary, target)
        else:
            os.link(temporary, target)  # fails when somebody made the file meanwhile
            os.unlink(temporary)
    except OSError as error:
        if temporary:
            with suppress(OSError):
                os.unlink(temporary)
        raise StorageError(
            f"the key {target} could not be written: {error.strerror or error}",
            rule="a key file is written whole or not at all, and never over another one",
            next_step="choose a folder you may write to, or another name",
        ) from error
