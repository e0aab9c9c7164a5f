"""Save and load a fit as one netCDF file, with everything that made it inside.

netCDF 4 through h5netcdf, no pickle; `arviz.from_netcdf` opens it too. A file written by another
model version is refused with a message that says so, because the same names could mean other
things.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import json
import os
import sys
import tempfile
import traceback
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from transfer.arguments import kinds_checked
from transfer.errors import StorageError
from transfer.files import write_bytes
from transfer.models.datatree import from_tree, saved_tree
from transfer.models.posterior import TransferPosterior
from transfer.models.transfer_model import MODEL_VERSION

if TYPE_CHECKING:
    import xarray

__all__ = ["load_fit", "save_fit"]

_FORMAT = "practice-transfer fit"
#: Raised when the layout of the file changes; 2 holds the fitted cells, 3 a digest of everything, 4
#: the groups of ArviZ.
_FORMAT_VERSION = 4
_DIGEST = "sha256"


def _digest(tree: xarray.DataTree) -> str:
    """SHA-256 over every name, axis, number and word of the file but the digest itself.

    Words are hashed as JSON and numbers by their bytes, so that what is read back is hashed the
    way it was written, whatever containers the netCDF library chose on the way.
    """
    found = hashlib.sha256()
    for path, group in sorted(tree.to_dict().items()):
        found.update(json.dumps(path).encode())
        for name in sorted(map(str, group.variables)):
            variable = group.variables[name]
            values = variable.to_numpy()
            words = values.dtype.kind not in "iufb"
            kind = "text" if words else values.dtype.str
            found.update(json.dumps([name, list(variable.dims), values.shape, kind]).encode())
            found.update(
                json.dumps(values.astype(str).tolist()).encode()
                if words
                else np.ascontiguousarray(values).tobytes()
            )
            found.update(_words(variable.attrs))
        found.update(_words({k: v for k, v in group.attrs.items() if k != _DIGEST}))
    return found.hexdigest()


def _words(attributes: Mapping[Any, Any]) -> bytes:
    return json.dumps({str(k): str(v) for k, v in attributes.items()}, sort_keys=True).encode()


@kinds_checked
def save_fit(posterior: TransferPosterior, path: Path | str) -> Path:
    """Write a fit to one netCDF file; the file appears whole or not at all.

    Parameters
    ----------
    posterior : TransferPosterior
    path : path

    Raises
    ------
    StorageError
        When the folder cannot be written.
    """
    try:
        with tempfile.TemporaryDirectory() as folder:
            scratch = Path(folder) / "fit.nc"
            tree = saved_tree(posterior)
            tree.attrs |= {
                "format": _FORMAT,
                "format_version": _FORMAT_VERSION,
                "model_version": MODEL_VERSION,
            }
            tree.attrs[_DIGEST] = _digest(tree)
            # Checksums beside the numbers, so that damage inside them is noticed on reading.
            summed = {
                path: {
                    name: {"fletcher32": True}
                    for name, values in group.variables.items()
                    if values.dtype.kind == "f" and values.size
                }
                for path, group in tree.to_dict().items()
            }
            tree.to_netcdf(scratch, engine="h5netcdf", encoding=summed)
            content = scratch.read_bytes()
    except OSError as error:
        raise StorageError(
            f"the fit could not be prepared for {os.fspath(path)}: {error.strerror or error}",
            rule="a fit is written whole or not at all",
            next_step="free space in the folder for temporary files",
        ) from error
    return write_bytes(path, content)


def _refuse(path: Path | str, what: str, next_step: str) -> StorageError:
    return StorageError(
        f"{path}: {what}",
        rule="a saved fit is a file that `transfer fit` wrote",
        next_step=next_step,
    )


def load_fit(path: Path | str) -> TransferPosterior:
    """Read a fit back.

    Parameters
    ----------
    path : path

    Raises
    ------
    StorageError
        When the file is missing, damaged, not a fit, or written by another model version.
    """
    import xarray as xr

    if not Path(path).is_file():
        raise _refuse(path, "no such file", "run `transfer fit` first")
    try:
        with _quiet_closing(), xr.open_datatree(path, engine="h5netcdf") as opened:
            tree = opened.load()
        attributes = tree.attrs
        if attributes.get("format") != _FORMAT:
            raise _refuse(path, "not a saved fit", "name the fit.nc of a run folder")
        version = int(attributes.get("model_version", -1))
        if version != MODEL_VERSION:
            raise _refuse(
                path,
                f"written by model version {version}, this program has {MODEL_VERSION}",
                "fit the records again with this version",
            )
        layout = int(attributes.get("format_version", 1))
        if layout != _FORMAT_VERSION:
            raise _refuse(
                path,
                f"file layout {layout}, this program reads layout {_FORMAT_VERSION}",
                "fit the records again with this version",
            )
        if attributes.get(_DIGEST) != _digest(tree):
            raise _refuse(
                path,
                "its content is not what was saved: the digest inside it does not follow from it",
                "fit the records again; delete the altered file",
            )
        return from_tree(tree)
    except StorageError:
        raise
    except Exception as error:
        # h5py, h5netcdf and xarray raise many classes for a damaged file; the user needs one.
        raise _refuse(
            path,
            f"damaged or cut short ({type(error).__name__})",
            "fit the records again; delete the damaged file",
        ) from error


@contextlib.contextmanager
def _quiet_closing() -> Iterator[None]:
    """Keep the closing of a file that never opened quiet: the refusal tells what is wrong.

    The netCDF library closes such a file when its object is collected, and the failure of that is
    printed past every handler.
    """
    usual = sys.unraisablehook
    sys.unraisablehook = lambda _: None
    try:
        yield
    except Exception as error:
        traceback.clear_frames(error.__traceback__)  # frames that hold the object
        gc.collect()
        raise
    finally:
        sys.unraisablehook = usual
