"""The Makefile finds a Python that really runs, and says what to install when there is none."""

from __future__ import annotations

import os
import re
import shutil
import stat
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
LOCKS = ("requirements-run.lock", "requirements.lock")
TOOLS = ("sh", "bash", "cat", "make", "touch", "env", "dirname")

pytestmark = pytest.mark.skipif(os.name == "nt", reason="GNU make is not part of Windows")


@pytest.fixture
def project(tmp_path):
    """A copy of what `make setup` reads, and a search path that holds no Python."""
    for name in ("Makefile", "pyproject.toml", ".python-version", *LOCKS):
        shutil.copy(ROOT / name, tmp_path / name)
    tools = tmp_path / "tools"
    tools.mkdir()
    for name in TOOLS:
        found = shutil.which(name)
        if found:
            (tools / name).symlink_to(found)
    return tmp_path


def script(path: Path, text: str) -> None:
    """Write an executable shell script."""
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)


def make(project: Path, *words: str) -> subprocess.CompletedProcess[str]:
    environment = {"PATH": str(project / "tools"), "HOME": str(project)}
    command = [str(project / "tools" / "make"), "-C", str(project), *words]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


def test_without_python_it_says_what_to_install(project):
    done = make(project, "setup")
    assert done.returncode != 0
    assert "No Python 3.12 or newer" in done.stderr
    assert "pyenv install 3.13" in done.stderr
    assert not (project / ".venv").exists()


def test_names_that_do_not_run_or_are_too_old_are_passed_over(project):
    script(project / "tools" / "python3.13", "echo 'version not installed' >&2; exit 127")
    script(project / "tools" / "python3.12", "exit 1  # what an older Python answers")
    answer = (
        f'case "$1" in -c) exit 0;; --version) echo Python 3.99;; *) touch "{project}/made";; esac'
    )
    script(project / "tools" / "python3", f"{answer}; exit 0")
    done = make(project, "setup")
    assert "Making .venv with Python 3.99" in done.stdout
    assert (project / "made").exists()


def test_a_named_python_goes_first(project):
    script(project / "tools" / "python3.13", "[ $1 = -c ] && exit 0; echo Python 3.13")
    script(project / "tools" / "mine", "[ $1 = -c ] && exit 0; echo Python mine")
    assert "with Python mine" in make(project, "setup", "PYTHON=mine").stdout
    assert "with Python 3.13" in make(project, "setup").stdout


def test_installed_environment_is_left_alone(project):
    (project / ".venv" / "bin").mkdir(parents=True)
    for stamp in (".installed-run", ".installed"):
        (project / ".venv" / stamp).touch()
    assert make(project, "-q", "setup").returncode == 0
    assert make(project, "-q", ".venv/.installed-run").returncode == 0
    os.utime(project / "requirements.lock", (2**31, 2**31))
    assert make(project, "-q", ".venv/.installed-run").returncode == 0
    assert make(project, "-q", "setup").returncode == 1
    os.utime(project / "requirements-run.lock", (2**31, 2**31))
    assert make(project, "-q", ".venv/.installed-run").returncode == 1


def test_the_demo_installs_what_the_job_needs_and_the_tests_all_of_it(project):
    python = project / ".venv" / "bin" / "python"
    python.parent.mkdir(parents=True)
    script(python, f'echo "$@" >> "{project}/calls"')
    script(python.parent / "transfer", f'echo transfer "$@" >> "{project}/calls"')
    assert make(project, "demo").returncode == 0
    calls = (project / "calls").read_text()
    assert "requirements-run.lock" in calls
    assert "requirements.lock" not in calls
    assert calls.endswith("transfer demo\n")
    assert make(project, "test").returncode == 0
    more = (project / "calls").read_text().removeprefix(calls)
    assert "requirements.lock" in more
    assert "requirements-run.lock" not in more
    assert "-m pytest " in more


def test_what_the_job_needs_is_a_part_of_the_whole_lock():
    run, whole = (
        set(re.split(r"\n(?=\S)", (ROOT / name).read_text(encoding="utf-8").strip()))
        for name in LOCKS
    )
    assert run < whole
    names = {block.split("==")[0] for block in run}
    assert {"pymc", "pandas", "hatchling", "editables"} <= names
    assert not names & {"pytest", "sphinx", "dask", "weasyprint", "mypy"}


def test_targets_are_listed_with_their_purpose(project):
    for name in ("grep", "sed", "awk"):
        (project / "tools" / name).symlink_to(shutil.which(name))
    listed = make(project).stdout
    for target in ("demo", "test", "lint", "types", "layers", "studies"):
        assert f"make {target} " in listed
