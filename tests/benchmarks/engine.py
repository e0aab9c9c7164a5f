"""How the sampler's coordinates, its mass matrix and summing players out change its speed.

    python tests/benchmarks/engine.py --out reports/studies/engine.md [--cap 240] [--from FOLDER]

One model and three ways to write a player's rates: not centred, centred, and by what the records
say of each (what the package does); with a diagonal and with a low-rank mass matrix. Beside them
the players' rates summed out by a normal approximation and corrected by weights (`marginal.py`),
and what compiling takes in a first and in a second process. Results of single cases are kept in a
folder, so that a stopped run goes on where it stopped; with ``--from`` the page is written from
such a folder without measuring again. Needs nothing but the package.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(Path(__file__).resolve().parent)]

from measure import PLAYERS, SEED, Clock, counts, machine, season, summary  # noqa: E402

from transfer.files import write_text  # noqa: E402
from transfer.models.engine.density import native_model  # noqa: E402
from transfer.models.fit import sampler_for  # noqa: E402
from transfer.models.priors import TransferPriors  # noqa: E402
from transfer.models.psis import smooth_log_weights  # noqa: E402
from transfer.models.transfer_design import TransferDesign  # noqa: E402

SIZES = (1, 12, 72)
#: Programs at which summing out is tried as well: where the exact model costs most.
LARGE = 350
WAYS = ("not centred", "centred", "by information")
METRICS = ("diag", "low_rank")
#: Precision that makes a rate centred whatever its spread is, and the pull of raw rates.
_CENTRED, _PULL = 1e5, 20.0
TRIES = 2
#: Acceptance rates that both ways are tried with where they are compared: trajectories come in
#: lengths of 2^n - 1 leapfrogs, so that one rate may suit one way by chance.
TARGETS = (0.7, 0.8, 0.9)
#: What a shortcut has to bring before it is worth its correction (set before measuring).
BAR = 1.5


def expansion(design: TransferDesign, way: str) -> tuple[np.ndarray, np.ndarray] | None:
    """Precision and response that make the coordinates of `way`; None for the package's own."""
    if way == "by information":
        return None
    if way == "not centred":
        return np.zeros(design.dims), np.zeros(design.dims)
    n, y = counts(design)
    rate = (y + _PULL * (y.sum(0) + 1) / (n.sum(0) + 2)) / (n + _PULL)
    precision = np.full(design.dims, _CENTRED)
    return precision, precision * np.log(rate / (1 - rate))


def _finished(running: Any) -> bool:
    """Whether the sampler is through; asked while it is busy, it raises a timeout."""
    try:
        return bool(running.is_finished)
    except TimeoutError:
        return False


def sampled(
    model: Any, design: TransferDesign, metric: str, cap: float, accept: float | None = None
) -> dict[str, Any] | None:
    """Draw with the package's settings for this size; None when the cap came first."""
    import nutpie

    settings = sampler_for(design)
    settings = settings if accept is None else replace(settings, target_accept=accept)
    with Clock() as clock, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        running = nutpie.sample(
            model, draws=settings.draws, tune=settings.tune, chains=4, cores=2, seed=SEED,
            save_warmup=True, progress_bar=False, target_accept=settings.target_accept,
            adaptation=metric, blocking=False,
        )  # fmt: skip
        end = time.monotonic() + cap
        while not _finished(running):
            if time.monotonic() > end:
                running.cancel()
                return None
            time.sleep(0.02)
        trace = running.wait()
    drawn = {name: np.asarray(value) for name, value in trace["posterior"].items()}
    steps = [np.asarray(trace[g]["n_steps"]) for g in ("warmup_sample_stats", "sample_stats")]
    found = summary(drawn)
    return {
        "cpu_s": clock.cpu,
        "gradients": int(steps[0].sum() + steps[1].sum()),
        "steps": float(steps[1].mean()),
        "divergences": int(np.asarray(trace["sample_stats"]["diverging"]).sum()),
        "ess": found["ess_min"],
        "least": found["ess_least_of"],
        "rhat": found["rhat_max"],
        "drawn": drawn,
    }


