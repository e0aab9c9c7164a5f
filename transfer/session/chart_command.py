"""``transfer chart``: pages to chart any drill on by tap, and the rows that came of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from transfer.terminal.frame import echo_json

__all__ = ["command"]

_FILE = click.Path(path_type=Path)


@click.group("chart")
def command() -> None:
    """Chart practice by tap on a phone or tablet, and merge what was charted."""


@command.command("pages")
@click.option("--drills", type=_FILE, required=True, help="The program's own list of drills.")
@click.option(
    "--drill", "names", multiple=True, metavar="NAME",
    help="Drill to chart, in the order of the work; may be repeated.  [default: all]",
)  # fmt: skip
@click.option("--players", metavar="N|CODES", help="A number, or codes with commas: P01,P02,P03.")
@click.option("--roster", type=_FILE, help="Roster file with a player column, instead.")
@click.option("--program", help="Program of the roster and of the rows.")
@click.option("--baskets", type=int, default=1, show_default=True, help="Baskets, a page each.")
@click.option("--minutes", type=float, required=True, help="Minutes of a drill.")
@click.option("--out", type=_FILE, required=True, help="Folder for the pages.")
@click.option("--date", metavar="DAY", help="Day of the rows.  [default: today]")
@click.option("--session", "session_label", default="1", show_default=True, help="Its label.")
@click.option("--season", default="", help="Season of the rows.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def pages(**given: Any) -> None:
    """Write a page for every basket, for drills of your own and without a planned session."""
    from transfer.files import write_text
    from transfer.page.stamp import stamp_line
    from transfer.session.command import day_or_today, players_of
    from transfer.session.drills import named_drills, read_drills
    from transfer.session.tap_chart import drill_pages

    day = day_or_today(given["date"])
    program = given["program"] or ""
    drills = named_drills(read_drills(given["drills"], given["program"]), given["names"])
    made = drill_pages(
        drills, players_of(given), given["baskets"], given["minutes"], day,
        given["session_label"], program, given["season"], stamp_line([program], [given["season"]]),
    )  # fmt: skip
    written = [write_text(given["out"] / name, page) for name, page in made.items()]
    if given["as_json"]:
        told = {"drills": [d.name for d in drills], "files": [p.name for p in written]}
        echo_json(told, "chart_pages")
        return
    for path in written:
        click.echo(f"Kept: {path}")


@command.command("merge")
@click.argument("files", nargs=-1, required=True, type=_FILE)
@click.option("--out", type=_FILE, help="File for the merged rows of the practice table.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def merge(files: tuple[Path, ...], out: Path | None, as_json: bool) -> None:
    """Merge FILES of several baskets without doubling; two charters of a basket give a kappa."""
    import textwrap

    from transfer.records.exports import write_csv
    from transfer.session.tapped import merge_taps

    merged = merge_taps(files)
    written = None if out is None else write_csv(merged.rows, out)
    if as_json:
        echo_json({**merged.to_dict(), "file": None if written is None else written.name},
                  "chart")  # fmt: skip
        return
    click.echo(textwrap.fill(merged.text, 96))
    if written is not None:
        click.echo(f"Kept: {written}")
