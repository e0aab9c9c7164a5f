"""Run tests against one changed module, in a forked process that has the libraries already.

Importing the package and its libraries takes seconds, the tests of one module often less. So this
process imports the libraries once and forks for every mutant; the child imports the package itself
anew, with the changed source in place of one module, so that no other module holds on to a
function of the unchanged one. A test that starts a process of its own sees the module unchanged.
"""

from __future__ import annotations

import importlib
import importlib.abc
import importlib.util
import json
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType

import pytest

__all__ = ["ROOT", "Outcome", "preload", "run_tests"]

ROOT = Path(__file__).resolve().parents[2]
#: Bytes of memory a mutant may use before it counts as caught.
MEMORY = 12 * 2**30
_OWN = ("transfer", "tests", "conftest", "needs", "invented", "trial_seasons", "test_", "hostile")


@dataclass(frozen=True)
class Outcome:
    """How the tests ended.

    Parameters
    ----------
    failed : tuple of str
        Tests that failed, or the file that could not be collected.
    timed_out : bool
    seconds : float
    code : int
        Exit code of pytest; negative for a signal.
    modules : tuple of str
        Libraries that the tests had imported, without the package and the tests.
    said : str
        The end of what pytest printed.
    """

    failed: tuple[str, ...]
    timed_out: bool
    seconds: float
    code: int
    modules: tuple[str, ...] = ()
    said: str = ""

    @property
    def caught(self) -> bool:
        """Whether the tests told that something is wrong."""
        return self.code != 0


class _Loader(SourceFileLoader):
    """Load a module from a text instead of its file."""

    def __init__(self, name: str, path: str, source: str) -> None:
        super().__init__(name, path)
        self.source = source

    def get_code(self, fullname: str) -> CodeType:
        """Compile the text; nothing is read from or kept in a cache."""
        return compile(self.source, self.path, "exec", dont_inherit=True)


class _Finder(importlib.abc.MetaPathFinder):
    """Find one module by its changed source."""

    def __init__(self, name: str, source: str) -> None:
        self.name, self.source = name, source

    def find_spec(self, fullname: str, path: object, target: object = None) -> ModuleSpec | None:
        """Answer for the one module only."""
        if fullname != self.name:
            return None
        file = str(ROOT / (self.name.replace(".", "/") + ".py"))
        loader = _Loader(fullname, file, self.source)
        return importlib.util.spec_from_file_location(fullname, file, loader=loader)


class _Listener:
    """A pytest plugin that keeps the names of what failed."""

    def __init__(self) -> None:
        self.failed: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)


def preload(modules: Sequence[str]) -> None:
    """Import libraries in this process, so that forked ones have them."""
    for name in modules:
        if name not in sys.modules:
            try:
                importlib.import_module(name)
            except Exception:  # parts of a library that only load from inside it
                continue


def _child(name: str, source: str | None, words: Sequence[str], answer: Path, folder: str) -> int:
    """Run the tests in the forked process and write down what failed."""
    os.setpgid(0, 0)
    resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
    quiet = os.open(os.devnull, os.O_RDWR)
    told = os.open(str(answer.with_suffix(".txt")), os.O_WRONLY | os.O_CREAT)
    for stream, to in ((0, quiet), (1, told), (2, told)):
        os.dup2(to, stream)
    os.environ |= {"TMPDIR": folder, "HYPOTHESIS_STORAGE_DIRECTORY": folder}
    tempfile.tempdir = None
    if source is not None:
        sys.meta_path.insert(0, _Finder(name, source))
    import hypothesis

    # A slow machine must not look like a test that failed.
    everything = list(hypothesis.HealthCheck)
    hypothesis.settings.register_profile(
        "mutants", deadline=None, derandomize=True, database=None, suppress_health_check=everything
    )
    hypothesis.settings.load_profile("mutants")
    listener = _Listener()
    # What is imported before pytest starts is no fault here.
    options = ["-q", "-W", "ignore::pytest.PytestAssertRewriteWarning", "-p", "no:cacheprovider"]
    options += [
        "-p",
        "no:xdist",
        "--rootdir",
        str(ROOT),
        "--basetemp",
        f"{folder}/pytest",
        "-m",
        "not slow and not fit",
    ]
    code = int(pytest.main([*options, *words], plugins=[listener]))
    libraries = [module for module in list(sys.modules) if not module.startswith(_OWN)]
    answer.write_text(json.dumps({"failed": listener.failed, "modules": libraries}))
    return code


def run_tests(name: str, source: str | None, words: Sequence[str], timeout: float) -> Outcome:
    """Fork, put `source` in place of module `name` and run pytest with `words`.

    Parameters
    ----------
    name : str
        Dotted name of the changed module.
    source : str or None
        Its source; ``None`` leaves the package as it is.
    words : sequence of str
        Test files and options for pytest.
    timeout : float
        Seconds, after which the process and all that it started are ended.
    """
    with tempfile.TemporaryDirectory(prefix="mutant-") as folder:
        answer, started = Path(folder) / "answer.json", time.monotonic()
        child = os.fork()
        if child == 0:
            code = 70
            try:
                code = _child(name, source, words, answer, folder)
            except BaseException:
                traceback.print_exc()
            finally:
                sys.stderr.flush()
                os._exit(code)
        ended, timed_out = 0, False
        while not ended:
            ended, status = os.waitpid(child, os.WNOHANG)
            if not ended and time.monotonic() - started > timeout:
                timed_out = True
                os.killpg(child, signal.SIGKILL)
                ended, status = os.waitpid(child, 0)
            time.sleep(0.01)
        told = json.loads(answer.read_text()) if answer.exists() else {"failed": [], "modules": []}
        return Outcome(
            tuple(told["failed"]),
            timed_out,
            time.monotonic() - started,
            os.waitstatus_to_exitcode(status),
            tuple(told["modules"]),
            answer.with_suffix(".txt").read_text(errors="replace")[-2000:],
        )
