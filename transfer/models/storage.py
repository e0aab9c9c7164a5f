"""Save and load a fit as one netCDF file, with everything that made it inside.

netCDF 4 through h5netcdf, no pickle. A file written by another model version is refused with a
message that says so, because the same names could mean other things.
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
import pandas as pd

from transfer.errors import StorageError
from transfer.files import write_bytes
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.models.transfer_model import MODEL_VERSION
from transfer.provenance import Provenance
from transfer.records.cells import Cells

if TYPE_CHECKING:
    import xarray

__all__ = ["load_fit", "save_fit"]

_FORMAT = "practice-transfer fit"
#: Raised when the layout of the file changes; 2 holds the fitted cells, 3 a digest of everything.
_FORMAT_VERSION = 3
_CELL = "cell_"
_DIGEST = "sha256"


def _dataset(posterior: TransferPosterior) -> xarray.Dataset:
    import xarray as xr

    size = [*posterior.settings, "game"]
    population = {"": posterior.population, "prior_": posterior.prior}
    variables: dict[str, Any] = {"theta": (("draw", "unit", "setting"), posterior.theta)}
    for prefix, draws in population.items():
        axis = f"{prefix}draw"
        variables[f"{prefix}mu"] = ((axis, "setting"), draws.mu)
        variables[f"{prefix}tau"] = ((axis, "setting"), draws.tau)
        variables[f"{prefix}omega"] = ((axis, "setting", "other_setting"), draws.omega)
    for name, values in posterior.terms.items():
        dims = ("draw", *(f"{name}_axis_{i}" for i in range(values.ndim - 1)))
        variables[f"term_{name}"] = (dims, values)
    for label, column in posterior.cells.table.items():
        numbers = column.dtype.kind in "iufb"
        values = column.to_numpy() if numbers else column.astype(str).to_numpy(dtype=object)
        variables[f"{_CELL}{label}"] = (("cell",), values)
    return xr.Dataset(
        variables,
        coords={"setting": size, "unit": list(posterior.units)},
        attrs={
            "format": _FORMAT,
            "format_version": _FORMAT_VERSION,
            "model_version": MODEL_VERSION,
            "cells_hash": posterior.cells.data_hash,
            "modes": json.dumps(list(posterior.modes)),
            "labels": json.dumps({k: list(v) for k, v in posterior.labels.items()}),
            "diagnostics": json.dumps(posterior.diagnostics.to_dict()),
            "provenance": json.dumps(posterior.provenance.to_dict()),
        },
    )


def _digest(data: xarray.Dataset) -> str:
    """SHA-256 over every name, axis, number and word of the file but the digest itself.

    Words are hashed as JSON and numbers by their bytes, so that what is read back is hashed the
    way it was written, whatever containers the netCDF library chose on the way.
    """
    found = hashlib.sha256()
    for name in sorted(map(str, data.variables)):
        variable = data.variables[name]
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
    found.update(_words({k: v for k, v in data.attrs.items() if k != _DIGEST}))
    return found.hexdigest()


def _words(attributes: Mapping[Any, Any]) -> bytes:
    return json.dumps({str(k): str(v) for k, v in attributes.items()}, sort_keys=True).encode()


def save_fit(posterior: TransferPosterior, path: Path | str) -> Path:
    """Write a fit to one netCDF file; the file appears whole or not at all.

    Parameters
    ----------
    posterior : TransferPosterior
    path : path

    Returns
    -------
    Path

    Raises
    ------
    StorageError
        When the folder cannot be written.
    """
    try:
        with tempfile.TemporaryDirectory() as folder:
            scratch = Path(folder) / "fit.nc"
            data = _dataset(posterior)
            data.attrs[_DIGEST] = _digest(data)
            # Checksums beside the numbers, so that damage inside them is noticed on reading.
            summed = {
                name: {"fletcher32": True}
                for name, values in data.variables.items()
                if values.dtype.kind == "f" and values.size
            }
            data.to_netcdf(scratch, engine="h5netcdf", encoding=summed)
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

    Returns
    -------
    TransferPosterior

    Raises
    ------
    StorageError
        When the file is missing, damaged, not a fit, or written by another model version.
    """
    import xarray as xr

    if not Path(path).is_file():
        raise _refuse(path, "no such file", "run `transfer fit` first")
    try:
        with _quiet_closing(), xr.open_dataset(path, engine="h5netcdf") as opened:
            data = opened.load()
        attributes = data.attrs
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
        if attributes.get(_DIGEST) != _digest(data):
            raise _refuse(
                path,
                "its content is not what was saved: the digest inside it does not follow from it",
                "fit the records again; delete the altered file",
            )
        return _posterior(data)
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


def _cells(data: xarray.Dataset, settings: tuple[str, ...], units: tuple[str, ...]) -> Cells:
    table = pd.DataFrame(
        {
            str(name).removeprefix(_CELL): data[name].to_numpy()
            for name in data.data_vars
            if str(name).startswith(_CELL)
        }
    )
    return Cells(table, settings, units, str(data.attrs["cells_hash"]))


def _posterior(data: xarray.Dataset) -> TransferPosterior:
    def population(prefix: str) -> PopulationDraws:
        return PopulationDraws(
            *(data[f"{prefix}{name}"].to_numpy() for name in ("mu", "tau", "omega"))
        )

    diagnostics = json.loads(data.attrs["diagnostics"])
    diagnostics["failures"] = tuple(diagnostics["failures"])
    terms = {
        str(name).removeprefix("term_"): data[name].to_numpy()
        for name in data.data_vars
        if str(name).startswith("term_")
    }
    settings = tuple(map(str, data["setting"].to_numpy()[:-1]))
    units = tuple(map(str, data["unit"].to_numpy()))
    return TransferPosterior(
        settings=settings,
        modes=tuple(json.loads(data.attrs["modes"])),
        units=units,
        population=population(""),
        prior=population("prior_"),
        theta=np.ascontiguousarray(data["theta"].to_numpy()),
        diagnostics=Diagnostics(**diagnostics),
        provenance=Provenance(**json.loads(data.attrs["provenance"])),
        cells=_cells(data, settings, units),
        terms=terms,
        labels={k: tuple(v) for k, v in json.loads(data.attrs["labels"]).items()},
    )
