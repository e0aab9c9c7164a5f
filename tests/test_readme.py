"""The README keeps its word: its Python runs, its commands, targets and files exist."""

from __future__ import annotations

import contextlib
import io
import re
from pathlib import Path

import pytest

from transfer.records.season import FILE_KEYS as TABLES

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def python_of_the_readme() -> str:
    blocks = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    assert len(blocks) == 1
    return blocks[0]


def test_python_is_five_lines():
    assert len([line for line in python_of_the_readme().splitlines() if line.strip()]) == 5


@pytest.mark.fit
def test_python_runs_and_says_what_the_command_says(tmp_path, monkeypatch, run_json):
    (tmp_path / "data").symlink_to(ROOT / "data")
    monkeypatch.chdir(tmp_path)
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        exec(compile(python_of_the_readme(), "README.md", "exec"), {})
    assert (tmp_path / "coach.html").stat().st_size > 10_000
    assert "NRV-01" in printed.getvalue()
    folder = Path("data/one_program")
    files = {f"--{name}": folder / f"{name}.csv" for name in TABLES}
    code, told = run_json("compare", *(word for pair in files.items() for word in pair))
    assert code == 0
    assert "live minus rep is" in told["text"]
    assert "Starting assumption of level men_college" in told["text"]
    assert told["text"] in printed.getvalue().splitlines()


def test_named_commands_exist():
    from transfer.cli import COMMANDS

    named = set(re.findall(r"transfer (?:--)?([a-z]+)\b", "\n".join(shell_lines())))
    assert named >= {"init", "check", "compare", "report"}
    assert named <= {*COMMANDS, "help"}


def test_named_targets_exist():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    named = set(re.findall(r"make ([a-z]+)", "\n".join(shell_lines())))
    assert {"demo", "test"} <= named
    assert named <= set(re.findall(r"^([a-z]+):", makefile, flags=re.MULTILINE))


def test_named_files_exist():
    linked = re.findall(r"\]\(([^)#:]+)\)", README)
    assert "DEVELOPERS.md" in linked
    assert [name for name in linked if not (ROOT / name).exists()] == []


def shell_lines() -> list[str]:
    """Indented lines and words in back quotes: what a reader would type."""
    indented = [line for line in README.splitlines() if line.startswith("    ")]
    return indented + re.findall(r"`((?:make|transfer) [^`]+)`", README)
