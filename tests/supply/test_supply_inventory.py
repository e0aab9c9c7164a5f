"""The lock is complete and hashed; bill of materials and licences cover all of it."""

from __future__ import annotations

import importlib.util
import json
import re
from pathlib import Path
from types import SimpleNamespace

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


GOOD = {"name": "a", "version": "1", "vulns": []}
WEAK = {"name": "b", "version": "2", "vulns": [{"id": "X-1", "fix_versions": ["3"]}]}
UNKNOWN = {"name": "c", "skip_reason": "Dependency not found on PyPI"}


def audited(inventory, monkeypatch, out="", err="", code=0):
    """Run the audit with a pip-audit that answers this."""
    monkeypatch.setattr(inventory.shutil, "which", lambda *_, **__: "pip-audit")
    answer = SimpleNamespace(stdout=out, stderr=err, returncode=code)
    monkeypatch.setattr(inventory.subprocess, "run", lambda *_, **__: answer)
    done = CliRunner().invoke(inventory.main, ["audit"])
    return done.exit_code, done.output


def test_offline_is_said(inventory, monkeypatch):
    err = "requests.exceptions.ConnectionError: Max retries exceeded: failed to resolve"
    code, told = audited(inventory, monkeypatch, err=err, code=1)
    assert code == 0
    assert "audit skipped" in told
    assert "offline" in told


def test_a_list_that_knows_no_package_is_not_taken_for_a_good_result(inventory, monkeypatch):
    """pip-audit itself ends with 0 there and says that no weakness is known."""
    found = json.dumps({"dependencies": [UNKNOWN, {**UNKNOWN, "name": "d"}], "fixes": []})
    code, told = audited(inventory, monkeypatch, out=found)
    assert code == 0
    assert "audit skipped" in told
    assert "any of 2 packages" in told


@pytest.mark.parametrize(("packages", "status"), [([GOOD, UNKNOWN], 0), ([GOOD, WEAK], 1)])
def test_what_was_looked_up_is_counted_and_weaknesses_fail(
    inventory, monkeypatch, packages, status
):
    code, told = audited(inventory, monkeypatch, out=json.dumps({"dependencies": packages}))
    assert code == status
    assert f"{1 + status} of 2 packages looked up" in told
    assert ("not looked up: c" in told) is (UNKNOWN in packages)
    assert ("b 2: X-1, mended in 3" in told) is (WEAK in packages)


def test_any_other_failure_of_the_tool_fails(inventory, monkeypatch):
    code, told = audited(inventory, monkeypatch, err="unexpected hash", code=0)
    assert code == 1
    assert "unexpected hash" in told


def test_the_lock_names_no_host_and_no_machine(inventory):
    text = inventory.LOCK.read_text("utf-8")
    assert not re.search(r"://|--index|--find-links|file:|/(home|root|work|tmp|Users)/", text)
    assert "pip-audit" in {p["name"] for p in inventory.locked()}, "make audit needs it"
