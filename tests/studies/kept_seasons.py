"""What studies of invented seasons share: one kept line a season, and the committed page."""

from __future__ import annotations

import datetime as dt
import json
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import DiagnosticsError
from transfer.files import write_text
from transfer.models.transfer_model import MODEL_VERSION
from transfer.provenance import package_versions

__all__ = ["page", "run_missing", "share"]

Job = tuple[str, int]


def read_log(log: Path) -> list[dict[str, Any]]:
    """Kept seasons of the present model."""
    lines = log.read_text("utf-8").splitlines() if log.exists() else []
    return [row for row in map(json.loads, lines) if row["model_version"] == MODEL_VERSION]


def run_missing(
    log: Path,
    jobs: Iterable[Job],
    one: Callable[[str, int], dict[str, Any]],
    seconds: float | None = None,
) -> list[dict[str, Any]]:
    """Run the seasons that are not kept yet, until time is up; a failed gate is kept as well."""
    done = {(row["case"], row["index"]) for row in read_log(log)}
    started = time.monotonic()
    log.parent.mkdir(parents=True, exist_ok=True)
    for case, index in jobs:
        if (case, index) in done:
            continue
        if seconds is not None and time.monotonic() - started > seconds:
            break
        row = {"case": case, "index": index, "model_version": MODEL_VERSION}
        try:
            row |= one(case, index)
        except DiagnosticsError as error:
            row["failed"] = str(error).splitlines()[0]
        with log.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(row) + "\n")
    return read_log(log)


def share(values: Iterable[bool]) -> str:
    """A share and its Monte Carlo standard error, such as ``0.93 (0.03)``."""
    held = np.asarray(list(values), dtype=float)
    p = held.mean()
    return f"{p:.2f} ({np.sqrt(p * (1 - p) / held.size):.2f})"


def page(path: Path, title: str, words: str, command: str, table: pd.DataFrame) -> None:
    """Write the committed page: what was done, with which command, and the table."""
    versions = ", ".join(f"{k} {v}" for k, v in package_versions().items())
    head = "| " + " | ".join(map(str, table.columns)) + " |\n|" + "---|" * len(table.columns)
    lines = ["| " + " | ".join(map(str, row)) + " |" for row in table.itertuples(index=False)]
    write_text(
        path,
        f"# {title}\n\n{words}\n\nCommand: `{command}`, {dt.datetime.now(dt.UTC).date()}; transfer "
        f"model {MODEL_VERSION}; {versions}. In brackets the Monte Carlo standard error.\n\n"
        + "\n".join([head, *lines])
        + "\n",
    )
