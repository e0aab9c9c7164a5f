"""Many mangled inputs into every reader and into ``transfer check``; the table is committed.

    python tests/hostile/fuzz_study.py --inputs 100000 --commands 24000 \
        --seed 20261125 --out reports/studies/fuzz.md

With ``--guided SECONDS`` the text readers are also driven by a coverage-guided fuzzer, where the
optional package atheris is installed; where it is not, the page says so. Anything but an answer or
a refusal of the package's own, a reader that takes longer than a minute, or a crash that the guided
fuzzer finds, fails the run (exit status 1). With ``--log FILE`` a run that was stopped goes on
with the readers that were not finished; every reader has random numbers of its own, so the counts
do not depend on order or ``--jobs``.
"""

from __future__ import annotations

import datetime as dt
import faulthandler
import importlib.metadata as metadata
import importlib.util
import json
import multiprocessing
import platform
import random
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import click

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

from readers import Target, checked, meets, targets  # noqa: E402

from transfer.files import write_text  # noqa: E402
from transfer.provenance import package_versions  # noqa: E402

#: Inputs in a thousand by reader: cheap readers take more.
WEIGHTS = {
    "CSV, practice": 46, "CSV, games": 46, "CSV, roster": 20, "CSV, drills": 20, "Parquet": 80,
    "xlsx": 30, "xlsx, bent inside": 12, "plan.json": 50, "record of a lot": 10,
    "assignments": 20, "roster of a trial": 15, "roster of a session": 80, "saved fit": 8,
    "saved forecast": 120, "counts of an earlier run": 5, "transfer.toml": 144,
    "priors file": 150, "run manifest": 60, "manifest of an earlier run": 10,
    "key of pseudonyms": 74,
}  # fmt: skip
#: The command line on record files, inputs in a hundred; each is checked as text and as JSON.
COMMANDS = {
    "check, practice": 30, "check, games": 30, "check, roster": 12, "check, drills": 12,
    "check, Parquet": 12, "check, xlsx bent inside": 4,
}  # fmt: skip
#: A reader that takes longer has failed (seconds; no good file here takes one).
PATIENCE = 60


#: What earlier runs of this study, and the tests written for it, found; each has a test now.
FOUND = """\
Runs of 2026-11-25 with this seed found 35 inputs that crashed, and were repeated after the repair
for the readers concerned: texts of Parquet that are no UTF-8 (2), an infinite week in a list of
assignments (3), priors of another length or kind (24), names too long for the file system in
`transfer.toml` (2) and in a manifest (4). Writing the readers down found two more: a manifest of an
earlier run that is no table, and its kept counts without a column or with counts that cannot be."""


def _too_long(*_: object) -> None:
    raise TimeoutError(f"no answer within {PATIENCE} s")


def fuzz(name: str, known: Target, count: int, seed: int, folder: Path) -> dict[str, object]:
    """Feed one reader; count what was accepted, refused, and what crashed."""
    rng = random.Random(f"{seed} {name}")
    place = folder / "input" / name  # a folder each, so that no reader meets another's bad file
    place.mkdir(parents=True)
    found: dict[str, object] = {"reader": name, "inputs": count, "accepted": 0, "crashes": []}
    signal.signal(signal.SIGALRM, _too_long)
    for _ in range(count):
        bent = known.bend(known.good, rng)
        signal.alarm(PATIENCE)
        try:
            found["accepted"] += meets(name, bent, place / known.file, known.read)
        except AssertionError as error:
            found["crashes"].append(str(error)[:400])
        finally:
            signal.alarm(0)
    return found


def guided(seconds: int) -> tuple[str, bool]:
    """Run the coverage-guided fuzzer in a process of its own: what it said, whether it crashed."""
    if importlib.util.find_spec("atheris") is None:
        return "not run, the package atheris is not installed here", False
    script = Path(__file__).with_name("fuzz_guided.py")
    with tempfile.TemporaryDirectory() as folder:
        words = [sys.executable, str(script), folder, f"-max_total_time={seconds}", "-max_len=600"]
        done = subprocess.run(words, capture_output=True, text=True, check=False, cwd=folder)
    runs = [line for line in done.stderr.splitlines() if line.startswith("Done ")]
    if done.returncode != 0 or not runs:
        return f"failed:\n\n    {done.stderr[-1500:]}", True
    return f"`{runs[-1]}`, atheris {metadata.version('atheris')}, no crash", False


