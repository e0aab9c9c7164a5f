"""Where ``CI=true`` a skipped test fails, so that a missing package is never overlooked."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

CASES = {
    "test_whole.py": 'import pytest\npytest.importorskip("no_such_package_here")\n',
    "test_single.py": (
        "import pytest\n"
        'def test_missing():\n    pytest.importorskip("no_such_package_here")\n'
        '@pytest.mark.xfail(reason="known")\ndef test_expected():\n    assert False\n'
        "def test_fine():\n    assert True\n"
    ),
}


@pytest.fixture
def outcome(tmp_path):
    """Run two small files with this repository's conftest; return exit code and output."""
    shutil.copy(Path(__file__).parent / "conftest.py", tmp_path / "conftest.py")
    for name, text in CASES.items():
        (tmp_path / name).write_text(text)

    def run(ci: str) -> tuple[int, str]:
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            "--continue-on-collection-errors",
            ".",
        ]
        environment = {**os.environ, "CI": ci}
        done = subprocess.run(
            command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )
        return done.returncode, done.stdout

    return run


def test_skips_are_allowed_at_the_desk(outcome):
    code, output = outcome("")
    assert code == 0
    assert "1 passed, 2 skipped, 1 xfailed" in output


def test_skips_fail_in_continuous_integration(outcome):
    code, output = outcome("true")
    assert code != 0
    assert "test_single.py::test_missing was skipped, which CI=true does not allow" in output
    assert "test_whole.py was skipped, which CI=true does not allow" in output
