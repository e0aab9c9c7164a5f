"""Mutation testing: plant one mistake at a time in a module, see whether its tests notice.

python tests/mutants/run.py [MODULE ...] [--at-most N] [--planted] [--report FILE]

Results are appended to a file line by line, so that a run may be stopped and taken up again. A
mutant that was caught, or judged to change no answer, is not tried again while its module stays the
same; another is tried again when a test file of its module has changed.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
from collections.abc import Iterator
from pathlib import Path

import click
from forks import ROOT, Outcome, run_mutants
from mutate import mutants_of, sample
from planted import PLANTED
from report import judge, read_words, write_report
from table import MODULES, SAMPLE, SEED, Target

#: The person's terminal; what tests print goes elsewhere.
_TERMINAL = os.fdopen(os.dup(1), "w", buffering=1)


def say(text: str) -> None:
    """Tell the person at the terminal."""
    _TERMINAL.write(text + "\n")


def _hash(*texts: str) -> str:
    return hashlib.sha256("\0".join(texts).encode()).hexdigest()[:16]


def _read(results: Path) -> dict[tuple[str, str], dict]:
    """The last result of every mutant."""
    if not results.exists():
        return {}
    rows = (json.loads(line) for line in results.read_text().splitlines())
    return {(row["module"], row["key"]): row for row in rows}


def _append(results: Path, row: dict) -> None:
    results.parent.mkdir(parents=True, exist_ok=True)
    with results.open("a") as file:
        file.write(json.dumps(row) + "\n")


def _states() -> Iterator[tuple[str, Target, str, list[str], dict[str, str]]]:
    """Every module with its source, its test files, and the hashes that results hang on."""
    for name, target in MODULES.items():
        source = (ROOT / (name.replace(".", "/") + ".py")).read_text()
        files = [f"tests/{file}" for file in target.tests]
        tests = _hash(*((ROOT / file).read_text() for file in files))
        yield name, target, source, files, {"source": _hash(source), "tests": tests}


def _to_try(row: dict | None, hashes: dict[str, str]) -> bool:
    if row is None or row["source"] != hashes["source"]:
        return True
    settled = row["caught"] or judge(row, read_words())[0] != "open"
    return not settled and row["tests"] != hashes["tests"]


def _try_module(name: str, target: Target, results: Path, at_most: int | None) -> None:
    """Try what is still to be tried of one module, in an order by lot."""
    source, files, hashes = next(s[2:] for s in _states() if s[0] == name)
    known, mutants = _read(results), mutants_of(source)
    census = {"module": name, "key": "census", **hashes, "made": len(mutants)}
    mutants = mutants if target.whole else sample(mutants, SAMPLE, SEED)
    _append(results, census | {"chosen": [mutant.key for mutant in mutants]})
    left = [m for m in mutants if _to_try(known.get((name, m.key)), hashes)]
    random.Random(SEED).shuffle(left)
    say(f"{name}: {len(left)} of {len(mutants)} mutants to try")
    waiting = {mutant.key: mutant for mutant in left[:at_most]}

    def tell(key: str, outcome: Outcome) -> None:
        if key == "":
            failed = f"FAIL as it is: {outcome.failed}" if outcome.caught else "pass as it is"
            say(f"  tests take {outcome.seconds:.1f} s, {failed}")
            return
        mutant = waiting[key]
        row = {"module": name, "key": key, **hashes, "caught": outcome.caught}
        row |= {"line": mutant.line, "function": mutant.function}
        row |= {"before": mutant.before, "after": mutant.after}
        row |= {"by": list(outcome.failed[:1]), "timed_out": outcome.timed_out}
        row |= {"code": outcome.code, "seconds": round(outcome.seconds, 2)}
        _append(results, row)
        if not outcome.caught:
            say(f"  not caught: {mutant.line} {mutant.before}  =>  {mutant.after}")

    if waiting:
        run_mutants(name, [(m.key, m.source) for m in waiting.values()], files, tell)


def _try_planted(results: Path) -> None:
    """Plant the named faults, each alone, and keep all tests that fail."""
    for fault in PLANTED:
        source = (ROOT / (fault.module.replace(".", "/") + ".py")).read_text()
        if source.count(fault.before) != 1:
            raise click.ClickException(f"{fault.name}: {fault.before!r} is not there once")

        def tell(key: str, outcome: Outcome) -> None:
            row = {"module": "planted", "key": key, "caught": outcome.caught}
            if key:
                _append(results, {**row, "by": list(outcome.failed), "code": outcome.code})
                say(f"{key}: {len(outcome.failed)} tests fail")

        changed = source.replace(fault.before, fault.after)
        run_mutants(
            fault.module, [(fault.name, changed)], [f"tests/{fault.tests}"], tell, every=True
        )


@click.command()
@click.argument("modules", nargs=-1)
@click.option("--results", type=click.Path(path_type=Path), default=ROOT / "reports/mutants.jsonl")
@click.option("--report", type=click.Path(path_type=Path), help="Write the table here.")
@click.option("--planted", is_flag=True, help="Plant the named faults.")
@click.option("--at-most", type=int, help="Mutants of each module in this run; all when omitted.")
@click.option("--only-report", is_flag=True, help="Try nothing.")
def main(
    modules: tuple[str, ...],
    results: Path,
    report: Path | None,
    planted: bool,
    at_most: int | None,
    only_report: bool,
) -> None:
    """Try the mutants of MODULES (all when none is named), and write the table."""
    if planted:
        _try_planted(results)
    for name in () if only_report else (modules or MODULES):
        _try_module(name, MODULES[name], results, at_most)
    if report is not None:
        known, parts = _read(results), []
        for name, target, _, _, hashes in _states():
            census = known.get((name, "census"), {})
            if census.get("source") != hashes["source"]:
                census = {"made": None, "chosen": []}
            rows = [known.get((name, key), {}) for key in census["chosen"]]
            fresh = [row for row in rows if row.get("source") == hashes["source"]]
            parts.append((name, target, census["made"], len(census["chosen"]), fresh))
        faults = [known.get(("planted", fault.name)) for fault in PLANTED]
        write_report(report, parts, [row for row in faults if row])


if __name__ == "__main__":
    main()
