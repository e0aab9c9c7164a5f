"""The folder's own record of the lot that was drawn in it, so that there is no second one.

``lot.json`` is made before anything else is written and never written over: of two draws at once
one makes it, and it stays when the plan is deleted. It holds the plan's hash, so that a plan that
was edited and given a new hash is noticed without the printed protocol. Who edits both files is
found out by the protocol alone.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from transfer.errors import StorageError
from transfer.files import SETTINGS_BYTES, read_plain, write_bytes

__all__ = ["LOT", "LotRecord", "claim_folder", "drawn_before", "read_record"]

LOT = "lot.json"
FORMAT = "transfer-trial-lot/1"


@dataclass(frozen=True)
class LotRecord:
    """What a folder keeps of its lot.

    Parameters
    ----------
    plan_hash : str
    registered : str
        Day of the draw or of the registration, as in the plan.
    """

    plan_hash: str
    registered: str


def read_record(folder: Path) -> LotRecord | None:
    """The record of a folder; ``None`` where there is none.

    Raises
    ------
    StorageError
        When it cannot be read or is no such record.
    """
    path = folder / LOT
    try:
        value = json.loads(read_plain(path, SETTINGS_BYTES))
        if value["format"] != FORMAT:
            raise ValueError(f"format {value['format']!r}")
        day = dt.date.fromisoformat(value["registered"])
        return LotRecord(bytes.fromhex(value["hash"]).hex(), day.isoformat())
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise StorageError(
            f"{path} cannot be read as the record of a lot: {error}",
            rule="a folder in which a lot was drawn keeps its hash and its day",
            next_step=f"restore {LOT} from a copy, or choose a new folder for another trial",
        ) from error


def claim_folder(own: LotRecord, folder: Path, outputs: Iterable[str]) -> LotRecord:
    """Make the record of a lot, before any other file of it is written.

    Parameters
    ----------
    own : LotRecord
        Of the lot that was just drawn.
    folder : Path
    outputs : iterable of str
        Names of the files that tell of an earlier lot where the record is missing.

    Returns
    -------
    LotRecord
        The record that stands: the folder's, where it has one, also since a moment ago.

    Raises
    ------
    StorageError
        When files of an earlier lot stand there without a record, or it cannot be written.
    """
    found = read_record(folder)
    if found is not None:
        return found
    left = [name for name in outputs if (folder / name).exists()]
    if left:
        raise drawn_before(f"{folder} holds {left[0]} of an earlier lot")
    value = {"format": FORMAT, "hash": own.plan_hash, "registered": own.registered}
    try:
        write_bytes(folder / LOT, (json.dumps(value, indent=1) + "\n").encode(), replace=False)
    except FileExistsError:
        return read_record(folder) or own
    return own


def drawn_before(what: str) -> StorageError:
    """Say that a folder has its lot."""
    return StorageError(
        what,
        rule="a lot is drawn once; drawing again until it pleases is no lot",
        next_step="keep the plan you have, or choose a new folder for another trial",
    )
