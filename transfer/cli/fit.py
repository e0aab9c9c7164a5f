"""``transfer fit``: fit the transfer model and keep the draws."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

__all__ = ["command"]


@click.command("fit")
@shared_options("records", "fit", "out", "json")
def command(**given: Any) -> None:
    """Fit the transfer model and save it with a manifest of what made it.

    The other commands fit by themselves when needed; they use the saved fit when it is of the
    same records and options.
    """
    from transfer.errors import ArgumentError
    from transfer.terminal.inputs import open_study
    from transfer.terminal.runs import FIT_FILE

    study = open_study(given, needs=("games",))
    folder = study.run.folder
    if folder is None:
        raise ArgumentError(
            "there is no place to keep the fit: --out is missing",
            rule="a fit is kept in --out, or below runs/ in a season folder",
            next_step="add --out DIR",
        )
    posterior = study.fit()
    if posterior.settings:
        study.fit("verdict")
    diagnostics = posterior.diagnostics
    if study.request.as_json:
        echo_json(
            {
                "fit": str(folder / FIT_FILE),
                "players": len(posterior.units),
                "settings": list(posterior.settings),
                "draws": posterior.draws,
                "diagnostics": diagnostics.to_dict(),
                "provenance": posterior.provenance.to_dict(),
            },
            "fit",
        )
        return
    click.echo(posterior.text)
    click.echo(f"Saved: {folder / FIT_FILE}")
