"""Shared fixtures. Published check values are read from ``shared/reference/``."""

from __future__ import annotations

import os
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


#: Tests that may be skipped even where ``CI=true``, with the reason beside each.
SKIPS_ALLOWED_IN_CI: dict[str, str] = {}


def _refuse_skip(report) -> None:
    """Turn a skip into a failure where ``CI=true``: there, a missing package is an error."""
    unexpected = report.skipped and not hasattr(report, "wasxfail")
    if os.environ.get("CI") == "true" and unexpected and report.nodeid not in SKIPS_ALLOWED_IN_CI:
        reason = report.longrepr[-1] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"{report.nodeid} was skipped, which CI=true does not allow: {reason}"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """Refuse skips of single tests."""
    report = yield
    _refuse_skip(report)
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    """Refuse skips of whole modules (``pytest.importorskip`` on top of a file)."""
    report = yield
    _refuse_skip(report)
    return report
