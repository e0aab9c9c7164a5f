from __future__ import annotations

import json
import subprocess
import sys
import time

import pytest

from transfer.cli import COMMANDS

HEAVY = ("numpy", "pandas", "scipy", "matplotlib", "pymc", "pytensor", "arviz", "jinja2", "numba")
PROBE = """
import json, sys
from transfer.cli import main
try:
    main(["--help"])
except SystemExit as stopped:
    code = stopped.code
print(json.dumps([code, sorted(sys.modules)]), file=sys.stderr)
"""


def test_help_loads_nothing_heavy_and_is_quick():
    """0.3 s is the aim on a quiet machine; three times that is allowed on a busy one."""
    took = []
    for _ in range(5):
        start = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-c", PROBE], capture_output=True, text=True, check=True
        )
        took.append(time.perf_counter() - start)
        if took[-1] < 0.3:
            break
    code, modules = json.loads(done.stderr)
    assert code == 0
    assert not set(HEAVY) & set(modules)
    assert "Commands" in done.stdout
    assert min(took) < 0.9


@pytest.mark.parametrize("name", list(COMMANDS))
def test_every_command_explains_itself(name, run):
    code, out, _ = run(name, "--help")
    assert code == 0
    assert out.startswith("Usage: transfer")


def test_help_lists_every_command_in_the_order_of_work(run):
    _, out, _ = run("--help")
    listed = [line.split()[0] for line in out.split("Commands:")[1].splitlines() if line.strip()]
    assert [name for name in listed if name in COMMANDS] == list(COMMANDS)


def test_an_unknown_option_exits_with_2(run):
    code, _, err = run("check", "--practise", "x.csv")
    assert code == 2
    assert "--practise" in err
