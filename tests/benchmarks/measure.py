"""What every benchmark measures in the same way: data, effective draws, memory, machine."""

from __future__ import annotations

import os
import platform
import resource
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from transfer.models.transfer_design import TransferDesign, design_from_cells
from transfer.simulation.seasons import operating_truth, simulate_cells

#: Players of a program and spread between programs on the logit scale (scenario assumptions).
PLAYERS = 14
PROGRAM_SD = 0.15
#: Quantities whose effective draws and errors are reported.
REPORTED = ("mu", "tau", "omega")
SEED = 20261125


@dataclass
class Clock:
    """Wall and processor seconds of a block of code, children included."""

    wall: float = 0.0
    cpu: float = 0.0

    def __enter__(self) -> Clock:
        self._wall, self._cpu = time.perf_counter(), _processor()
        return self

    def __exit__(self, *error: object) -> None:
        self.wall = time.perf_counter() - self._wall
        self.cpu = _processor() - self._cpu


def _processor() -> float:
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


def peak_memory() -> float:
    """Return the most memory this process held so far, MB."""
    status = Path("/proc/self/status")
    if status.is_file():
        # Unlike the resource counter, this one starts anew with the program.
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    high = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return high / 1024 / (1024 if platform.system() == "Darwin" else 1)


def season(programs: int, contrast: float = 0.30, seed: int = SEED) -> TransferDesign:
    """Return the design of one invented season of so many programs, 14 players each."""
    from dataclasses import replace

    truth = replace(operating_truth(contrast), program_sd=PROGRAM_SD if programs > 1 else 0.0)
    cells, _ = simulate_cells(truth, PLAYERS * programs, seed, programs=programs)
    return design_from_cells(cells)


def counts(design: TransferDesign) -> tuple[np.ndarray, np.ndarray]:
    """Return attempts and makes by player and setting, games last."""
    made = np.zeros(design.dims)
    np.add.at(made, (design.unit, design.setting), design.y)
    return design.attempts().astype(float), made


def columns(drawn: Mapping[str, np.ndarray]) -> tuple[list[str], np.ndarray]:
    """Return names and draws (chains, draws, M) of the reported quantities, each once."""
    names: list[str] = []
    parts: list[np.ndarray] = []
    for key in REPORTED:
        if key not in drawn:
            continue
        values = np.asarray(drawn[key], dtype=float)
        if key == "omega":
            rows, cols = np.tril_indices(values.shape[-1], -1)
            values = values[..., rows, cols]
            names += [f"omega[{i},{j}]" for i, j in zip(rows, cols, strict=True)]
        else:
            names += [f"{key}[{i}]" for i in range(values.shape[-1])]
        parts.append(values)
    return names, np.concatenate(parts, axis=-1)


def summary(drawn: Mapping[str, np.ndarray]) -> dict[str, Any]:
    """Return means, standard deviations, their Monte Carlo errors, least ESS, largest R-hat."""
    from arviz_stats.base import array_stats

    names, values = columns(drawn)
    axes = {"chain_axis": 0, "draw_axis": 1}
    bulk = np.asarray(array_stats.ess(values, method="bulk", **axes))
    mean_ess = np.asarray(array_stats.ess(values, method="mean", **axes))
    rhat = np.asarray(array_stats.rhat(values, method="rank", **axes))
    mean, sd = values.mean(axis=(0, 1)), values.std(axis=(0, 1), ddof=1)
    return {
        "names": names,
        "mean": mean.tolist(),
        "sd": sd.tolist(),
        "mcse": (sd / np.sqrt(mean_ess)).tolist(),
        "ess_min": float(bulk.min()),
        "ess_least_of": names[int(bulk.argmin())],
        "rhat_max": float(rhat.max()),
    }


def against(found: Mapping[str, Any], reference: Mapping[str, Any]) -> dict[str, float]:
    """Return the largest error of the means, in posterior sds and in Monte Carlo errors."""
    at = [reference["names"].index(n) for n in found["names"] if n in reference["names"]]
    own = [i for i, n in enumerate(found["names"]) if n in reference["names"]]
    mean, sd, mcse = (np.asarray(reference[k])[at] for k in ("mean", "sd", "mcse"))
    gap = np.abs(np.asarray(found["mean"])[own] - mean)
    noise = np.hypot(np.asarray(found["mcse"])[own], mcse)
    return {
        "error_in_sd": float((gap / sd).max()),
        "error_in_mcse": float((gap / noise).max()),
        "quantities": len(own),
    }


def machine() -> dict[str, Any]:
    """Return cores, load and versions of what decides the timings."""
    import importlib.metadata as metadata

    versions = {}
    for name in ("numpy", "numba", "pymc", "pytensor", "nutpie", "jax", "numpyro", "bambi",
                 "statsmodels", "pystan", "pyarrow"):  # fmt: skip
        try:
            versions[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return {
        "cores": cores,
        "load": round(os.getloadavg()[0], 1),
        "python": platform.python_version(),
        "versions": versions,
    }
