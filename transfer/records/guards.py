"""What keeps outputs inside their folder, whatever names records and manifests carry."""

from __future__ import annotations

from pathlib import Path, PureWindowsPath

from transfer.errors import StorageError

__all__ = ["inside"]


def inside(folder: Path | str, name: str) -> Path:
    """Path of a file directly in `folder`.

    Parameters
    ----------
    folder : path
        Where outputs go.
    name : str
        File name, perhaps made from a code or label of the records.

    Raises
    ------
    StorageError
        When the name is empty, names a folder, a drive or a stream, holds a control character, or
        leads elsewhere on any system.
    """
    plain = (
        bool(name.strip())
        and name.isprintable()
        and name not in (".", "..")
        and not set(name) & set("/\\:")
        and PureWindowsPath(name).name == name
    )
    target = Path(folder) / name
    if not plain or target.is_symlink():
        raise StorageError(
            f"{name!r} does not name a file in {folder}",
            rule="outputs stay in their folder: a plain file name, and no link to elsewhere",
            next_step="rename the code or the output, or remove the link",
        )
    return target
