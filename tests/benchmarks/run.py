"""Run every benchmark, one process each, and write the dated table.

    python tests/benchmarks/run.py --out reports/studies/bench.md [--cap 600] [--from FOLDER]
        [--peer-caps 1=240 12=150 350=300]

Results of single processes are kept in a folder, so that a stopped run goes on where it stopped;
with ``--from`` the table is written from such a folder without measuring again. A way that does
not end within the cap is listed as cut off; ratios to it are bounds. ``BENCH_PYTHON`` names the
Python of an environment with the extra ``bench`` when this one does not hold the peers.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(ROOT), str(HERE)]

from measure import against  # noqa: E402

from transfer.files import write_text  # noqa: E402

#: Ways in the order of the table, with the largest number of programs at which each is tried.
WAYS = {
    "own": 350, "reference": 12, "numpyro": 350, "pystan": 12, "pymc_sessions": 12,
    "pymc_attempts": 1, "bambi": 12, "statsmodels": 12,
}  # fmt: skip
SIZES = (1, 12, 350)
NAMES = {
    "own": "this package, default settings",
    "reference": "long reference run (PyMC model, nutpie)",
    "numpyro": "numpyro, whole model on cells",
    "pystan": "pystan, whole model on cells",
    "pymc_sessions": "plain PyMC on session cells, default sampler",
    "pymc_attempts": "plain PyMC, one row per attempt, default sampler",
    "bambi": "bambi, session cells, uncorrelated (nearest)",
    "statsmodels": "statsmodels BinomialBayesMixedGLM, attempts, uncorrelated (nearest)",
}


def run_one(way: str, programs: int, folder: Path, cap: int) -> None:
    """Measure one way in its own process; what it wrote before the cap stays."""
    python = os.environ.get("BENCH_PYTHON", sys.executable)
    out = folder / f"{way}-{programs}.json"
    limits = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    began = time.perf_counter()
    try:
        done = subprocess.run(
            [python, str(HERE / "peers.py"), way, str(programs), str(out)],
            env={**os.environ, **limits}, timeout=cap, capture_output=True, text=True, check=False,
        )  # fmt: skip
        said = done.stderr.strip().splitlines() or ["no word"]
        state = "done" if done.returncode == 0 else f"failed: {said[-1][-160:]}"
    except subprocess.TimeoutExpired:
        state = "cut off"
    note = {"state": state, "cap_s": cap, "took_s": time.perf_counter() - began}
    (folder / f"{way}-{programs}.state").write_text(json.dumps(note))


def _load(path: Path) -> dict[str, Any] | None:
    return json.loads(path.read_text()) if path.is_file() else None


def _number(value: float | None, form: str = ".1f") -> str:
    return "-" if value is None else format(value, form)


def peer_row(way: str, programs: int, folder: Path) -> str | None:
    """One line of the table; None where nothing was tried."""
    state = _load(folder / f"{way}-{programs}.state")
    if state is None:
        return None
    found = _load(folder / f"{way}-{programs}.json")
    if found is None:
        return f"| {programs} | {NAMES[way]} | {state['state']} after {state['took_s']:.0f} s |" + (
            " - |" * 7
        )
    # Draws of a variational fit were made by no chain: an effective size would mean nothing.
    chained = way != "statsmodels"
    warm = found.get("warm_s")
    per_second = found["ess_min"] / (warm or found["cold_s"]) if chained else None
    reference = _load(folder / f"reference-{programs}.json")
    error = against(found, reference)["error_in_sd"] if reference and way != "reference" else None
    rhat = found["rhat_max"] if chained else None
    ended = "" if warm or way == "reference" else "warm run cut off"
    cold = f"{found['cold_s']:.1f} ({found['cold_cpu_s']:.1f})"
    return (
        f"| {programs} | {NAMES[way]} | {ended} | {cold} "
        f"| {_number(warm)} ({_number(found.get('warm_cpu_s'))}) | "
        f"{_number(found['ess_min'] if chained else None, '.0f')} | {_number(per_second, '.3g')} | "
        f"{_number(rhat, '.3f')} | {found['memory_mb']:.0f} | {_number(error, '.2f')} |"
    )


def ratio_lines(folder: Path) -> list[str]:
    """How many times longer each way takes than this package, by processor time and per draw."""
    lines = []
    for programs in SIZES:
        own = _load(folder / f"own-{programs}.json")
        if own is None or "warm_s" not in own:
            continue
        for way in WAYS:
            state = _load(folder / f"{way}-{programs}.state")
            if way in ("own", "reference") or state is None:
                continue
            found = _load(folder / f"{way}-{programs}.json")
            if found is not None and "cold_cpu_s" in found:
                key = "warm" if "warm_s" in found else "cold"
                cpu = found[f"{key}_cpu_s"] / own["warm_cpu_s"]
                said = f"{cpu:.1f} times the processor time ({key} against warm)"
                if way != "statsmodels":
                    each = (found[f"{key}_cpu_s"] / found["ess_min"]) / (
                        own["warm_cpu_s"] / own["ess_min"]
                    )
                    said += f", {each:.1f} times per effective draw"
            elif state["state"] == "cut off":
                bound = state["took_s"] / own["warm_s"]
                said = (
                    f"cut off at {state['took_s']:.0f} s: more than {bound:.0f} times the wall time"
                )
            else:
                said = state["state"]
            lines.append(f"- {programs} programs, {NAMES[way]}: {said}.")
    return lines


def data_lines(folder: Path) -> list[str]:
    """The data path's figures."""
    found = _load(folder / "data.json")
    if found is None:
        return ["Not measured in this run."]
    lines = ["| file form | MB | step | rows | files read | wall s | processor s | peak MB |",
             "|---|---|---|---|---|---|---|---|"]  # fmt: skip
    for ending in ("parquet", "csv"):
        for step, r in found.get(ending, {}).get("steps", {}).items():
            lines.append(
                f"| {ending} | {found[ending]['megabytes']:.0f} | {step} | {r['rows']:,} | "
                f"{r['read_now']} | {r['wall_s']:.1f} | {r['cpu_s']:.1f} | {r['memory_mb']:.0f} |"
            )
    return lines


