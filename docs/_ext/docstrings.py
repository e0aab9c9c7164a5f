"""Docstrings as people write them: formulas and command lines set in by four spaces.

In a module's docstring such a block is shown as it stands, and a bar (absolute value) is a bar.
"""

from __future__ import annotations

import re
from typing import Any


def as_written(lines: list[str]) -> list[str]:
    """Mark blocks that are set in as literal, and escape bars elsewhere.

    Parameters
    ----------
    lines : list of str
        A docstring.

    Returns
    -------
    list of str
    """
    found: list[str] = []
    for number, line in enumerate(lines):
        set_in = line.startswith("    ")
        before = next((text for text in reversed(found) if text.strip()), "")
        starts = set_in and (number == 0 or not lines[number - 1].strip())
        if starts and not before.startswith("    ") and not before.endswith("::"):
            found += ["::", ""]
        found.append(
            line if set_in else re.sub(r"(?<![`\\])\|(?=[^|`]*\|)|(?<=\w)\|", r"\\|", line)
        )
    return found


def process(app: Any, what: str, name: str, obj: Any, options: Any, lines: list[str]) -> None:
    """Change the docstring of a module in place, as autodoc asks for."""
    if what == "module":
        lines[:] = as_written(lines)


def setup(app: Any) -> dict[str, Any]:
    """Register with autodoc."""
    app.connect("autodoc-process-docstring", process)
    return {"version": "1", "parallel_read_safe": True, "parallel_write_safe": True}
