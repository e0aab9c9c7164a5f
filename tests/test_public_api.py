"""The public interface: one sorted list, loaded on use, the same for programs and type checkers."""

from __future__ import annotations

import ast
import importlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

import transfer

STUB = Path(transfer.__file__).with_suffix(".pyi").read_text(encoding="utf-8")
#: Name -> module, as type checkers and the loader read it.
HOMES = {
    alias.name: f"transfer.{node.module}"
    for node in ast.parse(STUB).body
    if isinstance(node, ast.ImportFrom)
    for alias in node.names
}


def loaded_after(statement: str) -> set[str]:
    """Top-level names of the modules loaded by a statement in a fresh interpreter."""
    program = f"import sys, json\n{statement}\nprint(json.dumps(sorted(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", program], check=True, capture_output=True, text=True
    )
    return {name.split(".")[0] for name in json.loads(done.stdout)}


def test_list_is_sorted_and_holds_each_name_once():
    assert transfer.__all__ == sorted(set(transfer.__all__))


def test_the_list_is_what_type_checkers_see():
    assert set(HOMES) == set(transfer.__all__)


def test_few_names_are_public_beside_the_errors():
    errors = {name for name, home in HOMES.items() if home == "transfer.errors"}
    assert 25 <= len(set(HOMES) - errors) <= 36


def test_each_name_is_the_one_that_its_module_lists():
    for name in transfer.__all__:
        home = importlib.import_module(HOMES[name])
        assert getattr(transfer, name) is getattr(home, name)
        assert name in home.__all__, f"{home.__name__} does not list {name}"


def test_each_name_is_documented():
    bare = [n for n in transfer.__all__ if not (getattr(transfer, n).__doc__ or "").strip()]
    assert bare == []


def test_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="No transfer attribute shoot"):
        _ = transfer.shoot


def test_listing_shows_names_before_they_are_loaded():
    assert set(transfer.__all__) <= set(dir(transfer))


def test_version_is_that_of_the_project_file():
    import tomllib

    project = Path(transfer.__file__).resolve().parents[1] / "pyproject.toml"
    declared = tomllib.loads(project.read_text(encoding="utf-8"))["project"]["version"]
    assert transfer.__version__ == declared


def test_import_loads_nothing_outside_the_standard_library_but_the_loader():
    outside = loaded_after("import transfer") - set(sys.stdlib_module_names) - {"__main__"}
    before = loaded_after("pass")
    assert outside - before == {"transfer", "lazy_loader"}


def test_every_room_loads_without_the_sampler():
    rooms = sorted(set(HOMES.values()))
    loaded = loaded_after("import " + ", ".join(rooms))
    assert "numpy" in loaded
    assert not loaded & {"pymc", "pytensor", "nutpie", "arviz", "matplotlib", "weasyprint"}