def share_of(name: str, count: int, seed: int) -> dict[str, object]:
    """Feed one reader in a folder of its own; a process of its own may run it."""
    warnings.simplefilter("ignore")
    faulthandler.enable()
    started = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        known = checked if name in COMMANDS else targets
        found = fuzz(name, known(Path(folder))[name], count, seed, Path(folder))
    return {**found, "seed": seed, "seconds": round(time.monotonic() - started)}


def all_rows(
    counts: dict[str, int], seed: int, jobs: int, log: Path | None
) -> list[dict[str, object]]:
    """Rows of the readers in their order, those in the log taken from there."""
    lines = log.read_text("utf-8").splitlines() if log is not None and log.exists() else []
    kept = [json.loads(line) for line in lines]
    rows = {
        row["reader"]: row
        for row in kept
        if (row["inputs"], row["seed"]) == (counts.get(row["reader"]), seed)
    }
    with ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn")) as pool:
        waiting = [pool.submit(share_of, n, c, seed) for n, c in counts.items() if n not in rows]
        for done in as_completed(waiting):
            row = done.result()
            rows[row["reader"]] = row
            click.echo(
                f"{row['seconds']} s {row['reader']}: {row['inputs']} inputs, "
                f"{len(row['crashes'])} crashes {row['crashes'][:3]}"
            )
            if log is not None:
                with log.open("a", encoding="utf-8") as stream:
                    stream.write(json.dumps(row) + "\n")
    return [rows[name] for name in counts]


@click.command()
@click.option("--inputs", default=100_000)
@click.option("--commands", default=24_000, help="Inputs of `transfer check`.")
@click.option("--seed", default=20261125)
@click.option("--guided", "guided_seconds", default=0)
@click.option("--jobs", default=1, help="Processes.")
@click.option("--log", type=click.Path(path_type=Path), help="Keeps finished readers.")
@click.option("--out", type=click.Path(path_type=Path), required=True)
def main(
    inputs: int,
    commands: int,
    seed: int,
    guided_seconds: int,
    jobs: int,
    log: Path | None,
    out: Path,
) -> None:
    """Fuzz every reader and the command, and write the table."""
    counts = {name: round(inputs * weight / 1000) for name, weight in WEIGHTS.items()}
    counts |= {name: round(commands * weight / 100) for name, weight in COMMANDS.items()}
    rows = all_rows({name: n for name, n in counts.items() if n}, seed, jobs, log)
    crashes = [text for row in rows for text in row["crashes"]]
    total = sum(row["inputs"] for row in rows)
    versions = package_versions()
    lines = [
        "# Mangled input into every reader and into `transfer check`",
        "",
        f"`python tests/hostile/fuzz_study.py --inputs {inputs} --commands {commands} "
        f"--seed {seed} --guided {guided_seconds}`, {dt.datetime.now(dt.UTC):%Y-%m-%d}, "
        f"{sum(row['seconds'] for row in rows)} s in all readers together, on a machine with other "
        f"work, Python {platform.python_version()}, "
        f"pandas {versions['pandas']}, numpy {versions['numpy']}.",
        "",
        "A good file is mangled: bits and bytes changed, pieces cut, doubled or moved, splinters "
        "that readers stumble over put in; wrong values in well-formed JSON and in cells of CSV; "
        "in `xlsx, bent inside` one part of the zipped workbook is bent and packed again. "
        "Rows named `check` run the command `transfer check` twice on each input, as text and as "
        "JSON, and compare the two. Right is an answer, or a refusal of "
        f"the package's own with a rule or a next step, within {PATIENCE} s; anything else is a "
        "crash, and a crash fails the run.",
        "",
        f"**{total:,} inputs, {len(crashes)} crashes.**",
        "",
        "| reader | inputs | accepted | refused with help | crashes |",
        "|---|---|---|---|---|",
    ]
    for row in rows:
        n, yes, bad = row["inputs"], row["accepted"], len(row["crashes"])
        lines.append(f"| {row['reader']} | {n:,} | {yes:,} | {n - yes - bad:,} | {bad} |")
    guided_crashed = False
    if guided_seconds:
        told, guided_crashed = guided(guided_seconds)
        lines += ["", f"Coverage-guided, readers of text, {guided_seconds} s: {told}."]
    lines += ["", *(f"- `{text}`" for text in dict.fromkeys(crashes))]
    lines += ["## Found and mended", "", FOUND]
    write_text(out, "\n".join(lines).rstrip() + "\n")
    click.echo(f"{total} inputs, {len(crashes)} crashes: {out}")
    sys.exit(bool(crashes) or guided_crashed)


if __name__ == "__main__":
    main()
