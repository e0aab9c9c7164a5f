"""``transfer add``: files in an owner's own layout into the season folder's record files."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

if TYPE_CHECKING:
    from transfer.records.adding.steps import Plan, Proposed
    from transfer.records.season import SeasonConfig

__all__ = ["command"]


@click.command("add")
@click.argument("files", nargs=-1, type=click.Path(path_type=Path), metavar="FILE...")
@click.option("--mapping", type=click.Path(path_type=Path), help="Read FILE by this mapping.")
@click.option("--dry-run", is_flag=True, help="Say what would happen and write nothing.")
@click.option("--undo", is_flag=True, help="Take the last addition back.")
@shared_options("json")
def command(
    files: tuple[Path, ...], mapping: Path | None, dry_run: bool, undo: bool, as_json: bool
) -> None:
    """Add CSV, Excel or Parquet files in your own layout to the season's records.

    The first file of a layout gets a mapping, a commented file in mappings/ that says which header
    is what; later files are read by it. Where something cannot be told, the line to fill in is
    named and nothing is added. The same file twice adds nothing. Without FILE, what was added is
    listed.
    """
    from transfer.errors import ArgumentError
    from transfer.records.adding.ledger import additions, take_back
    from transfer.records.adding.steps import mapping_for, recover

    season = _season()
    if undo and (files or mapping or dry_run):
        raise ArgumentError(
            "--undo stands alone",
            rule="it takes back the last addition, whole",
            next_step="run: transfer add --undo",
        )
    told: list[str] = []
    interrupted = None if dry_run else recover(season)
    if interrupted is not None:
        told.append(f"The addition of {interrupted.file} was interrupted; it was taken back.")
    if undo:
        last = take_back(season)
        told.append(
            "Nothing was added yet."
            if last is None
            else f"Took back addition {last.number}, {last.file}: {last.added:,} rows out of "
            f"{last.table}."
        )
        _tell(told, [], as_json)
        return
    if not files:
        told += [
            f"{entry.number}. {entry.day} {entry.file}: {entry.added:,} rows to {entry.table}"
            for entry in additions(season)
        ]
        _tell(told or ["Nothing was added yet."], [], as_json)
        return
    found: list[Proposed] = []
    for path in files:
        found.append(mapping_for(season, path, mapping, [p for p in found if p.new]))
    told += _keep_mappings(found, dry_run)
    _add(season, found, told, dry_run, as_json)


def _keep_mappings(found: list[Proposed], dry_run: bool) -> list[str]:
    """Write proposed mappings, or show them."""
    from transfer.files import write_text

    told = []
    for proposed in found:
        if not proposed.new:
            continue
        name = f"mappings/{proposed.path.name}"
        if dry_run:
            told.append(f"Would write {name}:\n\n{proposed.text}")
        else:
            write_text(proposed.path, proposed.text)
            told.append(f"Wrote {name}, the mapping of this layout; look it over once.")
    return told


def _add(
    season: SeasonConfig, found: list[Proposed], told: list[str], dry_run: bool, as_json: bool
) -> None:
    """Convert, check and add every file, or none of them."""
    from transfer.errors import TransferError
    from transfer.records.adding.ledger import take_back
    from transfer.records.adding.mapping import read_mapping
    from transfer.records.adding.steps import commit, plan_file

    plans: list[Plan] = []
    try:
        mappings = [read_mapping(proposed.path, proposed.text) for proposed in found]
        for proposed, mapping in zip(found, mappings, strict=True):
            plan = plan_file(season, proposed.source, mapping)
            if not dry_run:
                commit(season, plan)
            plans.append(plan)
    except TransferError:
        for plan in plans:
            if plan.tables and not dry_run:
                take_back(season)
        if not as_json:
            _tell(told, [], as_json)
        raise
    _tell(told, plans, as_json, dry_run=dry_run)


def _tell(told: list[str], plans: list[Plan], as_json: bool, *, dry_run: bool = False) -> None:
    if as_json:
        files = [plan.to_dict() for plan in plans]
        echo_json({"dry_run": dry_run, "told": told, "files": files}, "add")
        return
    for line in told:
        click.echo(line)
    for plan in plans:
        click.echo(("Would be so: " if dry_run and plan.tables else "") + plan.text)
        for note in plan.notes:
            click.echo(f"  {note}")
    questions = list(dict.fromkeys(q for plan in plans for q in plan.questions))
    if questions:
        click.echo("\nDrills met for the first time; answer in drills.csv, one line a drill:")
        for question in questions:
            click.echo(f"  {question}")
    if any(plan.tables for plan in plans) and not dry_run:
        click.echo("\nNext: transfer check. Back to before: transfer add --undo")


def _season() -> SeasonConfig:
    from transfer.errors import ArgumentError
    from transfer.records.season import find_season, read_season

    folder = find_season()
    if folder is None:
        raise ArgumentError(
            "there is no season folder here",
            rule="transfer add runs inside a season folder",
            next_step="make one with: transfer init DIR, and go into it",
        )
    return read_season(folder)