def gpu_lines(folder: Path) -> list[str]:
    """The accelerator's figures."""
    found = _load(folder / "gpu.json")
    if found is None:
        return ["Not measured in this run: `python tests/benchmarks/gpu_transfer.py --out FILE`."]
    fast, cpu = found["accelerated"], found["cpu"]
    lines = [f"{found['programs']} programs, {found['players']:,} players. {fast['device']}; "
             f"the CPU figures are of the same machine, on {cpu.get('cores', '?')} of its "
             f"{found['machine']['cores']} cores, with nothing else running.", "",
             "| way | wall s | least ESS | ESS/s | largest R-hat | divergences |",
             "|---|---|---|---|---|---|"]  # fmt: skip
    for run in fast["runs"]:
        lines.append(
            f"| {fast['way']}, {run['run']} | {run['wall_s']:.0f} | {run['ess_min']:.0f} | "
            f"{run['ess_per_s']:.1f} | {run['rhat_max']:.3f} | {run['divergences']} |"
        )
    lines.append(
        f"| {cpu['way']} | {cpu['wall_s']:.0f} | {cpu['ess_min']:.0f} | {cpu['ess_per_s']:.1f} | "
        f"{cpu['rhat_max']:.3f} | {cpu['divergences']} |"
    )
    agree = found["agreement"]
    lines += ["", f"Largest difference of {agree['quantities']} posterior means: "
              f"{agree['error_in_mcse']:.1f} Monte Carlo errors, {agree['error_in_sd']:.2f} "
              "posterior sds. Judged against 4 Monte Carlo errors."]  # fmt: skip
    return lines


