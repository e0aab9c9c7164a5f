"""Many mangled inputs into every reader; the table goes to ``reports/studies/fuzz.md``.

    python tests/hostile/fuzz_study.py --inputs 100000 --seed 20261125 --out reports/studies/fuzz.md

With ``--guided SECONDS`` the text readers are also driven by a coverage-guided fuzzer, where the
optional package atheris is installed.
"""

from __future__ import annotations

import datetime as dt
import platform
import random
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path

import click

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

from readers import Read, mangle, meets, targets  # noqa: E402

from transfer.files import write_text  # noqa: E402
from transfer.provenance import package_versions  # noqa: E402

#: Share of the inputs by reader: cheap readers take more.
WEIGHTS = {
    "CSV": 10, "Parquet": 10, "xlsx": 4, "plan.json": 15, "saved fit": 1, "transfer.toml": 20,
    "priors file": 20, "roster of a trial": 3, "saved forecast": 6, "run manifest": 4,
    "key of pseudonyms": 7,
}  # fmt: skip


def fuzz(
    name: str, known: tuple[str, bytes, Read], count: int, seed: int, folder: Path
) -> dict[str, object]:
    """Feed one reader; count what was accepted, refused, and what crashed."""
    file, good, read = known
    rng = random.Random(f"{seed} {name}")
    place = folder / "input" / name  # a folder each, so that no reader meets another's bad file
    place.mkdir(parents=True)
    found: dict[str, object] = {"reader": name, "inputs": count, "accepted": 0, "crashes": []}
    for _ in range(count):
        try:
            found["accepted"] += meets(name, mangle(good, rng), place / file, read)
        except AssertionError as error:
            found["crashes"].append(str(error)[:400])
    return found


def guided(seconds: int) -> str:
    """Run the coverage-guided fuzzer on the text readers in a process of its own."""
    script = Path(__file__).with_name("fuzz_guided.py")
    with tempfile.TemporaryDirectory() as folder:
        words = [sys.executable, str(script), folder, f"-max_total_time={seconds}", "-max_len=600"]
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    runs = [line for line in done.stderr.splitlines() if line.startswith("Done ")]
    if done.returncode != 0 or not runs:
        return f"failed:\n\n    {done.stderr[-1500:]}"
    return f"`{runs[-1]}`, no crash"


@click.command()
@click.option("--inputs", default=100_000)
@click.option("--seed", default=20261125)
@click.option("--guided", "guided_seconds", default=0)
@click.option("--out", type=click.Path(path_type=Path), required=True)
def main(inputs: int, seed: int, guided_seconds: int, out: Path) -> None:
    """Fuzz every reader and write the table."""
    warnings.simplefilter("ignore")
    started = time.monotonic()
    whole = sum(WEIGHTS.values())
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        known = targets(Path(folder))
        for name, weight in WEIGHTS.items():
            rows.append(fuzz(name, known[name], round(inputs * weight / whole), seed, Path(folder)))
            click.echo(f"{name}: {rows[-1]['inputs']} inputs, {len(rows[-1]['crashes'])} crashes")
    crashes = [text for row in rows for text in row["crashes"]]
    total = sum(row["inputs"] for row in rows)
    versions = package_versions()
    lines = [
        "# Mangled input into every reader",
        "",
        f"`python tests/hostile/fuzz_study.py --inputs {inputs} --seed {seed} "
        f"--guided {guided_seconds}`, {dt.datetime.now(dt.UTC):%Y-%m-%d}, "
        f"{time.monotonic() - started:.0f} s, Python {platform.python_version()}, "
        f"pandas {versions['pandas']}, numpy {versions['numpy']}.",
        "",
        "A good file is mangled: bits and bytes changed, pieces cut, doubled or moved, splinters "
        "that readers stumble over put in. Right is an answer, or a refusal of the package's own "
        "with a rule or a next step; anything else is a crash.",
        "",
        f"**{total:,} inputs, {len(crashes)} crashes.**",
        "",
        "| reader | inputs | accepted | refused with help | crashes |",
        "|---|---|---|---|---|",
    ]
    for row in rows:
        n, yes, bad = row["inputs"], row["accepted"], len(row["crashes"])
        lines.append(f"| {row['reader']} | {n:,} | {yes:,} | {n - yes - bad:,} | {bad} |")
    if guided_seconds:
        lines += ["", f"Coverage-guided, text readers, {guided_seconds} s: "
                  f"{guided(guided_seconds)}."]  # fmt: skip
    lines += ["", *(f"- `{text}`" for text in dict.fromkeys(crashes))]
    write_text(out, "\n".join(lines).rstrip() + "\n")
    click.echo(f"{total} inputs, {len(crashes)} crashes: {out}")
    sys.exit(bool(crashes))


if __name__ == "__main__":
    main()
