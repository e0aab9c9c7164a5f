"""``transfer cite``: how to name this program in a report or a paper."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json

__all__ = ["citation", "command"]

_AUTHOR = "The transfer maintainers"
_TITLE = "transfer: does practice shooting show up in games?"
#: Year of the version in ``pyproject.toml``; changed together with it.
_YEAR = 2026
#: What a reader needs to get the same answer again; see `transfer.provenance.Provenance`.
_BESIDE = (
    "Give the version, the seed and the data hash of your run beside it; they stand in the "
    "manifest.json of the run folder and on the last page of a report."
)


def citation() -> dict[str, Any]:
    """Return the citation as plain text, BibTeX and Citation File Format 1.2.0.

    Returns
    -------
    dict
        ``text``, ``bibtex``, ``cff``, ``version`` and ``beside`` (what to give with it).
    """
    from importlib.metadata import version

    number = version("practice-transfer")
    bibtex = "\n".join(
        [
            "@software{transfer,",
            f"  author  = {{{{{_AUTHOR}}}}},",
            f"  title   = {{{{{_TITLE}}}}},",
            f"  year    = {{{_YEAR}}},",
            f"  version = {{{number}}},",
            "}",
        ]
    )
    cff = "\n".join(
        [
            "cff-version: 1.2.0",
            "message: If you use this software, please cite it as below.",
            "type: software",
            f'title: "{_TITLE}"',
            "authors:",
            f'  - name: "{_AUTHOR}"',
            f'version: "{number}"',
            "license: MIT",
            "",
        ]
    )
    return {
        "text": f"{_AUTHOR} ({_YEAR}). {_TITLE} Version {number}.",
        "bibtex": bibtex,
        "cff": cff,
        "version": number,
        "beside": _BESIDE,
    }


@click.command()
@click.option("--bibtex", "only", flag_value="bibtex", help="BibTeX alone.")
@click.option("--cff", "only", flag_value="cff", help="Citation File Format alone.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def command(only: str | None, as_json: bool) -> None:
    """Say how to name this program in a report or a paper."""
    found = citation()
    if as_json:
        echo_json(found, "citation")
    elif only:
        click.echo(found[only].rstrip("\n"))
    else:
        click.echo(f"{found['text']}\n\n{found['bibtex']}\n\n{found['beside']}")
