"""What tests need beyond Python packages: programs and system libraries, each named once.

A test says ``@pytest.mark.needs("pango")``; where that is not on the machine it is skipped with a
sentence from here (`conftest.py`). Where ``CI=true`` a skip fails, and ``.ci/run`` installs all.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

BROWSER_CHECKS = Path(__file__).resolve().parent / "browser"


@dataclass(frozen=True)
class Need:
    """One thing a test needs: how it is found, what brings it, what is not tested without it."""

    what: str
    found: Callable[[], bool]
    brings: str
    untested: str

    @property
    def sentence(self) -> str:
        """What is missing, what to do about it, and what stays untested until then."""
        return f"{self.what} is missing ({self.brings}), so not tested: {self.untested}"


def _program(*names: str) -> Callable[[], bool]:
    return lambda: any(map(shutil.which, names))


def _library(*names: str) -> Callable[[], bool]:
    """Whether all of these can be opened: a file alone proves nothing."""

    def found() -> bool:
        from cffi import FFI

        try:
            return all(FFI().dlopen(name) is not None for name in names)
        except OSError:
            return False

    return found


NEEDS = {
    "office": Need(
        "LibreOffice",
        _program("soffice", "libreoffice"),
        "Debian package libreoffice-calc-nogui",
        "whether a charted workbook keeps its limits and rows in another spreadsheet program.",
    ),
    "chromium": Need(
        "Chromium",
        _program("chromium"),
        "Debian package chromium",
        "whether the page's what-if part works in a browser, by keyboard and without a network.",
    ),
    "node": Need(
        "Node.js",
        _program("node"),
        "Debian package nodejs",
        "the page in a browser, which a small script for Node.js drives.",
    ),
    "browser packages": Need(
        "The accessibility checker axe-core",
        lambda: (BROWSER_CHECKS / "node_modules" / "axe-core").is_dir(),
        "Debian package npm, then npm ci --prefix tests/browser",
        "the page in a browser, with a check of accessibility.",
    ),
    "pango": Need(
        "Pango",
        _library("libpango-1.0.so.0", "libpangoft2-1.0.so.0"),
        "Debian packages libpango-1.0-0 and libpangoft2-1.0-0",
        "pages drawn as PDF, and whether they fit their paper.",
    ),
    "harfbuzz-subset": Need(
        "HarfBuzz-Subset",
        _library("libharfbuzz-subset.so.0"),
        "Debian package libharfbuzz-subset0",
        "PDF files whose fonts that library cuts down; without it they are cut down in Python.",
    ),
}


@cache
def there(name: str) -> bool:
    """Whether a need is met; looked up once a process."""
    return NEEDS[name].found()


def missing(*names: str) -> str | None:
    """The sentence of the first need that is not met, or None."""
    return next((NEEDS[name].sentence for name in names if not there(name)), None)
