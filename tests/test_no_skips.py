"""Where ``CI=true`` a skipped test fails, so that a missing package is never overlooked."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from needs import NEEDS

#: A need that no machine meets, beside those of the repository.
UNMET = (
    "import needs\n"
    'needs.NEEDS["ice"] = needs.Need("The ice", bool, "Debian package ice", "cold.")\n'
)
CASES = {
    "test_system.py": (
        f"import pytest\n{UNMET}"
        '@pytest.fixture\ndef costly():\n    raise RuntimeError("started in vain")\n'
        '@pytest.mark.needs("ice")\ndef test_cold(costly):\n    pass\n'
    ),
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
    for name in ("conftest.py", "needs.py"):
        shutil.copy(Path(__file__).parent / name, tmp_path / name)
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
            "-rs",
            "-o",
            "markers=needs(name): as in the repository",
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
    assert "1 passed, 3 skipped, 1 xfailed" in output
    assert "The ice is missing (Debian package ice), so not tested: cold." in output


def test_skips_fail_in_continuous_integration(outcome):
    code, output = outcome("true")
    assert code != 0
    assert "test_single.py::test_missing was skipped, which CI=true does not allow" in output
    assert "test_system.py::test_cold was skipped, which CI=true does not allow: " in output
    assert "The ice is missing" in output
    assert "test_whole.py was skipped, which CI=true does not allow" in output


def test_every_need_is_used_and_installed_in_continuous_integration():
    tests = Path(__file__).parent
    used = set()
    for path in tests.rglob("test_*.py"):
        for names in re.findall(r"mark\.needs\(([^)]+)\)", path.read_text(encoding="utf-8")):
            used |= set(re.findall(r'"([^"]+)"', names))
    assert used - {"ice"} == set(NEEDS)
    installs = (tests.parent / ".ci" / "run").read_text(encoding="utf-8")
    for need in NEEDS.values():
        packages = re.findall(r"\b(?:lib[\w.-]+|chromium|npm|nodejs)\b", need.brings)
        assert packages, need.what
        for package in packages:
            assert re.search(rf"[\s(]{re.escape(package)}[\s)]", installs), package
    assert "npm ci --prefix tests/browser" in installs
