"""Shared fixtures. Published check values are read from ``shared/reference/``."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

ROOT = Path(__file__).resolve().parents[1]
REFERENCE = ROOT / "shared" / "reference"


@pytest.fixture(scope="session")
def reference():
    """Return a reader of the published tables by file name without ending."""

    def read(name: str) -> pd.DataFrame:
        return pd.read_csv(REFERENCE / f"{name}.csv")

    return read
