"""What is built is whole, and an older Python is refused in one sentence."""

from __future__ import annotations

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize("module", ["transfer", "build_package"])
def test_an_older_python_is_refused_in_one_sentence(module):
    """On the import of a checkout, and by pip, which asks the build backend first."""
    code = f"import sys; sys.version_info = (3, 11, 7, 'final', 0); import {module}"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 1
    last = done.stderr.splitlines()[-1]
    assert last.endswith("transfer needs Python 3.12 or newer; this is Python 3.11.7")


def test_the_wheel_holds_the_data_dictionary_and_the_templates(tmp_path):
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation",
         "--no-index", "--disable-pip-version-check", "--wheel-dir", tmp_path, ROOT],
        check=True, capture_output=True,
    )  # fmt: skip
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as built:
        names = set(built.namelist())
        schemas = sorted((ROOT / "shared" / "schema").rglob("*.json"))
        assert len(schemas) >= 4
        for path in schemas:
            name = f"transfer/schema/{path.relative_to(ROOT / 'shared' / 'schema').as_posix()}"
            assert built.read(name) == path.read_bytes()
    beside = [
        path
        for path in (ROOT / "transfer").rglob("*")
        if path.is_file() and path.parent.name != "__pycache__"
    ]
    assert {path.relative_to(ROOT).as_posix() for path in beside} <= names
