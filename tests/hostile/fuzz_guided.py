"""Coverage-guided fuzzing of the text readers; needs the optional package atheris.

python tests/hostile/fuzz_guided.py FOLDER -max_total_time=60
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parents[1])]

with atheris.instrument_imports(include=["transfer"]):
    from readers import meets, targets

NAMES = (
    "CSV, practice", "CSV, games", "plan.json", "assignments", "saved forecast", "transfer.toml",
    "priors file", "run manifest", "manifest of an earlier run", "key of pseudonyms",
)  # fmt: skip


def main() -> None:
    """Start from the good files; the first byte chooses the reader."""
    folder = Path(sys.argv.pop(1))
    known = targets(folder)
    seeds, scratch = folder / "seeds", folder / "scratch"
    seeds.mkdir()
    scratch.mkdir()
    for number, name in enumerate(NAMES):
        (seeds / str(number)).write_bytes(bytes([number]) + known[name].good[:590])

    def one(data: bytes) -> None:
        if data:
            name = NAMES[data[0] % len(NAMES)]
            meets(name, data[1:], scratch / known[name].file, known[name].read)

    atheris.Setup([*sys.argv, str(seeds)], one)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
