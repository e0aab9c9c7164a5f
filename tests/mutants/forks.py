"""Run tests against one changed module, in forks of a process that has collected them already.

Importing the package with its libraries and collecting tests takes seconds, the first failing
test of a mutant often a hundredth of one. So one process per module collects the module's test
files once and forks for every mutant; the child executes the changed source in the place of the
module, hands its functions and classes to every module that had imported the unchanged ones, and
runs the tests. Nothing of it lasts beyond the child. What other modules had computed from the
unchanged one while they were imported (a default, a test's parameter) stays as it was, and so does
what a test starts as a process of its own: a mutant may be missed for that, never taken for caught.
"""

from __future__ import annotations

import gc
import json
import os
import resource
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import FunctionType, ModuleType

import pytest

__all__ = ["ROOT", "Outcome", "run_mutants"]

ROOT = Path(__file__).resolve().parents[2]
#: Bytes of memory a mutant may use before it counts as caught.
MEMORY = 12 * 2**30
#: Seconds a mutant may take: a multiple of what the unchanged module takes, and more, because the
#: machine may be busy.
PATIENCE = (4.0, 20.0)
_OPTIONS = (
    "-q",
    "--tb=no",
    "-p",
    "no:cacheprovider",
    "-p",
    "no:xdist",
    "-m",
    "not slow and not fit",
)


@dataclass(frozen=True)
class Outcome:
    """How the tests ended.

    Parameters
    ----------
    code : int
        Exit code of pytest; negative for a signal.
    failed : tuple of str
        Tests that failed.
    timed_out : bool
    seconds : float
    """

    code: int
    failed: tuple[str, ...]
    timed_out: bool
    seconds: float

    @property
    def caught(self) -> bool:
        """Whether the tests told that something is wrong."""
        return self.code != 0


def _own_modules() -> list[ModuleType]:
    """Modules of this checkout: the package, tests and their helpers."""
    files = [(getattr(module, "__file__", None), module) for module in sys.modules.values()]
    return [module for file, module in files if file and Path(file).is_relative_to(ROOT)]


def _plant(name: str, source: str) -> None:
    """Execute a changed source in the place of a loaded module, for all that had imported it."""
    module = sys.modules[name]
    space, before = vars(module), dict(vars(module))
    exec(compile(source, str(module.__file__), "exec"), space)
    new = {key: space[key] for key, old in before.items() if space[key] is not old}
    made_here = {
        id(before[key]): value
        for key, value in new.items()
        if isinstance(before[key], FunctionType | type)
        and getattr(before[key], "__module__", None) == name
    }
    for other in _own_modules():
        if other is module:
            continue
        for key, value in list(vars(other).items()):
            if id(value) in made_here:
                setattr(other, key, made_here[id(value)])
            elif key in new and value is before[key]:  # a constant under its own name
                setattr(other, key, new[key])


class _Planter:
    """A pytest plugin: instead of running the collected tests, fork for every mutant and run them.

    In a child the hook answers nothing, so that pytest goes on and runs the tests there.
    """

    def __init__(
        self,
        name: str,
        sources: Iterable[tuple[str, str]],
        unchanged: str,
        tell: Callable[[str, Outcome], None],
        every: bool,
    ) -> None:
        self.name, self.sources, self.tell = name, sources, tell
        self.unchanged, self.every = unchanged, every
        self.answer: int | None = None  # where a child writes to
        self.failed: list[str] = []

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            self.failed.append(report.nodeid)
            if self.answer is not None and not self.every:
                self.write()
                os._exit(1)

    def write(self) -> None:
        """Tell the parent which tests failed."""
        if self.answer is not None:
            os.write(self.answer, json.dumps(self.failed[:200]).encode())

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool | None:
        """Try every mutant; True in the parent once all are tried."""
        gc.collect()
        gc.freeze()
        usual = self._fork(self.unchanged, 900)
        if usual is None:
            return None
        self.tell("", usual)
        if usual.code != 0:
            return True
        for key, source in self.sources:
            outcome = self._fork(source, PATIENCE[0] * usual.seconds + PATIENCE[1])
            if outcome is None:
                return None
            self.tell(key, outcome)
        return True

    def _fork(self, source: str, limit: float) -> Outcome | None:
        """Fork and plant the source there; the outcome in the parent, None in the child."""
        reading, writing = os.pipe()
        started, child = time.monotonic(), os.fork()
        if child == 0:
            os.close(reading)
            os.setpgid(0, 0)
            resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, MEMORY))
            self.answer = writing
            try:
                _plant(self.name, source)
            except BaseException:  # the module cannot even be imported
                traceback.print_exc()
                os._exit(70)
            return None
        os.close(writing)
        ended, timed_out = 0, False
        while not ended:
            ended, status = os.waitpid(child, os.WNOHANG)
            if not ended and time.monotonic() - started > limit:
                timed_out = True
                os.killpg(child, signal.SIGKILL)
                ended, status = os.waitpid(child, 0)
            time.sleep(0.002)
        with os.fdopen(reading) as file:
            failed = json.loads(file.read() or "[]")
        seconds = time.monotonic() - started
        return Outcome(os.waitstatus_to_exitcode(status), tuple(failed), timed_out, seconds)


def _in_child(planter: _Planter, files: Sequence[str], log: int) -> int:
    """Collect in the forked process; what it forks in turn comes back here with its tests run."""
    quiet = os.open(os.devnull, os.O_RDWR)
    for stream, to in ((0, quiet), (1, log), (2, log)):
        os.dup2(to, stream)
    import hypothesis

    # A slow machine must not look like a test that failed.
    hypothesis.settings.register_profile(
        "mutants",
        deadline=None,
        derandomize=True,
        database=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    hypothesis.settings.load_profile("mutants")
    # What is imported before pytest starts is no fault of a test.
    options = [*_OPTIONS, "-W", "ignore::pytest.PytestAssertRewriteWarning"]
    code = int(pytest.main([*options, "--rootdir", str(ROOT), *files], plugins=[planter]))
    planter.write()
    return code


def run_mutants(
    name: str,
    sources: Iterable[tuple[str, str]],
    files: Sequence[str],
    tell: Callable[[str, Outcome], None],
    *,
    every: bool = False,
) -> None:
    """Run test files against changed sources of a module, one after the other.

    Parameters
    ----------
    name : str
        Dotted name of the module.
    sources : iterable of (str, str)
        What to call each, and the source.
    files : sequence of str
        Test files, from the root of the checkout.
    tell : callable
        Told the outcome of each as it comes; first, under the name "", of the module as it is,
        planted in the same way. When that fails nothing else is tried.
    every : bool
        Run all tests instead of stopping at the first that fails.
    """
    unchanged = (ROOT / (name.replace(".", "/") + ".py")).read_text()
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        log = Path(folder) / "log.txt"
        child = os.fork()
        if child == 0:
            code = 70
            try:
                os.environ |= {"TMPDIR": folder, "HYPOTHESIS_STORAGE_DIRECTORY": folder}
                tempfile.tempdir = None
                written = os.open(log, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
                planter = _Planter(name, sources, unchanged, tell, every)
                code = _in_child(planter, files, written)
            except BaseException:
                traceback.print_exc()
            finally:
                sys.stdout.flush()
                os._exit(code)
        _, status = os.waitpid(child, 0)
        if os.waitstatus_to_exitcode(status) not in (0, 5):
            raise RuntimeError(f"tests of {name}:\n{log.read_text(errors='replace')[-3000:]}")
