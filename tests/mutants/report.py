"""The table of mutants: per module how many were caught, and a word on each that was not."""

from __future__ import annotations

import datetime as dt
import importlib.metadata
import platform
import tomllib
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import Any

from table import SAMPLE, SEED, Target

from transfer.files import write_text

__all__ = ["Part", "judge", "read_words", "write_report"]

#: Module, target, number of mutants (None when it was not mutated as it stands), chosen, results.
Part = tuple[str, Target, int | None, int, list[dict[str, Any]]]

#: What a person found out about a mutant that no test catches (`judged.toml`).
KINDS = {
    "same": "the same answer for every input",
    "form": "changes no answer, only a message or the way there",
    "open": "could change an answer",
}
_JUDGED = Path(__file__).with_name("judged.toml")
_COMMAND = "python tests/mutants/run.py --planted --report reports/studies/mutants.md"


@cache
def read_words() -> dict[tuple[str, str, str], tuple[str, str]]:
    """Kind and word by module, line before and line after."""
    found = {}
    for entry in tomllib.loads(_JUDGED.read_text()).get("mutant", []):
        if entry["kind"] not in KINDS:
            raise ValueError(f"judged.toml: kind {entry['kind']!r} is not one of {list(KINDS)}")
        key = (entry["module"], entry["before"], entry["after"])
        found[key] = (entry["kind"], entry["word"])
    return found


def judge(row: dict[str, Any], words: dict) -> tuple[str, str]:
    """Kind of a mutant that no test catches, and the word on it."""
    for module in (row["module"], "*"):
        found = words.get((module, row["before"], row["after"]))
        if found:
            return found
    return "open", "not looked at yet"


def _code(text: str) -> str:
    return f"`{text.replace('|', chr(92) + '|')}`" if text else "(nothing)"


def _summary(parts: Sequence[Part], words: dict) -> list[str]:
    lines = [
        "| module | mutants | tried | caught | same | form | open | caught of those that can "
        "change an answer |",
        "|---|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for name, target, made, chosen, rows in parts:
        bold = "**" if target.whole else ""
        if made is None:
            lines.append(f"| {bold}`{name}`{bold} | not tried as it stands | | | | | | |")
            continue
        left = [judge(row, words)[0] for row in rows if not row["caught"]]
        caught = sum(row["caught"] for row in rows)
        can = caught + left.count("open")
        share = f"{100 * caught / can:.0f} %" if can else "–"
        tried = f"{len(rows)}" if len(rows) == chosen else f"{len(rows)} of {chosen}"
        counts = " | ".join(str(left.count(kind)) for kind in KINDS)
        bold = "**" if target.whole else ""
        lines.append(f"| {bold}`{name}`{bold} | {made} | {tried} | {caught} | {counts} | {share} |")
    return lines


def _survivors(parts: Sequence[Part], words: dict) -> list[str]:
    lines = []
    for name, _, _, _, rows in parts:
        left = [row for row in rows if not row["caught"]]
        if not left:
            continue
        lines += ["", f"### `{name}`", "", "| line | before | after | kind | word |"]
        lines += ["|--:|---|---|---|---|"]
        for row in left:
            kind, word = judge(row, words)
            texts = f"{_code(row['before'])} | {_code(row['after'])} | {kind} | {word}"
            lines.append(f"| {row['line']} | {texts} |")
    return lines


def _planted(faults: Sequence[dict[str, Any]]) -> list[str]:
    lines = ["| fault | tests that fail | among them |", "|---|--:|---|"]
    for row in faults:
        shown = "<br>".join(f"`{name}`" for name in row["by"][:4])
        lines.append(f"| {row['key']} | {len(row['by'])} | {shown or '**none**'} |")
    return lines


def write_report(path: Path, parts: Sequence[Part], faults: Sequence[dict[str, Any]]) -> None:
    """Write the table.

    Parameters
    ----------
    path : Path
    parts : sequence of Part
    faults : sequence of dict
        Results of the planted faults.
    """
    words = read_words()
    version = importlib.metadata.version("cosmic_ray")
    slow = sum(row["timed_out"] for *_, rows in parts for row in rows)
    lines = [
        "# Mutants: mistakes planted one at a time, and whether a test notices",
        "",
        f"`{_COMMAND}`, {dt.datetime.now(dt.UTC):%Y-%m-%d}, operators of cosmic-ray {version}, "
        f"Python {platform.python_version()}, {platform.system()}.",
        "",
        "A mutant is a module with one small mistake: an operator, limit, condition or number "
        "that is another (`tests/mutants/mutate.py` says which), a loop that does not run, a "
        "decorator that is gone. Annotations and docstrings are left alone. It is caught when one "
        "of the module's own test files (`tests/mutants/table.py`) fails or runs out of time "
        f"({slow} of all here); tests that sample are left out. Modules in bold are mutated in "
        f"full, of the others every k-th mutant is tried, {SAMPLE} in all, from a start drawn with "
        f"seed {SEED}.",
        "",
        "Mutants that nothing catches were looked at one by one. "
        + "; ".join(f"*{kind}*: {meaning}" for kind, meaning in KINDS.items())
        + ".",
        "",
        *_summary(parts, words),
        "",
        "## Planted faults",
        "",
        "Each planted alone.",
        "",
        *_planted(faults),
        "",
        "## Not caught",
        *_survivors(parts, words),
    ]
    write_text(path, "\n".join(lines) + "\n")
