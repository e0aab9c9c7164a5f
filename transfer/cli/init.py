"""``transfer init``: make a season folder."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from transfer.records.settings import SETTINGS
from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

__all__ = ["command"]


@click.command("init")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@shared_options(*SETTINGS, "json")
def command(folder: Path, as_json: bool, **given: Any) -> None:
    """Make a season folder: settings with remarks, empty record files, and their columns explained.

    Inside it, every command runs without options and keeps its results below runs/.
    """
    from transfer.records.season import start_season
    from transfer.records.settings import read_settings

    written = start_season(folder, **read_settings(given, "option"))
    if as_json:
        echo_json({"folder": str(folder), "written": [path.name for path in written]}, "init")
        return
    click.echo(f"Made {folder} with {', '.join(path.name for path in written)}.")
    click.echo("Fill the record files (columns.md explains them; delete what you do not chart),")
    click.echo("then: transfer check")