def best(model: Any, design: TransferDesign, cap: float) -> dict[str, Any] | None:
    """Draw with each acceptance rate; keep the one with most effective draws per second."""
    tries: list[dict[str, Any]] = []
    for accept in TARGETS:
        result = sampled(model, design, "diag", cap, accept)
        if result is not None and not result["divergences"]:
            tries.append(result | {"accept": accept})
    return max(tries, key=lambda r: r["ess"] / r["cpu_s"]) if tries else None


def exact(programs: int, way: str, metric: str, cap: float) -> dict[str, Any]:
    """One row of the table of coordinates."""
    design = season(programs)
    model = native_model(design, TransferPriors(), expansion(design, way))
    result = sampled(model, design, metric, cap)
    if result is None:
        return {"cut_off_s": cap}
    result.pop("drawn")
    return result


def in_full(programs: int, cap: float) -> dict[str, Any]:
    """The exact model, at the acceptance rate that suits it best."""
    design = season(programs)
    result = best(native_model(design, TransferPriors()), design, cap)
    if result is None:
        return {"cut_off_s": cap}
    means = summary(result.pop("drawn"))
    return result | {key: means[key] for key in ("names", "mean", "mcse")}


def summed_out(programs: int, cap: float) -> dict[str, Any]:
    """The population sampled with the players summed out, and its way back to the exact model."""
    import marginal

    design = season(programs)
    n, y, precision, response, place = marginal.expansion(design)
    model = marginal.marginal_model(design, TransferPriors(), precision, response)
    result = best(model, design, cap)
    if result is None:
        return {"cut_off_s": cap}
    drawn = result.pop("drawn")
    flat = {name: value.reshape(-1, *value.shape[2:]) for name, value in drawn.items()}
    effect = flat.get("program_effect", np.zeros((len(flat["mu"]), 1, design.dims[1])))
    data = (effect, design.program, n, y, precision, response, place)
    few = (flat["mu"][:2], flat["tau"][:2], flat["omega"][:2], effect[:2])
    marginal.correct(*few, *data[1:], TRIES, SEED)
    with Clock() as clock:
        _, logs = marginal.correct(flat["mu"], flat["tau"], flat["omega"], *data, TRIES, SEED)
        smoothed, shape = smooth_log_weights(logs[:, None])
        weights = np.exp(smoothed[:, 0])
    share = float(1 / (weights**2).sum() / len(weights))
    kept = np.searchsorted(np.cumsum(weights), (np.arange(len(logs)) + 0.5) / len(logs))
    kept = np.minimum(kept, len(logs) - 1)
    shape_of = drawn["mu"].shape[:2]
    again = {
        k: flat[k][kept].reshape(*shape_of, *flat[k].shape[1:]) for k in ("mu", "tau", "omega")
    }
    found = summary(again)
    return result | {
        "correction_s": clock.cpu, "sd_log_weight": float(logs.std()), "shape": float(shape[0]),
        "share": share, "names": found["names"], "mean": found["mean"], "mcse": found["mcse"],
    }  # fmt: skip


_COMPILE = {
    "this package's density": "import transfer.models.engine.kernel as k; k.logp_address()",
    "the PyMC model": (
        "import sys; sys.path.insert(0, 'tests/benchmarks'); from measure import season;"
        "from transfer.models.transfer_model import build_transfer_model as b;"
        "from transfer.models.sampling import compile_model as c;"
        "from transfer.models.priors import TransferPriors as T; c(b(season(1), T()))"
    ),
}


def compiling(what: str) -> dict[str, Any]:
    """Seconds in a first and in a second process, both with the same cache, at first empty."""
    with tempfile.TemporaryDirectory() as folder:
        places = {"NUMBA_CACHE_DIR": folder, "PYTENSOR_FLAGS": f"base_compiledir={folder}/p"}
        times = []
        for _ in range(2):
            began = time.perf_counter()
            subprocess.run([sys.executable, "-c", _COMPILE[what]], check=True, cwd=ROOT,
                           env={**os.environ, **places}, capture_output=True)  # fmt: skip
            times.append(time.perf_counter() - began)
    return {"first_s": times[0], "second_s": times[1]}


