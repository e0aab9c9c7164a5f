"""``transfer cells``: many large files counted into cells, week by week."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from transfer.terminal.frame import echo_json

__all__ = ["command"]

_FILE = click.Path(path_type=Path)


@click.command("cells")
@click.option("--practice", type=_FILE, multiple=True, help="A file of practice; may repeat.")
@click.option("--games", type=_FILE, multiple=True, help="A file of games; may repeat.")
@click.option("--drills", type=_FILE, help="Drills, whose defaults fill blanks of practice.")
@click.option(
    "--settings", default="mode,contest", show_default=True, metavar="COLUMNS",
    help="What splits practice into settings.",
)  # fmt: skip
@click.option("--cache", type=_FILE, help="Folder of counted files; only new ones are read again.")
@click.option("--out", type=_FILE, help="Write the cells to this CSV file.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def command(
    practice: tuple[Path, ...],
    games: tuple[Path, ...],
    drills: Path | None,
    settings: str,
    cache: Path | None,
    out: Path | None,
    as_json: bool,
) -> None:
    """Count Parquet or CSV files too large for memory into attempts and makes.

    A folder stands for all its .parquet and .csv files. Some checks of `transfer check` are not
    made in this way of reading; the text says which.
    """
    from transfer.files import write_text
    from transfer.records.bulk import bulk_cells
    from transfer.records.exports import csv_text

    found = bulk_cells(_files(practice), _files(games), settings, drills=drills, cache=cache)
    if out is not None:
        write_text(out, csv_text(found.cells.table.astype(object)))
    if as_json:
        echo_json(found.to_dict())
        return
    click.echo(found.text)
    if out is not None:
        click.echo(f"Kept: {out}")


def _files(named: tuple[Path, ...]) -> list[Any]:
    """Replace folders by their files, in the order of names."""
    return [
        file
        for path in named
        for file in (
            sorted(f for f in path.iterdir() if f.suffix.lower() in (".parquet", ".pq", ".csv"))
            if path.is_dir()
            else [path]
        )
    ]
