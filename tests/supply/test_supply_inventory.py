"""The lock is complete and hashed; bill of materials and licences cover all of it."""

from __future__ import annotations

import importlib.util
from pathlib import Path

import pytest
from click.testing import CliRunner

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def inventory():
    place = Path(__file__).with_name("inventory.py")
    spec = importlib.util.spec_from_file_location("inventory", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_every_locked_package_has_a_hash(inventory):
    packages = inventory.locked()
    assert {"numpy", "pandas", "click"} <= {p["name"] for p in packages}
    assert [p["name"] for p in packages if not p["hashes"]] == []


def test_the_bill_names_every_package_and_no_host(inventory):
    bill = inventory.bill()
    assert [c["name"] for c in bill["components"]] == [p["name"] for p in inventory.locked()]
    assert bill["bomFormat"] == "CycloneDX"
    assert "://" not in str([c["purl"] for c in bill["components"]])


def test_the_page_of_licences_is_that_of_the_lock(inventory):
    page = (ROOT / "docs" / "licences.md").read_text("utf-8")
    for package in inventory.locked():
        assert f"| {package['name']} | {package['version']} |" in page, "run make audit"
    assert inventory.licence_of("click") == "BSD-3-Clause"
    assert inventory.licence_of("no-such-package-here") == "not installed on this system"


def test_a_missing_tool_is_said(inventory, monkeypatch):
    monkeypatch.setattr(inventory.shutil, "which", lambda *_, **__: None)
    done = CliRunner().invoke(inventory.main, ["audit"])
    assert done.exit_code == 0
    assert "audit skipped: pip-audit is not installed" in done.output
