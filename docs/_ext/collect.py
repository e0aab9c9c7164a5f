"""Pages that are made from files elsewhere: studies, notebooks and the list of modules.

They are copied when the documentation is built, so that there is one original of each.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import jupytext

#: Room of the package -> heading of its page in the reference.
ROOMS = {
    "": "Shared parts",
    "records": "Records",
    "records/adding": "Records: adding an export",
    "rates": "Rates",
    "simulation": "Simulation",
    "models": "Models",
    "models/engine": "Models: engine",
    "page": "Page",
    "terminal": "Terminal",
    "reading": "Reading",
    "forecast": "Forecast",
    "trial": "Trial",
    "mix": "Mix",
    "session": "Session",
    "reports": "Reports",
}


def _changed(target: Path, text: str) -> None:
    """Write only what is new, so that the next build is quick."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if not target.exists() or target.read_text("utf-8") != text:
        target.write_text(text, "utf-8")


def _copies(source: Path, pattern: str, target: Path) -> list[str]:
    names = []
    for path in sorted(source.glob(pattern)):
        _changed(target / path.name, path.read_text("utf-8"))
        names.append(path.name)
    return names


def _module_pages(package: Path, target: Path) -> list[str]:
    names = []
    for room, heading in ROOMS.items():
        folder = package / room
        modules = [p.stem for p in sorted(folder.glob("*.py")) if not p.stem.startswith("_")]
        if not modules:
            continue
        prefix = ".".join([package.name, *room.split("/")]) if room else package.name
        lines = [heading, "=" * len(heading), ""]
        for name in modules:
            full = f"{prefix}.{name}"
            lines += [full, "-" * len(full), "", f".. automodule:: {full}", "   :members:", ""]
        page = f"{room.replace('/', '-') or 'shared'}.rst"
        _changed(target / page, "\n".join(lines))
        names.append(page)
    return names


def notebook(text: str) -> Any:
    """Read a notebook in text form; its code is Python without being run.

    Parameters
    ----------
    text : str
        Percent format.

    Returns
    -------
    nbformat.NotebookNode
    """
    found = jupytext.reads(text, fmt="py:percent")
    found.metadata["language_info"] = {"name": "python", "pygments_lexer": "python"}
    found.metadata["kernelspec"] = {
        "name": "python3",
        "display_name": "Python",
        "language": "python",
    }
    return found


def everything(root: Path, target: Path) -> None:
    """Fill `target` from the repository and remove what has no original any more.

    Parameters
    ----------
    root : Path
        The repository.
    target : Path
        Folder of the copies.
    """
    studies, copied = root / "reports" / "studies", target / "studies"
    kept = {
        # Pages and the pictures that they show.
        "studies": [*_copies(studies, "*.md", copied), *_copies(studies, "*.svg", copied)],
        "notebooks": _copies(root / "notebooks", "*.py", target / "notebooks"),
        "api": _module_pages(root / "transfer", target / "api"),
    }
    for folder, names in kept.items():
        for path in (target / folder).glob("*"):
            if path.name not in names:
                shutil.rmtree(path) if path.is_dir() else path.unlink()
