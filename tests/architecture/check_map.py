"""Hold the architecture map of ``DEVELOPERS.md`` against the code, or write it anew.

``python tests/architecture/check_map.py`` lists every difference and exits with 1 if there is one;
with ``--write`` it renews the map. The purpose of a module is the first line of its docstring, so
a module without one is a difference too. Standard library only: it runs before anything is
installed.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = "transfer"
BEGIN = "<!-- architecture map: begin (python tests/architecture/check_map.py --write) -->"
END = "<!-- architecture map: end -->"


def module_paths(root: Path = ROOT) -> list[str]:
    """Return all modules of the package, relative to the root, in the order of the layers."""
    order = room_order(root)

    def key(path: str) -> tuple[int, str]:
        room = room_of(path)
        return (order.index(room) if room in order else len(order), path)

    paths = [p.relative_to(root).as_posix() for p in (root / PACKAGE).rglob("*.py")]
    return sorted(paths, key=key)


def room_of(path: str) -> str:
    """Return the room of a module: its folder or file right under the package."""
    return path.split("/")[1].removesuffix(".py")


def room_order(root: Path = ROOT) -> list[str]:
    """Return the rooms from the first to the last layer, as the layer contract has them."""
    settings = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    contracts = settings["tool"]["importlinter"]["contracts"]
    layers = next(c["layers"] for c in contracts if c["type"] == "layers")
    names = [name.strip() for layer in reversed(layers) for name in layer.split("|")]
    return ["__init__", *(name.removeprefix(f"{PACKAGE}.") for name in names)]


def purpose_of(path: Path) -> str:
    """Return the first line of a module's docstring, or nothing."""
    text = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
    return text.split("\n", 1)[0].replace("|", "\\|").strip()


def map_lines(root: Path = ROOT) -> Iterator[str]:
    """Yield the lines of the map: one table, every module once."""
    yield "| module | purpose |"
    yield "|---|---|"
    for path in module_paths(root):
        yield f"| `{path}` | {purpose_of(root / path)} |"


def rows_of(text: str) -> list[tuple[str, str]]:
    """Return module and purpose of every row between the markers of a guide."""
    if text.count(BEGIN) != 1 or text.count(END) != 1:
        raise SystemExit("DEVELOPERS.md: the two markers of the map must each be there once")
    rows = []
    for line in text.split(BEGIN)[1].split(END)[0].splitlines():
        if line.startswith("| `"):
            name, purpose = line.strip().strip("|").split(" | ", 1)
            rows.append((name.strip().strip("`"), purpose.strip()))
    return rows


def differences(text: str, root: Path = ROOT) -> list[str]:
    """Return one sentence for every way in which the map and the code disagree."""
    rows = rows_of(text)
    listed = [name for name, _ in rows]
    modules = module_paths(root)
    found = [
        f"{name}: listed {listed.count(name)} times"
        for name in sorted(set(listed))
        if listed.count(name) > 1
    ]
    found += [
        f"{name}: in the map, but there is no such module"
        for name in sorted(set(listed) - set(modules))
    ]
    found += [f"{name}: not in the map" for name in modules if name not in listed]
    found += [
        f"{name}: no docstring, so no purpose" for name in modules if not purpose_of(root / name)
    ]
    for name, purpose in rows:
        if name in modules and purpose != purpose_of(root / name):
            found.append(
                f"{name}: the map says {purpose!r}, the module says {purpose_of(root / name)!r}"
            )
    order = room_order(root)
    found += [
        f"{name}: its room is not in the layer contract"
        for name in modules
        if room_of(name) not in order
    ]
    return found


def main(words: list[str]) -> int:
    """Check the map, or write it with ``--write``; return the exit code."""
    guide = ROOT / "DEVELOPERS.md"
    text = guide.read_text(encoding="utf-8")
    if words == ["--write"]:
        rows_of(text)
        before, rest = text.split(BEGIN)
        after = rest.split(END)[1]
        body = "\n".join(map_lines())
        guide.write_text(f"{before}{BEGIN}\n{body}\n{END}{after}", encoding="utf-8")
        text = guide.read_text(encoding="utf-8")
    elif words:
        print("usage: check_map.py [--write]", file=sys.stderr)
        return 2
    found = differences(text)
    for line in found:
        print(line)
    print(f"architecture map: {len(module_paths())} modules, {len(found)} differences")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
