"""Seed, versions, data hash and settings: what a reader needs to get the same answer again."""

from __future__ import annotations

import hashlib
import importlib.metadata
import json
import platform
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

__all__ = ["Provenance", "hash_frames", "package_versions"]

_PACKAGES = (
    "practice-transfer",
    "numpy",
    "scipy",
    "pandas",
    "statsmodels",
    "pymc",
    "pytensor",
    "nutpie",
    "arviz",
)


@dataclass(frozen=True)
class Provenance:
    """What made an estimate. Holds no clock time, so that equal inputs give equal bytes.

    Parameters
    ----------
    seed : int
        Seed of every random step.
    data_hash : str
        SHA-256 of the canonical records or cells, see `hash_frames`.
    versions : mapping
        Package name to version, see `package_versions`.
    settings : mapping
        Sampler settings, priors, options of the command.
    """

    seed: int
    data_hash: str
    versions: Mapping[str, str] = field(default_factory=lambda: package_versions())
    settings: Mapping[str, Any] = field(default_factory=dict)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON."""
        return {
            "seed": self.seed,
            "data_hash": self.data_hash,
            "versions": dict(self.versions),
            "settings": json.loads(json.dumps(dict(self.settings), default=str)),
        }


def package_versions() -> dict[str, str]:
    """Versions of this package, of Python and of the packages that decide the numbers."""
    found = {"python": platform.python_version()}
    for name in _PACKAGES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed"
    return found


def hash_frames(**frames: pd.DataFrame) -> str:
    """SHA-256 of named tables, blind to row order, column order and index.

    Parameters
    ----------
    **frames : DataFrame
        Named tables.

    Returns
    -------
    str
        Hexadecimal digest.
    """
    digest = hashlib.sha256()
    for name in sorted(frames):
        frame = frames[name]
        columns = sorted(map(str, frame.columns))
        text = frame.rename(columns=str)[columns].to_csv(index=False, lineterminator="\n")
        header, *rows = text.splitlines()
        digest.update(f"{name}\n{header}\n".encode())
        digest.update("\n".join(sorted(rows)).encode())
    return digest.hexdigest()
