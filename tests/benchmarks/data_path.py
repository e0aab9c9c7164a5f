"""Records to cells: a season of 25 million attempts as counted rows, read, checked and counted.

    python tests/benchmarks/data_path.py [OUT] [--attempts 25] [--cores 2] [--repeats 3]

with millions of attempts, ten to a row. The figures are printed, and written to OUT. The file lies
in a temporary folder. Making it and each reading run in a process of their own, so that the peak
memory is that of reading alone; the load beside a reading is the machine's when it began.
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

PROGRAMS, PLAYERS, DAYS = 350, 14, 156
DRILLS = ("air", "form", "pad", "close", "screen", "rim")
CONTESTS = ("none", "none", "none", "light", "trailing", "front")


def write_season(path: Path, rows: int) -> None:
    """Counted rows of different program, player, day and drill, ten attempts each on average."""
    import pyarrow as pa
    import pyarrow.csv as pc

    rng = np.random.default_rng(SEED)
    key = np.sort(rng.choice(DAYS * PROGRAMS * PLAYERS * len(DRILLS), rows, replace=False))
    key, drill = np.divmod(key, len(DRILLS))
    key, player = np.divmod(key, PLAYERS)
    day, program = np.divmod(key, PROGRAMS)
    attempts = rng.integers(5, 16, rows)

    def words(codes: np.ndarray, labels: list[str]) -> Any:
        return pa.array(labels).take(pa.array(codes))

    days = np.datetime64("2025-10-06") + np.arange(DAYS)
    table = pa.table(
        {
            "date": words(day, [str(d) for d in days]),
            "session": words(np.zeros(rows, dtype=int), ["1"]),
            "program": words(program, [f"T{number:03d}" for number in range(PROGRAMS)]),
            "season": words(np.zeros(rows, dtype=int), ["2025-26"]),
            "player": words(player, [f"P{number:02d}" for number in range(PLAYERS)]),
            "drill": words(drill, list(DRILLS)),
            "mode": words((drill >= 3).astype(int), ["rep", "live"]),
            "contest": words(drill, list(CONTESTS)),
            "attempts": pa.array(attempts),
            "makes": pa.array(rng.binomial(attempts, 0.45)),
            "minutes": pa.array(4.0 + drill),
        }
    )
    pc.write_csv(table, path, pc.WriteOptions(quoting_style="none"))


def read(path: Path) -> dict[str, Any]:
    """Read and check the file and count its cells in this process."""
    from transfer.records.cells import build_cells
    from transfer.records.reading import read_records

    load = round(os.getloadavg()[0], 1)
    with Clock() as clock:
        records = read_records(path)
    with Clock() as counting:
        cells = build_cells(records)
    return {
        "rows": records.sources[0]["rows"],
        "attempts": int(cells.table["n"].sum()),
        "cells": len(cells.table),
        "data_hash": cells.data_hash,
        "load": load,
        "wall_s": clock.wall,
        "cpu_s": clock.cpu,
        "cells_wall_s": counting.wall,
        "memory_mb": peak_memory(),
    }


def in_a_process(cores: int, *words: object) -> dict[str, Any]:
    """Run one step of this script in a process of its own, on so many cores at most."""
    command = [sys.executable, __file__, "--step", str(cores), *map(str, words)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    return dict(json.loads(done.stdout.splitlines()[-1]))


def step(cores: str, what: str, file: str, rows: str = "0") -> dict[str, Any]:
    """Do what `in_a_process` asked for."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: int(cores)])
    if what == "read":
        return read(Path(file))
    write_season(Path(file), int(rows))
    return {"megabytes": Path(file).stat().st_size / 1e6}


def main() -> None:
    """Make the file, read it so many times, tell the figures."""
    if sys.argv[1:2] == ["--step"]:
        print(json.dumps(step(*sys.argv[2:])))
        return
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path, nargs="?")
    parser.add_argument("--attempts", type=float, default=25.0, help="millions")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--repeats", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "practice.csv"
        made = in_a_process(args.cores, "make", file, int(args.attempts * 1e5))
        found = [in_a_process(args.cores, "read", file) for _ in range(args.repeats)]
    result = {"machine": machine(), "cores_used": args.cores, **made, "readings": found}
    if args.out is not None:
        args.out.write_text(json.dumps(result, indent=1))
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