def cases(cap: float) -> dict[str, Callable[[], dict[str, Any]]]:
    """Every case by name, in the order in which they are run."""
    found: dict[str, Callable[[], dict[str, Any]]] = {}
    for what in _COMPILE:
        found[f"compile {what}"] = lambda what=what: compiling(what)
    for programs in SIZES:
        for way in reversed(WAYS):
            for metric in METRICS:
                found[f"{programs} {way} {metric}"] = lambda p=programs, w=way, m=metric: exact(
                    p, w, m, cap
                )
    for programs in (*SIZES, LARGE):
        found[f"{programs} in full"] = lambda p=programs: in_full(p, 4 * cap)
        found[f"{programs} summed out"] = lambda p=programs: summed_out(p, 4 * cap)
    return found


def coordinate_lines(results: dict[str, Any]) -> list[str]:
    """Table of coordinates and mass matrices."""
    lines = [
        "| players | players' rates | mass matrix | processor s | leapfrogs a draw | "
        "least effective draws | per processor s | per 1,000 gradients | R-hat | divergences |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for programs in SIZES:
        for way in WAYS:
            for metric in METRICS:
                r = results[f"{programs} {way} {metric}"]
                start = f"| {PLAYERS * programs} | {way} | {metric} | "
                if "cut_off_s" in r:
                    lines.append(f"{start}cut off at {r['cut_off_s']:.0f} s |{' - |' * 6}")
                    continue
                lines.append(
                    f"{start}{r['cpu_s']:.1f} | {r['steps']:.0f} | {r['ess']:.0f} | "
                    f"{r['ess'] / r['cpu_s']:.0f} | {1000 * r['ess'] / r['gradients']:.1f} | "
                    f"{r['rhat']:.3f} | {r['divergences']} |"
                )
    return lines


def gap(found: dict[str, Any], other: dict[str, Any]) -> float:
    """Largest difference of two sets of means, in Monte Carlo errors."""
    noise = np.hypot(found["mcse"], other["mcse"])
    return float((np.abs(np.subtract(found["mean"], other["mean"])) / noise).max())


def summed_lines(results: dict[str, Any]) -> tuple[list[str], list[float]]:
    """Table of summing out, and the ratios of effective draws per second to the exact model."""
    lines = [
        "| players | way | acceptance aimed at | leapfrogs a draw | least effective draws | "
        "per 1,000 gradients | microseconds a gradient | correction, s | sd of log weight | "
        "shape | kept share | effective draws per processor s | ratio | "
        "largest gap, Monte Carlo errors |",
        "|" + " --- |" * 14,
    ]
    ratios = []
    for programs in (*SIZES, LARGE):
        own, other = (results[f"{programs} {w}"] for w in ("in full", "summed out"))
        if "cut_off_s" in own or "cut_off_s" in other:
            lines.append(f"| {PLAYERS * programs} | cut off |{' - |' * 12}")
            continue
        speed = other["ess"] * other["share"] / (other["cpu_s"] + other["correction_s"])
        base = own["ess"] / own["cpu_s"]
        ratios.append(speed / base)
        for name, r in (("exact", own), ("summed out", other)):
            cost, gradients = 1e6 * r["cpu_s"] / r["gradients"], r["gradients"] / 1000
            line = (
                f"| {PLAYERS * programs} | {name} | {r['accept']} | {r['steps']:.0f} | "
                f"{r['ess']:.0f} | {r['ess'] / gradients:.1f} | {cost:.0f} | "
            )
            if name == "exact":
                lines.append(f"{line}- | - | - | - | {base:.0f} | 1 | - |")
            else:
                lines.append(
                    f"{line}{r['correction_s']:.2f} | {r['sd_log_weight']:.2f} | "
                    f"{r['shape']:.2f} | "
                    f"{r['share']:.2f} | {speed:.0f} | {speed / base:.2f} | {gap(r, own):.1f} |"
                )
    return lines, ratios


def finding(ratios: list[float]) -> str:
    """What the ratios say of the bar set before measuring."""
    best = max(ratios)
    bar = f"The bar set before measuring was {BAR} times the effective draws per processor second"
    if best >= BAR:
        return f"{bar}; it is reached at the best size ({best:.2f} times)."
    return (
        f"{bar}, correction included. It is reached at no size: the ratios run from "
        f"{min(ratios):.2f} to {best:.2f}. So the package does not sum players out."
    )


def page(results: dict[str, Any], taken: str) -> str:
    """The whole page."""
    import platform

    told = machine()
    versions = ", ".join(f"{k} {v}" for k, v in told["versions"].items()
                         if k in ("numpy", "numba", "pymc", "nutpie"))  # fmt: skip
    summed, ratios = summed_lines(results)
    compiled = [
        f"| {what} | {results[f'compile {what}']['first_s']:.1f} | "
        f"{results[f'compile {what}']['second_s']:.1f} |"
        for what in _COMPILE
    ]
    return "\n".join([
        "# What makes the sampler fast",
        "",
        f"Measured {taken} with `python tests/benchmarks/engine.py --out reports/studies/engine.md`"
        f" on {told['cores']} cores ({platform.machine()}), Python {told['python']}; {versions}. "
        "One invented season of 14 players a program, four practice settings and games, seed "
        f"{SEED}; four chains with the package's settings for the size. Least effective draws "
        "(bulk) and largest R-hat over means, spreads and correlations.",
        "",
        "## How a player's rates are written, and the mass matrix",
        "",
        "Not centred: rates are the mean plus spread times a standard normal. Centred: the rates "
        "themselves. By information: between the two by degrees, each rate by its own attempts "
        "(`transfer/models/engine/players.py`), programs and means as well; the posterior is the "
        "same in all three.",
        "",
        *coordinate_lines(results),
        "",
        "## Players summed out",
        "",
        "Every cell's likelihood is replaced by a normal one at its most likely rate, rates are "
        f"summed out and drawn afterwards, and weights from {TRIES} mirrored draws a player lead "
        "back to the exact model. `shape` is that of the Pareto-smoothed weights (to be trusted "
        "below .7), `kept share` what the weights leave of the effective draws, `ratio` the "
        "effective draws per processor second after the correction against the exact model's. The "
        "last column compares corrected means with the exact model's. Both ways were tried with "
        f"acceptance rates of {', '.join(map(str, TARGETS))}, and each stands with the one that "
        "gave it most effective draws per second: trajectories come in lengths of 2^n - 1 "
        "leapfrogs, and one rate may suit one way by chance.",
        "",
        *summed,
        "",
        finding(ratios),
        "The coordinates by information already take most of what summing out could bring: given "
        "the population's values they are close to independent standard normal, so that the steps "
        "are as long as the population's values allow.",
        "",
        "## Compiling",
        "",
        "Seconds of a whole process that compiles and does nothing else, with an empty cache and "
        "once more with what the first left.",
        "",
        "| what | first process | second process |",
        "| --- | --- | --- |",
        *compiled,
        "",
    ])  # fmt: skip


def main() -> None:
    """Measure what is missing, then write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--cap", type=float, default=240.0, help="seconds a case")
    parser.add_argument("--from", dest="folder", type=Path)
    told = parser.parse_args()
    folder = told.folder or Path(tempfile.gettempdir()) / "transfer-engine"
    folder.mkdir(parents=True, exist_ok=True)
    results, dates = {}, []
    for name, case in cases(told.cap).items():
        kept = folder / f"{name.replace(' ', '-')}.json"
        if not kept.is_file():
            print(name, flush=True)
            kept.write_text(json.dumps(case()))
        results[name] = json.loads(kept.read_text())
        dates.append(dt.date.fromtimestamp(kept.stat().st_mtime).isoformat())
    write_text(told.out, page(results, max(dates)))


if __name__ == "__main__":
    main()
