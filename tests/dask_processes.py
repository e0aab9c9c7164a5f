"""A real Dask cluster for tests: a scheduler and two workers, each a process of its own."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
#: Where workers find this package, and the functions of test modules.
_PATHS = (ROOT, ROOT / "tests", ROOT / "tests" / "models")


def _start(*words: str, **more: str) -> subprocess.Popen[bytes]:
    """Start one program of the cluster."""
    return subprocess.Popen(
        [sys.executable, "-m", *words],
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join(map(str, _PATHS)),
            "OMP_NUM_THREADS": "1",
            **more,
        },
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


@contextmanager
def dask_of_two(
    folder: Path, allowed_failures: int = 3
) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """Run a scheduler and two workers; give the address and the workers' handles.

    `allowed_failures` is how many deaths of its worker a job survives (Dask's default is 3).
    """
    pytest.importorskip("distributed")
    file = folder / "scheduler.json"
    here = ("--host", "127.0.0.1", "--no-dashboard")
    running = [
        _start(
            "distributed.cli.dask_scheduler", *here, "--port", "0", "--scheduler-file", str(file),
            DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES=str(allowed_failures),
        )
    ]  # fmt: skip
    try:
        wait_for(file.exists)
        wait_for(lambda: file.read_text().strip().endswith("}"))
        address = json.loads(file.read_text())["address"]
        running += [
            _start("distributed.cli.dask_worker", address, *here, "--nthreads", "1", "--no-nanny",
                   "--death-timeout", "60", "--local-directory", str(folder))
            for _ in range(2)
        ]  # fmt: skip
        _both_are_there(address)
        yield address, running[1:]
    finally:
        for process in running:
            process.kill()
        for process in running:
            process.wait()


def _both_are_there(address: str) -> None:
    """Wait until the scheduler knows both workers: one alone could finish all jobs before."""
    from distributed import Client

    with Client(address) as client:
        client.wait_for_workers(2, timeout=60)


def wait_for(ready: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait until `ready()` holds."""
    end = time.monotonic() + seconds
    while not ready():
        if time.monotonic() > end:
            raise TimeoutError("the cluster did not get ready")
        time.sleep(0.05)
