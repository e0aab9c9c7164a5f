"""The pooled model on an accelerator, through PyMC's JAX path, against the engine on the CPU.

    python tests/benchmarks/gpu_transfer.py --out FILE [--programs 350] [--draws 500]

Needs the extra ``gpu`` (JAX and numpyro; on an accelerator JAX's own plugin for it). Without an
accelerator JAX runs on the CPU and the file says so. Same model, same data, both ways; the answers
must agree within Monte Carlo error. Drawing and compiling are told apart by a second run, which
finds the machine code in JAX's cache.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import warnings
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

from measure import REPORTED, SEED, Clock, against, machine, peak_memory, season, summary  # noqa: E402

from transfer.models.engine.density import native_model  # noqa: E402
from transfer.models.priors import TransferPriors  # noqa: E402
from transfer.models.sampling import available_cores, sample  # noqa: E402
from transfer.models.transfer_design import TransferDesign  # noqa: E402
from transfer.models.transfer_model import build_transfer_model  # noqa: E402


def device_memory() -> float | None:
    """Return the most memory held on the first device, MB; None where JAX does not count it."""
    import jax

    stats = jax.local_devices()[0].memory_stats()
    return None if not stats else stats.get("peak_bytes_in_use", 0) / 2**20


def by_jax(
    design: TransferDesign, draws: int, tune: int, chains: int, accept: float, seed: int
) -> tuple[dict[str, np.ndarray], int, float]:
    """Sample PyMC's model with numpyro on JAX's default device.

    Returns
    -------
    drawn : dict of array, shape (chains, draws, ...)
    divergences : int
    steps : float
        Mean gradient evaluations of a draw.
    """
    from pymc.sampling.jax import sample_numpyro_nuts

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with build_transfer_model(design, TransferPriors()):
            trace = sample_numpyro_nuts(
                draws=draws,
                tune=tune,
                chains=chains,
                target_accept=accept,
                random_seed=seed,
                progressbar=False,
                chain_method="vectorized",
                var_names=list(REPORTED),
                compute_convergence_checks=False,
            )
    drawn = {name: np.asarray(trace["posterior"][name]) for name in REPORTED}
    stats = trace["sample_stats"]
    return (
        drawn,
        int(np.asarray(stats["diverging"]).sum()),
        float(np.asarray(stats["n_steps"]).mean()),
    )


def on_jax(design: TransferDesign, args: argparse.Namespace) -> dict[str, Any]:
    """Measure the JAX path twice: with compiling, and with the machine code cached."""
    import jax

    runs: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as cache:
        jax.config.update("jax_compilation_cache_dir", cache)
        jax.config.update("jax_persistent_cache_min_compile_time_secs", 0)
        for run in ("cold", "warm"):
            with Clock() as clock:
                drawn, divergences, steps = by_jax(
                    design, args.draws, args.tune, args.chains, args.accept, SEED
                )
            found = summary(drawn)
            runs.append(
                {
                    "run": run,
                    "wall_s": clock.wall,
                    "divergences": divergences,
                    "steps_per_draw": steps,
                    "ess_per_s": found["ess_min"] / clock.wall,
                    **found,
                }
            )
    return {
        "way": "PyMC model, JAX, numpyro NUTS",
        "device": f"{jax.default_backend()}: {jax.local_devices()[0].device_kind}",
        "device_memory_mb": device_memory(),
        "chains": args.chains,
        "draws": args.draws,
        "tune": args.tune,
        "runs": runs,
    }


def on_cpu(design: TransferDesign, draws: int, tune: int) -> dict[str, Any]:
    """Measure the package's own engine on the CPU of the same machine, four chains at a time."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        # The first fit of a machine compiles; that is once per machine, not per fit.
        with Clock() as first:
            native_model(season(1), TransferPriors())
        with Clock() as clock:
            drawn, judged = sample(
                native_model(design, TransferPriors()),
                seed=SEED + 1,
                reported=list(REPORTED),
                draws=draws,
                tune=tune,
                target_accept=0.8,
            )
    found = summary(drawn)
    return {
        "way": "own engine, CPU, 4 chains",
        "compile_once_s": first.wall,
        "wall_s": clock.wall,
        "cpu_s": clock.cpu,
        "divergences": judged.divergences,
        "ess_per_s": found["ess_min"] / clock.wall,
        **found,
    }


def main() -> int:
    """Measure, compare, write; returns 1 when the two answers disagree."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--programs", type=int, default=350)
    parser.add_argument("--draws", type=int, default=500)
    parser.add_argument("--tune", type=int, default=500)
    parser.add_argument("--chains", type=int, default=4)
    parser.add_argument("--accept", type=float, default=0.8)
    parser.add_argument("--cpu-draws", type=int, default=800)
    parser.add_argument("--cpu-cores", type=int, help="cores of the CPU run; all when left out")
    args = parser.parse_args()
    design = season(args.programs)
    result: dict[str, Any] = {
        "programs": args.programs,
        "players": len(design.units),
        "machine": machine(),
        "accelerated": on_jax(design, args),
    }
    args.out.write_text(json.dumps(result, indent=1))
    if args.cpu_cores is not None:
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[: args.cpu_cores])
    result["cpu"] = on_cpu(design, args.cpu_draws, 400)
    result["cpu"]["cores"] = available_cores()
    result["agreement"] = against(result["accelerated"]["runs"][-1], result["cpu"])
    result["host_memory_mb"] = peak_memory()
    args.out.write_text(json.dumps(result, indent=1))
    brief = {k: v for k, v in result["cpu"].items() if k not in ("names", "mean", "sd", "mcse")}
    print(json.dumps({"cpu": brief, "agreement": result["agreement"]}, indent=1))
    for run in result["accelerated"]["runs"]:
        print({k: v for k, v in run.items() if k not in ("names", "mean", "sd", "mcse")})
    # 20 quantities, two-sided: 4 Monte Carlo errors is passed by chance in about 1 of 800 runs.
    return int(result["agreement"]["error_in_mcse"] > 4.0)


if __name__ == "__main__":
    raise SystemExit(main())
