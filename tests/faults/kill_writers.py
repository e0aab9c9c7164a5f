"""Kills writers at random moments and looks at what they left; prints the counts as JSON.

    python tests/faults/kill_writers.py FOLDER TRIES SEED

A process of its own with one thread, so that forking is safe. Seven of eight tries kill a loop of
plain writes and of outputs of a run, one of eight the command ``transfer workbook new --replace``.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import random
import signal
import sys
import time
import zipfile
from pathlib import Path

from transfer.cli import main
from transfer.files import write_bytes
from transfer.terminal.runs import MANIFEST, Run


def page(version: int) -> bytes:
    """A file that tells whether it is whole: its hash, then its content."""
    body = f"version {version}\n".encode() * 20_000
    return hashlib.sha256(body).hexdigest().encode() + b"\n" + body


def is_whole(content: bytes) -> bool:
    head, _, body = content.partition(b"\n")
    return hashlib.sha256(body).hexdigest().encode() == head


def write_for_ever(folder: Path) -> None:
    """Write over one file, and add outputs to a run, until killed."""
    run = Run(folder / "run", "k", "k", {"key": "k"}, ())
    for version in range(1_000_000):
        write_bytes(folder / "page.txt", page(version))
        run.keep(f"out{os.getpid()}.txt", page(version))


def make_workbook(folder: Path) -> None:
    with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
        main(["workbook", "new", str(folder / "book.xlsx"), "--rows", "5", "--replace"])


def leftovers(folder: Path) -> list[str]:
    return [p.name for p in folder.rglob(".*")]


def whole(folder: Path) -> bool:
    """Every file with a final name is there and whole."""
    run = folder / "run"
    texts = [folder / "page.txt", *run.glob("*.txt")]
    manifest = run / MANIFEST
    good = all(is_whole(path.read_bytes()) for path in texts)
    good &= not manifest.exists() or json.loads(manifest.read_text()) == {"key": "k"}
    with zipfile.ZipFile(folder / "book.xlsx") as book:
        return good and book.testzip() is None


def killed(work, folder: Path, wait: float) -> bool:
    """Start, wait, kill; whether the writer was still at work."""
    child = os.fork()
    if child == 0:
        work(folder)
        os._exit(0)
    time.sleep(wait)
    os.kill(child, signal.SIGKILL)
    return os.WIFSIGNALED(os.waitpid(child, 0)[1])


def tidy_after(folder: Path) -> bool:
    """The next write into each folder leaves no temporary file behind."""
    write_bytes(folder / "page.txt", page(0))
    if (folder / "run").is_dir():
        write_bytes(folder / "run" / "next.txt", page(0))
    return leftovers(folder) == []


def study(folder: Path, tries: int, seed: int) -> dict[str, int]:
    """Kill so many writers and count."""
    rng = random.Random(seed)
    write_bytes(folder / "page.txt", page(0))
    started = time.monotonic()
    make_workbook(folder)
    started = time.monotonic()
    make_workbook(folder)
    book = time.monotonic() - started
    counts = {"tried": 0, "interrupted": 0, "left_a_temporary": 0, "whole": 0, "tidy": 0}
    for number in range(tries):
        command = number % 8 == 7
        wait = rng.uniform(0, 1.3 * book if command else 0.03)
        counts["interrupted"] += killed(make_workbook if command else write_for_ever, folder, wait)
        counts["tried"] += 1
        counts["left_a_temporary"] += bool(leftovers(folder))
        counts["whole"] += whole(folder)
        counts["tidy"] += tidy_after(folder)
        for old in (folder / "run").glob("out*.txt"):
            old.unlink()
    return counts


if __name__ == "__main__":
    print(json.dumps(study(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))))
