"""What the package is made of: a bill of materials, a list of licences, and known weaknesses.

    python tests/supply/inventory.py sbom sbom.cdx.json
    python tests/supply/inventory.py licences docs/licences.md
    python tests/supply/inventory.py audit

Names and versions come from ``requirements.lock``, licences from the metadata of what is installed.
"""

from __future__ import annotations

import importlib.metadata as metadata
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import click

from transfer.files import write_text

ROOT = Path(__file__).resolve().parents[2]
LOCK = ROOT / "requirements.lock"
_LOCKED = re.compile(r"^([A-Za-z0-9._-]+)==([^ ;\\]+)", re.M)
_HASH = re.compile(r"--hash=sha256:([0-9a-f]{64})")
#: What pip-audit says when nobody answers.
_OFFLINE = re.compile(r"connection|timed? ?out|resolve|unreachable|proxy", re.I)


def locked() -> list[dict[str, Any]]:
    """Name, version and hashes of every locked package."""
    text = LOCK.read_text("utf-8")
    starts = list(_LOCKED.finditer(text))
    ends = [m.start() for m in starts[1:]] + [len(text)]
    return [
        {"name": m[1], "version": m[2], "hashes": _HASH.findall(text[m.start() : end])}
        for m, end in zip(starts, ends, strict=True)
    ]


def licence_of(name: str) -> str:
    """Licence that a package states, or that it is not installed here."""
    try:
        stated = metadata.metadata(name)
    except metadata.PackageNotFoundError:
        return "not installed on this system"
    if stated.get("License-Expression"):
        return str(stated["License-Expression"])
    classes = [
        c.rsplit(" :: ", 1)[1]
        for c in stated.get_all("Classifier", [])
        if c.startswith("License :: ") and not c.endswith("OSI Approved")
    ]
    if classes:
        return ", ".join(classes)
    first = str(stated.get("License") or "").strip().splitlines()
    return first[0][:80] if first and first[0] else "not stated"


def bill() -> dict[str, Any]:
    """CycloneDX 1.5 bill of materials (published standard; fields from memory)."""
    return {
        "bomFormat": "CycloneDX",
        "specVersion": "1.5",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "name": "practice-transfer",
                "version": metadata.version("practice-transfer"),
            }
        },
        "components": [
            {
                "type": "library",
                "name": p["name"],
                "version": p["version"],
                "purl": f"pkg:pypi/{p['name']}@{p['version']}",
                "hashes": [{"alg": "SHA-256", "content": h} for h in p["hashes"]],
                "licenses": [{"license": {"name": licence_of(p["name"])}}],
            }
            for p in locked()
        ],
    }


def licences() -> str:
    """The page of licences."""
    rows = [f"| {p['name']} | {p['version']} | {licence_of(p['name'])} |" for p in locked()]
    head = [
        "# Licences of the packages used",
        "",
        "Every package of `requirements.lock`, optional ones included, with the licence that it "
        "states. Made by `make audit`. A package for another system is not installed here, so its "
        "licence is not known here.",
        "",
        "| package | version | licence |",
        "|---|---|---|",
    ]
    return "\n".join([*head, *(r.replace("\n", " ") for r in rows)]) + "\n"


@click.group()
def main() -> None:
    """Bill of materials, licences, known weaknesses."""


@main.command()
@click.argument("out", type=click.Path(path_type=Path))
def sbom(out: Path) -> None:
    """Write the bill of materials."""
    write_text(out, json.dumps(bill(), indent=2) + "\n")
    click.echo(f"{len(locked())} packages: {out}")


@main.command("licences")
@click.argument("out", type=click.Path(path_type=Path))
def licences_command(out: Path) -> None:
    """Write the page of licences."""
    write_text(out, licences())
    click.echo(f"{len(locked())} packages: {out}")


def judge(found: dict[str, Any]) -> tuple[str, int]:
    """What pip-audit's JSON says, in words, and the exit status.

    A package that no list knows is not a package without weaknesses: such a list (a mirror of the
    registry without it, say) makes pip-audit end well, so the packages looked up are counted.
    """
    packages = found["dependencies"]
    unknown = [p["name"] for p in packages if "skip_reason" in p]
    weak = [p for p in packages if p.get("vulns")]
    looked_up = len(packages) - len(unknown)
    if not looked_up:
        return (
            f"audit skipped: no list of known weaknesses answered for any of {len(packages)} "
            "packages (offline, or a mirror without the list), so nothing is known about them",
            0,
        )
    lines = [
        f"audit: {looked_up} of {len(packages)} packages looked up, {len(weak)} with weaknesses"
    ]
    if unknown:
        lines.append(f"not looked up: {', '.join(unknown)}")
    for package in weak:
        for one in package["vulns"]:
            fixed = ", ".join(one["fix_versions"]) or "none yet"
            lines.append(f"{package['name']} {package['version']}: {one['id']}, mended in {fixed}")
    return "\n".join(lines), int(bool(weak))


@main.command()
def audit() -> None:
    """Look the locked packages up among known weaknesses; skipped, with a word, when offline."""
    tool = shutil.which("pip-audit", path=str(Path(sys.executable).parent))
    if tool is None:
        click.echo("audit skipped: pip-audit is not installed (pip install pip-audit)")
        return
    words = [tool, "--requirement", str(LOCK), "--disable-pip", "--require-hashes"]
    words += ["--format", "json", "--progress-spinner", "off"]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    try:
        told, code = judge(json.loads(done.stdout))
    except ValueError:
        if _OFFLINE.search(done.stderr):
            click.echo("audit skipped: the list of known weaknesses did not answer (offline?)")
            return
        told, code = done.stdout + done.stderr, done.returncode or 1
    click.echo(told)
    sys.exit(code)


if __name__ == "__main__":
    main()
