"""Rows to cells out of core: 100 million rows in Parquet, 10 million in CSV, one week added.

    python tests/benchmarks/data_path.py [OUT] [--parquet 100] [--csv 10] [--cores 2]

with millions of rows. The figures are printed, and written to OUT. The files are made in a
temporary folder and removed. Making and every reading run in a process of their own, so that the
peak memory of a step is that of its reading alone; the load beside a step is the machine's when the
step began.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

from measure import SEED, Clock, machine, peak_memory  # noqa: E402

PROGRAMS, PLAYERS, WEEKS = 350, 14, 26


def week_table(week: int, rows: int) -> Any:
    """One week of single attempts of 350 programs as an Arrow table, minutes charted."""
    import pyarrow as pa

    rng = np.random.default_rng([SEED, week])
    program = np.sort(rng.integers(0, PROGRAMS, rows))
    player, drill = rng.integers(0, PLAYERS, rows), rng.integers(0, 6, rows)
    day = rng.integers(0, 6, rows)
    contests = ["none", "light", "none", "trailing", "front", "front_and_trailing"]

    def words(codes: np.ndarray, labels: list[str]) -> Any:
        return pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int32)), pa.array(labels))

    first = np.datetime64("2025-10-06") + np.timedelta64(7 * week, "D")
    return pa.table(
        {
            "date": pa.array(first + day.astype("timedelta64[D]")),
            "session": words(np.zeros(rows), ["1"]),
            "program": words(program, [f"T{g:03d}" for g in range(PROGRAMS)]),
            "season": words(np.zeros(rows), ["2025-26"]),
            "player": words(player, [f"P{p:02d}" for p in range(PLAYERS)]),
            "drill": words(drill, [f"drill_{d}" for d in range(6)]),
            "mode": words((drill >= 3).astype(int), ["rep", "live"]),
            "contest": words(drill, contests),
            "made": pa.array((rng.random(rows) < 0.45).astype(np.int8)),
            "minutes": pa.array(4.0 + drill),
        }
    )


def write_weeks(folder: Path, rows: int, ending: str) -> None:
    """Write 26 files of one week each."""
    import pyarrow.csv as pc
    import pyarrow.parquet as pq

    for week in range(WEEKS):
        table = week_table(week, rows // WEEKS)
        path = folder / f"week-{week:02d}.{ending}"
        if ending == "csv":
            plain = table.schema
            for i, field in enumerate(plain):
                if str(field.type).startswith("dictionary"):
                    plain = plain.set(i, field.with_type(field.type.value_type))
            pc.write_csv(table.cast(plain), path)
        else:
            pq.write_table(table, path)


def count(folder: Path, cache: Path, ending: str, weeks: int) -> dict[str, Any]:
    """Count the first weeks in this process."""
    from transfer.records.bulk import bulk_cells

    files = sorted(folder.glob(f"*.{ending}"))[:weeks]
    load = round(os.getloadavg()[0], 1)
    with Clock() as clock:
        found = bulk_cells(files, cache=cache)
    return {
        "rows": int(found.table["rows"].sum()),
        "read_now": int((~found.table["from_cache"]).sum()),
        "cells": len(found.cells.table),
        "attempts": int(found.cells.table["n"].sum()),
        "data_hash": found.cells.data_hash,
        "load": load,
        "wall_s": clock.wall,
        "cpu_s": clock.cpu,
        "memory_mb": peak_memory(),
    }


def in_a_process(cores: int, *words: object) -> dict[str, Any]:
    """Run one step of this script in a process of its own, on so many cores at most."""
    command = [sys.executable, __file__, "--step", str(cores), *map(str, words)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def step(cores: str, what: str, folder: str, *words: str) -> dict[str, Any]:
    """Do what `in_a_process` asked for."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: int(cores)])
    if what == "make":
        write_weeks(Path(folder), int(words[0]), words[1])
        files = list(Path(folder).iterdir())
        return {"files": len(files), "megabytes": sum(f.stat().st_size for f in files) / 1e6}
    cache, ending, weeks = words
    return count(Path(folder), Path(cache), ending, int(weeks))


def main() -> None:
    """Make the files, count all, all but the last week, and then the last; tell the figures."""
    if sys.argv[1:2] == ["--step"]:
        print(json.dumps(step(*sys.argv[2:])))
        return
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, nargs="?")
    parser.add_argument("--parquet", type=float, default=100.0, help="millions of rows")
    parser.add_argument("--csv", type=float, default=10.0, help="millions of rows")
    parser.add_argument("--cores", type=int, default=2)
    args = parser.parse_args()
    result: dict[str, Any] = {"machine": machine(), "cores_used": args.cores}
    for ending, millions in (("parquet", args.parquet), ("csv", args.csv)):
        if not millions:
            continue
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            made = in_a_process(args.cores, "make", folder, int(millions * 1e6), ending)
            steps = {
                title: in_a_process(args.cores, "count", folder, folder / cache, ending, weeks)
                for title, cache, weeks in (
                    ("all weeks, nothing cached", "a", WEEKS),
                    ("all but the last week", "b", WEEKS - 1),
                    ("the last week added", "b", WEEKS),
                )
            }
        result[ending] = {"megabytes": made["megabytes"], "steps": steps}
        if args.out is not None:
            args.out.write_text(json.dumps(result, indent=1))
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
