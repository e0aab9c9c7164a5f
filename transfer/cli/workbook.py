"""``transfer workbook``: an Excel file to chart into, its way back, and a sheet for the pencil."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["command"]

_FILE = click.Path(path_type=Path, dir_okay=False)
_FOLDER = click.Path(path_type=Path, file_okay=False)
_json = click.option("--json", "as_json", is_flag=True, help="Print one JSON object, not text.")


@click.group(name="workbook")
def command() -> None:
    """Chart in an Excel workbook or by hand, and read the workbook back."""


@command.command("new")
@click.argument("file", type=_FILE)
@click.option("--rows", default=500, show_default=True, help="Rows with dropdowns, per sheet.")
@click.option(
    "--form",
    type=click.Choice(["counts", "attempts"]),
    default="counts",
    show_default=True,
    help="Rows of counts, or one row per attempt.",
)
@click.option("--roster", type=_FILE, help="Roster that shall stand in the workbook already.")
@click.option("--drills", type=_FILE, help="Drills that shall stand in the workbook already.")
@click.option("--replace", is_flag=True, help="Write over FILE.")
@_json
def new_command(
    file: Path,
    rows: int,
    form: Any,
    roster: Path | None,
    drills: Path | None,
    replace: bool,
    as_json: bool,
) -> None:
    """Make FILE.xlsx: sheets practice, games, roster, drills and definitions."""
    from transfer.files import write_bytes
    from transfer.records.workbook_new import new_workbook
    from transfer.records.workbook_read import read_charted

    _demand_ending(file, ".xlsx")
    _keep_existing(file, replace)
    given = {"roster": roster, "drills": drills}
    filled = {name: read_charted(path, name) for name, path in given.items() if path is not None}
    write_bytes(file, new_workbook(rows, form, filled))
    if as_json:
        echo_json(
            {"file": str(file), "rows": rows, "form": form, "filled": list(filled)}, "workbook"
        )
        return
    click.echo(f"Made {file}. Fill it in, then: transfer workbook read {file} --out DIR")


@command.command("read")
@click.argument("file", type=_FILE)
@click.option("--out", required=True, type=_FOLDER, help="Folder for practice.csv and so on.")
@click.option("--replace", is_flag=True, help="Write over record files that hold other rows.")
@_json
def read_command(file: Path, out: Path, replace: bool, as_json: bool) -> None:
    """Check FILE.xlsx as any record file, then write one CSV per filled sheet to --out.

    Nothing is written when the checks find an error.
    """
    from transfer.cli.check import show_problems
    from transfer.records.season import find_season, read_season
    from transfer.records.workbook_read import read_workbook, write_tables

    folder = find_season(out)
    season = None if folder is None else read_season(folder)
    limits: dict[str, Any] = (
        {} if season is None else {"season_end": season.season_end, "rule_body": season.rule_body}
    )
    found = read_workbook(file, **limits)
    written = write_tables(found.sheets, out, replace=replace)
    if as_json:
        echo_json({"written": [path.name for path in written], **found.to_dict()}, "workbook_rows")
        return
    show_problems(problem.to_dict() for problem in found.records.problems)
    click.echo(found.text)
    click.echo(f"Wrote {', '.join(path.name for path in written)} to {out}.")


@command.command("sheet")
@click.option("--out", required=True, type=_FILE, help="FILE.pdf, or FILE.html to print.")
@click.option("--title", default="Practice chart", show_default=True, help="Heading.")
@click.option("--columns", metavar="NAMES", help="Optional columns to chart.  [default: all]")
@click.option("--lines", type=int, help="Rows on the sheet.  [default: one page]")
@click.option("--paper", default="a4", show_default=True, help="a4 or letter.")
@click.option("--rows", "planned", type=_FILE, help="Practice rows known already, as CSV or Excel.")
@_json
def sheet_command(
    out: Path,
    title: str,
    columns: str | None,
    lines: int | None,
    paper: str,
    planned: Path | None,
    as_json: bool,
) -> None:
    """Make the courtside sheet: one landscape page to chart on with a pencil."""
    from transfer.files import write_bytes
    from transfer.page.pdf import page_pdf
    from transfer.session.courtside_sheet import chart_sheet_html

    _demand_ending(out, ".pdf", ".html")
    wanted = [name.strip() for name in (columns or "").split(",") if name.strip()]
    html = chart_sheet_html(
        _planned(planned), title=title, columns=wanted, lines=lines, paper=paper
    )
    as_pdf = out.suffix.lower() == ".pdf"
    write_bytes(out, page_pdf(html) if as_pdf else html.encode("utf-8"))
    if as_json:
        echo_json({"file": str(out), "paper": paper}, "sheet")
        return
    click.echo(f"Made {out}. Print it in landscape at full size.")


def _planned(path: Path | None) -> pd.DataFrame | None:
    from transfer.records.workbook_read import read_charted

    return None if path is None else read_charted(path, "practice")


def _demand_ending(file: Path, *endings: str) -> None:
    from transfer.errors import ArgumentError

    if file.suffix.lower() not in endings:
        raise ArgumentError(
            f"{file.name} does not end in {' or '.join(endings)}",
            rule="the ending says what kind of file is made",
            next_step=f"name it {file.stem}{endings[0]}",
        )


def _keep_existing(file: Path, replace: bool) -> None:
    from transfer.errors import StorageError

    if file.exists() and not replace:
        raise StorageError(
            f"{file} exists already",
            rule="a workbook may hold charted rows, so it is not overwritten unless asked for",
            next_step="name another file, or pass --replace",
        )
