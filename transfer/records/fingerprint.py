"""Fingerprint of checked records: the same for the same rows, whatever file they came from."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping

import numpy as np
import pandas as pd

__all__ = ["hash_records"]


def hash_records(frames: Mapping[str, pd.DataFrame]) -> str:
    """SHA-256 of canonical tables, which stand in a fixed row order.

    Parameters
    ----------
    frames : mapping of str to DataFrame
        Tables by name, as `transfer.records.reading.Records` holds them.

    Returns
    -------
    str
        Hexadecimal digest, blind to the order of tables and columns.
    """
    digest = hashlib.sha256()
    for name, frame in sorted(frames.items()):
        for column in sorted(frame.columns):
            digest.update(f"{name}.{column} {len(frame)}\n".encode())
            for part in _parts(frame[column]):
                digest.update(part)
    return digest.hexdigest()


def _parts(values: pd.Series) -> Iterator[memoryview]:
    """A column as bytes: lengths and letters of texts, or numbers in one size and byte order."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if values.dtype.kind in "iuM":
        yield memoryview(np.ascontiguousarray(values.to_numpy().astype("<i8", copy=False)))
    elif values.dtype.kind == "f":
        numbers = values.to_numpy().astype("<f8") + 0.0  # -0.0 and 0.0 are one number
        numbers[np.isnan(numbers)] = np.nan  # and so are all signs of a blank
        yield memoryview(numbers)
    else:
        texts = pa.array(values.array, type=pa.large_string())
        for chunk in texts.chunks if isinstance(texts, pa.ChunkedArray) else [texts]:
            yield memoryview(pc.binary_length(chunk).to_numpy(zero_copy_only=False))
            letters = chunk.buffers()[2]
            ends = np.frombuffer(chunk.buffers()[1], dtype="<i8")[chunk.offset :]
            yield memoryview(letters)[ends[0] : ends[len(chunk)]] if letters else memoryview(b"")