def growth_lines(folder: Path) -> list[str]:
    """Slopes of cost."""
    found = _load(folder / "growth.json")
    if found is None:
        return ["Not measured in this run: `python tests/benchmarks/growth.py`."]
    lines = ["| quantity | from - to | processor s | slope of log time | slope of log memory |",
             "|---|---|---|---|---|"]  # fmt: skip
    for s in found["slopes"]:
        lines.append(
            f"| {s['name']} | {s['from']:,} - {s['to']:,} | {s['first_s']:.2f} - {s['last_s']:.2f} "
            f"| {s['time']:.2f} | {s['memory']:.2f} |"
        )
    return [*lines, "", "![Growth of cost](bench-growth.svg)"]


def not_tried() -> str:
    """Which ways were not started at which sizes, in words."""
    return "; ".join(
        f"{NAMES[way]} above {most} program{'s' if most > 1 else ''}"
        for way, most in WAYS.items()
        if most < max(SIZES)
    )


def table(folder: Path) -> str:
    """The whole page."""
    own = _load(folder / "own-1.json") or {}
    versions = ", ".join(f"{k} {v}" for k, v in own.get("versions", {}).items())
    rows = [peer_row(way, programs, folder) for programs in SIZES for way in WAYS]
    loads = [f["load"] for p in folder.glob("*-*.json") if (f := _load(p)) and "load" in f]
    load = f"{min(loads):.1f} to {max(loads):.1f}" if loads else "not noted"
    return "\n".join(
        [
            "# Speed, side by side", "",
            f"Measured {dt.date.today().isoformat()} by tests/benchmarks/run.py and its parts. "
            f"{own.get('cores', '?')} cores, load of the machine {load} when the single runs began "
            "(a load above the cores stretches wall times; processor times stand in brackets and "
            "the ratios are taken from them; a cut-off run has a wall time only, with compiling, "
            "so its ratio is a rough bound). "
            f"Python {own.get('python', '?')}; {versions}.", "",
            f"Not tried: {not_tried()}.", "",
            "Data: invented seasons of 14 players a program, 4 practice settings, 3,969 attempts a "
            "player. Quantities: mu, tau and omega. ESS is the least bulk effective sample size, "
            "error the largest difference from the reference's posterior means in its sds.", "",
            "## Against other ways", "",
            "| programs | way | remark | cold s (processor) | warm s (processor) | ESS | ESS/s | "
            "R-hat | peak MB | error, sd |",
            "|---|---|---|---|---|---|---|---|---|---|",
            *[r for r in rows if r], "", "### Ratios", "", *ratio_lines(folder), "",
            "## Accelerator", "", *gpu_lines(folder), "",
            "## Rows to cells", "",
            "Single attempts of 350 programs, minutes charted, one file a week for 26 weeks.", "",
            *data_lines(folder), "",
            "## Growth of cost", "", *growth_lines(folder), "",
        ]
    )  # fmt: skip


def main() -> None:
    """Measure what is missing and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--cap", type=int, default=600, help="seconds a way may take")
    parser.add_argument(
        "--peer-caps", nargs="*", default=[], metavar="PROGRAMS=SECONDS",
        help="a cap of its own for the ways compared with, by size",
    )  # fmt: skip
    parser.add_argument("--from", dest="folder", type=Path)
    args = parser.parse_args()
    peer_caps = {int(k): int(v) for k, _, v in (c.partition("=") for c in args.peer_caps)}
    folder = args.folder
    if folder is None:
        import tempfile

        folder = Path(tempfile.gettempdir()) / "transfer-bench"
        folder.mkdir(exist_ok=True)
        for programs in SIZES:
            for way, most in WAYS.items():
                if programs <= most and not (folder / f"{way}-{programs}.state").is_file():
                    print(f"{way}, {programs} programs", flush=True)
                    ours = way in ("own", "reference")
                    cap = args.cap if ours else peer_caps.get(programs, args.cap)
                    run_one(way, programs, folder, cap)
        for script, words in (
            ("data_path.py", [str(folder / "data.json")]),
            ("growth.py", [str(folder / "growth.json"), str(args.out.parent / "bench-growth.svg")]),
        ):
            subprocess.run([sys.executable, str(HERE / script), *words], check=True)
    write_text(args.out, table(folder))


if __name__ == "__main__":
    main()
