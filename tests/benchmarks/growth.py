"""How cost grows with attempts, players, settings and weeks: slopes and a picture.

python tests/benchmarks/growth.py OUT.json PICTURE.svg
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

from measure import SEED, Clock, machine, peak_memory  # noqa: E402

from transfer.files import write_text  # noqa: E402
from transfer.simulation.seasons import TransferTruth, omega_with_contrast, operating_truth  # noqa: E402

#: Points of each axis: attempts a player (share of the scenario's), players, settings, weeks.
POINTS: dict[str, tuple[int, ...]] = {
    "attempts a player": (400, 4_000, 40_000, 400_000),
    "players": (14, 56, 168, 672),
    "settings": (2, 4, 8),
    "weeks": (8, 13, 26, 52),
}


def _truth(axis: str, value: int) -> TransferTruth:
    base = operating_truth(0.30)
    if axis == "attempts a player":
        share = value / 4000
        return replace(base, attempts=tuple(max(1, round(a * share)) for a in base.attempts))
    if axis != "settings":
        return base
    half = value // 2
    names = (*(f"rep/{i}" for i in range(half)), *(f"live/{i}" for i in range(half)))
    modes = [n.split("/")[0] for n in names]
    return TransferTruth(
        settings=names,
        mu=(*(0.0 for _ in names), -0.4),
        tau=(*(0.38 for _ in names), 0.25),
        omega=omega_with_contrast(modes, 0.0, within=0.85, across=0.7),
        attempts=(*(3900 // value for _ in names), 69),
    )


def transfer_fit(axis: str, value: int) -> Clock:
    """Time a warm fit of the transfer model."""
    from transfer.models.engine.density import native_model
    from transfer.models.fit import sampler_for
    from transfer.models.priors import TransferPriors
    from transfer.models.sampling import sample
    from transfer.models.transfer_design import design_from_cells
    from transfer.simulation.seasons import simulate_cells

    players = value if axis == "players" else 28
    truth = _truth(axis, value)
    clock = Clock()
    cells, _ = simulate_cells(truth, players, SEED)
    design = design_from_cells(cells)
    settings = sampler_for(design)
    native = native_model(design, TransferPriors())
    with clock:
        sample(
            native, seed=SEED, reported=["mu", "tau", "omega"], draws=settings.draws,
            tune=settings.tune, target_accept=settings.target_accept,
            adaptation=settings.adaptation,
        )  # fmt: skip
    return clock


def growth_fit(weeks: int) -> Clock:
    """Time fifty seasons of the growth model, three teams each, by its quick approximation."""
    from transfer.simulation.schedules import Crossover
    from transfer.trial.assurance import assurance
    from transfer.trial.design import Scenario

    with Clock() as clock:
        assurance(Crossover(weeks // 2, 0.8), Scenario(teams=3, weeks=weeks), seasons=50, seed=SEED)
    return clock


def point(axis: str, value: int) -> dict[str, float]:
    """Measure one point in this process."""
    clock = growth_fit(value) if axis == "weeks" else transfer_fit(axis, value)
    return {"value": value, "wall_s": clock.wall, "cpu_s": clock.cpu, "memory_mb": peak_memory()}


def slope(x: list[float], y: list[float]) -> float:
    """Least-squares slope of log y on log x."""
    return float(np.polyfit(np.log(x), np.log(y), 1)[0])


def draw(found: dict[str, list[dict[str, float]]]) -> str:
    """Draw processor time and memory against every axis, log-log, as SVG."""
    import io

    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "growth"
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(2, len(found), figsize=(11, 5.4), sharey="row")
    for column, (axis, points) in enumerate(found.items()):
        x = [p["value"] for p in points]
        for row, (key, label) in enumerate(
            [("cpu_s", "processor seconds"), ("memory_mb", "peak memory, MB")]
        ):
            panel = axes[row, column]
            panel.loglog(x, [p[key] for p in points], "o-", color="#1f5a7a")
            panel.grid(True, which="both", alpha=0.25)
            panel.set_xlabel(axis)
            if column == 0:
                panel.set_ylabel(label)
    figure.suptitle("Growth of cost (invented seasons; weeks: 50 fits of the growth model)")
    figure.tight_layout()
    held = io.StringIO()
    figure.savefig(held, format="svg", metadata={"Date": None})
    return held.getvalue()


def main() -> None:
    """Measure every point in a process of its own, fit slopes, draw."""
    if sys.argv[1] == "--point":
        print(json.dumps(point(sys.argv[2], int(sys.argv[3]))))
        return
    out, picture = Path(sys.argv[1]), Path(sys.argv[2])
    found: dict[str, list[dict[str, float]]] = {}
    for axis, values in POINTS.items():
        for value in values:
            done = subprocess.run(
                [sys.executable, __file__, "--point", axis, str(value)],
                capture_output=True, text=True, check=True,
            )  # fmt: skip
            found.setdefault(axis, []).append(json.loads(done.stdout.splitlines()[-1]))
    slopes: list[dict[str, Any]] = [
        {
            "name": axis,
            "from": int(p[0]["value"]),
            "to": int(p[-1]["value"]),
            "first_s": p[0]["cpu_s"],
            "last_s": p[-1]["cpu_s"],
            "time": slope([q["value"] for q in p], [q["cpu_s"] for q in p]),
            "memory": slope([q["value"] for q in p], [q["memory_mb"] for q in p]),
        }
        for axis, p in found.items()
    ]
    out.write_text(json.dumps({"machine": machine(), "points": found, "slopes": slopes}, indent=1))
    write_text(picture, draw(found))


if __name__ == "__main__":
    main()
