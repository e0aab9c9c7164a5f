"""The shape of the repository: map, sizes, layers and lock are what the contributor guide says."""

from __future__ import annotations

import ast
import importlib.util
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
LOCK = (ROOT / "requirements.lock").read_text(encoding="utf-8")
MODULES = sorted((ROOT / "transfer").rglob("*.py"))
HEAVY = {"pymc", "pytensor", "nutpie", "arviz", "matplotlib", "weasyprint", "jinja2", "joblib"}


def load_check_map():
    """Return the architecture script as a module."""
    spec = importlib.util.spec_from_file_location(
        "check_map", ROOT / "tests" / "architecture" / "check_map.py"
    )
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


check_map = load_check_map()


def small_package(folder: Path) -> str:
    """Make a package of two modules and return a guide whose map is right."""
    (folder / "transfer" / "rates").mkdir(parents=True)
    (folder / "transfer" / "__init__.py").write_text('"""Whole."""\n')
    (folder / "transfer" / "rates" / "one.py").write_text('"""One rate.\n\nMore.\n"""\n')
    (folder / "pyproject.toml").write_text(
        '[[tool.importlinter.contracts]]\ntype = "layers"\nlayers = ["transfer.rates"]\n'
    )
    lines = "\n".join(check_map.map_lines(folder))
    return f"{check_map.BEGIN}\n{lines}\n{check_map.END}\n"


def test_map_of_the_guide_is_the_codes():
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    assert check_map.differences(guide) == [], "run: python tests/architecture/check_map.py --write"


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("| One rate. |", "| Two rates. |", "the map says 'Two rates.'"),
        ("one.py", "two.py", "there is no such module"),
        ("one.py", "two.py", "not in the map"),
        ("| `transfer/rates/one.py` | One rate. |\n", "", "not in the map"),
        (
            "| `transfer/rates/one.py` | One rate. |\n",
            "| `transfer/rates/one.py` | One rate. |\n" * 2,
            "listed 2 times",
        ),
    ],
)
def test_wrong_map_is_noticed(tmp_path, old, new, complaint):
    guide = small_package(tmp_path)
    assert check_map.differences(guide, tmp_path) == []
    found = check_map.differences(guide.replace(old, new), tmp_path)
    assert any(complaint in line for line in found)


def test_module_without_purpose_or_room_is_noticed(tmp_path):
    guide = small_package(tmp_path)
    (tmp_path / "transfer" / "attic.py").write_text("x = 1\n")
    found = check_map.differences(guide, tmp_path)
    assert "transfer/attic.py: no docstring, so no purpose" in found
    assert "transfer/attic.py: its room is not in the layer contract" in found


def test_modules_stay_short_enough_to_read():
    lengths = {
        str(path.relative_to(ROOT)): len(path.read_text(encoding="utf-8").splitlines())
        for path in MODULES
    }
    assert {name: length for name, length in lengths.items() if length > 600} == {}


def module_level_imports(tree: ast.Module) -> set[str]:
    """Top-level names of packages that importing a module loads (no TYPE_CHECKING blocks)."""
    names = set()
    for node in tree.body:
        if isinstance(node, ast.Import):
            names |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names.add((node.module or "").split(".")[0])
    return names


def imports_of(paths: list[Path]) -> dict[str, set[str]]:
    """Module -> packages that it loads when it is imported."""
    return {
        path.relative_to(ROOT).as_posix(): module_level_imports(
            ast.parse(path.read_text(encoding="utf-8"))
        )
        for path in paths
    }


def test_heavy_packages_are_imported_inside_functions():
    assert {
        name: loads & HEAVY for name, loads in imports_of(MODULES).items() if loads & HEAVY
    } == {}


def test_rooms_load_nothing_by_being_entered():
    rooms = [p for p in MODULES if p.name == "__init__.py"]
    rooms = [p for p in rooms if p.parent.name not in {"transfer", "cli"}]
    assert len(rooms) >= 8
    assert {name: loads for name, loads in imports_of(rooms).items() if loads} == {}


def pinned() -> dict[str, list[str]]:
    """Package -> pinned versions (more than one when they depend on the Python version)."""
    versions: dict[str, list[str]] = {}
    for name, version in re.findall(r"^([a-z0-9-]+)==([^\s;]+)", LOCK, flags=re.MULTILINE):
        versions.setdefault(name, []).append(version)
    return versions


def test_lock_names_no_host_and_no_path():
    assert "://" not in LOCK
    assert "/" not in LOCK


def test_every_line_of_the_lock_is_pinned_and_hashed():
    requirements = re.split(r"\n(?=\S)", LOCK.strip())
    assert len(requirements) > 50
    hashes = r"(    --hash=sha256:[0-9a-f]{64}( \\\n|$))+"
    for requirement in requirements:
        first, rest = requirement.split("\n", 1)
        assert re.fullmatch(r"[a-z0-9-]+==[^\s;]+( ; .+)? \\", first), first
        assert re.fullmatch(hashes, rest), first


def test_lock_satisfies_the_project_file():
    from packaging.requirements import Requirement
    from packaging.utils import canonicalize_name

    optional = PROJECT["project"]["optional-dependencies"]
    # What benchmarks compare with, what runs on an accelerator, the coverage-guided fuzzer (no
    # wheels for Windows) and the operators of the mutation tests are installed apart from the rest.
    apart = ("bench", "gpu", "fuzz", "mutants")
    extras = [lines for name, lines in optional.items() if name not in apart]
    wanted = [
        *PROJECT["project"]["dependencies"],
        *(line for extra in extras for line in extra),
        *PROJECT["build-system"]["requires"],
        "editables>=0.5",  # what the build backend asks for when it installs in editable form
    ]
    versions = pinned()
    for line in wanted:
        requirement = Requirement(line)
        found = versions.get(canonicalize_name(requirement.name), [])
        assert found, f"{line} is not in requirements.lock; run make lock"
        assert all(requirement.specifier.contains(version) for version in found), (line, found)


def committed_texts() -> list[Path]:
    """Source and text files that are kept under version control, by folder."""
    folders = ("transfer", "tests", "docs", "notebooks", "data", "shared", ".ci")
    endings = {".py", ".md", ".toml", ".html", ".css", ".js", ".json", ".txt", ".cfg", ""}
    foreign = {"_build", "node_modules"}
    inside = [p for f in folders for p in (ROOT / f).rglob("*") if not foreign & set(p.parts)]
    top = [p for p in ROOT.iterdir() if p.name != ".git"]
    return [p for p in (*top, *inside) if p.is_file() and p.suffix in endings]


def test_no_machine_path_and_no_registry_host_is_committed():
    slash = "/"  # the words are put together here, so that this file does not hold them
    places = [f"{slash}{name}{slash}" for name in ("work", "root", "tmp", "home")]
    hosts = ["pypi" + ".org", "python" + "hosted", "conda" + ".anaconda", "registry" + ".npmjs"]
    pattern = re.compile("|".join([rf"(?<![\w.}}>]){place}" for place in places] + hosts))
    found = [
        f"{path.relative_to(ROOT)}: {match.group()}"
        for path in committed_texts()
        for match in pattern.finditer(path.read_text(encoding="utf-8", errors="replace"))
    ]
    assert found == []
