"""Reading no more than a file should hold, and writing so that a reader never sees half of one.

Only plain files are read: a pipe may never answer and a device may never end. A file is written
under a temporary name beside its place and renamed when it is whole. A process that is killed in
between leaves the temporary file; the next write into the same folder removes it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import platform
import re
import stat
import tempfile
import time
import tomllib
import zlib
from io import BufferedReader
from pathlib import Path
from typing import Any

from transfer.errors import StorageError

__all__ = ["SETTINGS_BYTES", "open_plain", "read_plain", "read_toml", "write_bytes", "write_text"]

#: Most bytes of a settings, priors, plan or key file (judgement, no source; the longest of the
#: package's own has a few thousand).
SETTINGS_BYTES = 1 << 20

_PART = re.compile(r"\..+\.([0-9a-f]{8})-(\d+)-[^.]+\.part")
#: Seconds after which a temporary file of another machine, or of a process whose number was given
#: out again, is taken for a leftover (judgement, no source).
_LEFTOVER_AGE = 24 * 3600


def open_plain(path: Path | str, most: int | None = None) -> BufferedReader:
    """Open a plain file for reading, without waiting for anything else that bears its name.

    Parameters
    ----------
    path : path
    most : int, optional
        Most bytes that it may hold.

    Raises
    ------
    OSError
        When it is missing, may not be read, is a folder, a pipe or a device, or holds more.
    """
    # Without the flag, opening a pipe waits for a writer.
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    stream = os.fdopen(os.open(path, flags), "rb")
    found = os.fstat(stream.fileno())
    if stat.S_ISREG(found.st_mode) and (most is None or found.st_size <= most):
        return stream
    stream.close()
    if not stat.S_ISREG(found.st_mode):
        raise OSError(errno.EINVAL, "a pipe or a device, not a plain file", str(path))
    told = f"{most / (1 << 20):,.0f} MB" if most else "nothing"
    raise OSError(errno.EFBIG, f"{found.st_size:,} bytes; at most {told} are read", str(path))


def read_plain(path: Path | str, most: int | None = None) -> bytes:
    """Read a whole plain file with `open_plain`; same errors."""
    with open_plain(path, most) as stream:
        return stream.read()


def read_toml(path: Path | str) -> dict[str, Any]:
    """Read a settings file.

    Raises
    ------
    OSError
        See `open_plain`.
    ValueError
        When it is no TOML in UTF-8, nests too deeply or holds a number of thousands of digits.
    """
    try:
        return tomllib.loads(read_plain(path, SETTINGS_BYTES).decode("utf-8"))
    except RecursionError:
        raise ValueError("lists or tables are nested too deeply") from None


def write_bytes(path: Path | str, content: bytes, *, replace: bool = True) -> Path:
    """Write `content` to a temporary name beside `path`, then rename it into place.

    Parameters
    ----------
    path : path
        Where the file shall be. Missing folders are made.
    content : bytes
        The whole file.
    replace : bool
        Whether a file that is there already is written over.

    Raises
    ------
    StorageError
        When the folder cannot be written or the disk is full; the old file stays as it was.
    FileExistsError
        When the file is there already and `replace` is false, also when another process was
        quicker.
    """
    target = Path(path)
    temporary: str | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        _remove_leftovers(target.parent)
        prefix = f".{target.name}.{_machine()}-{os.getpid()}-"
        handle, temporary = tempfile.mkstemp(prefix=prefix, suffix=".part", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(temporary, 0o644)
        if replace:
            os.replace(temporary, target)
            temporary = None
        else:
            _name_new(temporary, target)
    except OSError as error:
        if isinstance(error, FileExistsError) and not replace and target.exists():
            raise
        raise StorageError(
            f"{target} could not be written: {error.strerror or error}",
            rule="an output file is written whole or not at all",
            next_step="free disk space or choose a folder you may write to with --out",
        ) from error
    finally:
        # Also after Ctrl-C, which is no OSError.
        if temporary is not None:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
    return target


def write_text(path: Path | str, content: str) -> Path:
    """Write UTF-8 text with `write_bytes`; same errors."""
    return write_bytes(path, content.encode("utf-8"))


def _name_new(temporary: str, target: Path) -> None:
    """Give a finished file its name, unless the name is taken."""
    try:
        os.link(temporary, target)
    except FileExistsError:
        raise
    except OSError:
        # File systems without hard links (some memory sticks and network folders): an empty file
        # takes the name first.
        os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY))
        os.replace(temporary, target)


def _machine() -> str:
    """Eight digits that stand for this machine without naming it."""
    return f"{zlib.crc32(platform.node().encode()):08x}"


def _runs(process: int) -> bool:
    """Whether a process of this machine still runs; True where that cannot be asked."""
    if os.name != "posix":
        return True
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except OSError:
        return True
    return True


def _remove_leftovers(folder: Path) -> None:
    """Remove temporary files whose writer was killed; those of a running writer stay."""
    for entry in os.scandir(folder):
        found = _PART.fullmatch(entry.name)
        if found is None:
            continue
        with contextlib.suppress(OSError):
            own = found[1] == _machine()
            old = time.time() - entry.stat(follow_symlinks=False).st_mtime > _LEFTOVER_AGE
            if old or (own and not _runs(int(found[2]))):
                os.unlink(entry.path)
