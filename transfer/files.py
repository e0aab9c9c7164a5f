"""Writing files so that a reader never sees half of one."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from transfer.errors import StorageError

__all__ = ["write_bytes", "write_text"]


def write_bytes(path: Path | str, content: bytes) -> Path:
    """Write `content` to a temporary name beside `path`, then rename it into place.

    Parameters
    ----------
    path : path
        Where the file shall be. Missing folders are made.
    content : bytes
        The whole file.

    Returns
    -------
    Path

    Raises
    ------
    StorageError
        When the folder cannot be written or the disk is full; the old file stays as it was.
    """
    target = Path(path)
    temporary: str | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, target)
    except OSError as error:
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        raise StorageError(
            f"{target} could not be written: {error.strerror or error}",
            rule="an output file is written whole or not at all",
            next_step="free disk space or choose a folder you may write to with --out",
        ) from error
    return target


def write_text(path: Path | str, content: str) -> Path:
    """Write UTF-8 text with `write_bytes`; same errors."""
    return write_bytes(path, content.encode("utf-8"))
