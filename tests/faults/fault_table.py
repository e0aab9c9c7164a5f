"""Runs the tests of this folder and writes what was tried and what passed.

python tests/faults/fault_table.py --out reports/studies/faults.md [--quick]
"""

from __future__ import annotations

import datetime as dt
import platform
import time
from pathlib import Path

import click
import pytest

from transfer.files import write_text


class Tally:
    """A pytest plugin that adds up tries by the text of the marker ``fault``."""

    def __init__(self) -> None:
        self.rows: dict[str, dict[str, int]] = {}
        self.notes: dict[str, list[str]] = {}
        self.labels: dict[str, str] = {}

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        for item in items:
            marker = item.get_closest_marker("fault")
            if marker is not None:
                self.labels[item.nodeid] = marker.args[0]

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        label = self.labels.get(report.nodeid)
        if label is None or (report.when != "call" and report.passed):
            return
        given = dict(report.user_properties)
        tries = int(given.get("tries", 1))
        row = self.rows.setdefault(label, {"tried": 0, "passed": 0})
        row["tried"] += tries
        row["passed"] += tries * report.passed
        if "note" in given:
            self.notes.setdefault(label, []).append(f"{tries} tries: {given['note']}")


@click.command()
@click.option("--out", type=click.Path(path_type=Path), required=True)
@click.option("--quick", is_flag=True, help="Without the tests marked slow.")
def main(out: Path, quick: bool) -> None:
    """Run the tests and write the table."""
    tally, started = Tally(), time.monotonic()
    mark = ["-m", "not slow"] if quick else ["-m", "slow or not slow"]
    code = pytest.main(["-q", *mark, str(Path(__file__).parent)], plugins=[tally])
    lines = [
        "# Faults: tried and passed",
        "",
        f"`python tests/faults/fault_table.py --out reports/studies/faults.md"
        f"{' --quick' if quick else ''}`, {dt.datetime.now(dt.UTC):%Y-%m-%d}, "
        f"{time.monotonic() - started:.0f} s, {platform.system()}, Python "
        f"{platform.python_version()}.",
        "",
        "Passed means a right answer, or a message with the place, the rule and what to do, and "
        "nothing lost. A try inside a failed test counts as not passed.",
        "",
        "| fault | tried | passed | remark |",
        "|---|---|---|---|",
    ]
    for label, row in tally.rows.items():
        remark = "; ".join(tally.notes.get(label, []))
        lines.append(f"| {label} | {row['tried']} | {row['passed']} | {remark} |")
    write_text(out, "\n".join(lines) + "\n")
    raise SystemExit(int(code))


if __name__ == "__main__":
    main()
