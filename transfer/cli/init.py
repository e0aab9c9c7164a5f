"""``transfer init``: make a season folder."""

from __future__ import annotations

from pathlib import Path

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import SEED

__all__ = ["command"]


@click.command("init")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--level", default="men_college", show_default=True, help="Level of play.")
@click.option("--rule-body", default="NFHS", show_default=True, help="Rule body of the court.")
@click.option("--seed", type=SEED, default=1, show_default=True, help="Seed of the season.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def command(folder: Path, level: str, rule_body: str, seed: int, as_json: bool) -> None:
    """Make a season folder: settings with remarks, empty record files, and their columns explained.

    Inside it, every command runs without options and keeps its results below runs/.
    """
    from transfer.records.season import start_season

    written = start_season(folder, level=level, rule_body=rule_body, seed=seed)
    if as_json:
        echo_json({"folder": str(folder), "written": [path.name for path in written]}, "init")
        return
    click.echo(f"Made {folder} with {', '.join(path.name for path in written)}.")
    click.echo("Fill the record files (columns.md explains them; delete what you do not chart),")
    click.echo("then: transfer check")
