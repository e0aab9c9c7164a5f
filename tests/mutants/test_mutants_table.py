"""The lists of the mutation tests name what is there."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from planted import PLANTED
from table import MODULES

ROOT = Path(__file__).resolve().parents[2]


def source(module: str) -> str:
    return (ROOT / f"{module.replace('.', '/')}.py").read_text()


@pytest.mark.parametrize("module", MODULES)
def test_modules_and_their_tests_exist(module):
    assert source(module)
    for file in MODULES[module].tests:
        assert (ROOT / "tests" / file).is_file(), file


@pytest.mark.parametrize("fault", PLANTED, ids=lambda fault: fault.name)
def test_a_planted_fault_changes_one_place(fault):
    assert fault.module in MODULES
    assert (ROOT / "tests" / fault.tests).is_file()
    assert source(fault.module).count(fault.before) == 1
    compile(source(fault.module).replace(fault.before, fault.after), fault.module, "exec")


def test_what_was_judged_is_about_these_modules():
    entries = tomllib.loads(Path(__file__).with_name("judged.toml").read_text())["mutant"]
    assert {entry["module"] for entry in entries} <= {*MODULES, "*"}
    keys = [(entry["module"], entry["before"], entry["after"]) for entry in entries]
    assert len(keys) == len(set(keys))
