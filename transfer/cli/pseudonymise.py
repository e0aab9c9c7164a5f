"""``transfer pseudonymise``: record files with random codes, and the key kept elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

if TYPE_CHECKING:
    from transfer.records.pseudonyms import Pseudonymised

__all__ = ["command"]


@click.command("pseudonymise")
@shared_options("records")
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder for the new files.",
)
@click.option("--new-key", type=click.Path(path_type=Path), help="Key file to make.")
@click.option("--key", type=click.Path(path_type=Path), help="Key file of an earlier run.")
@click.option("--replace", is_flag=True, help="Write over record files in --out.")
@shared_options("json")
def command(out: Path, new_key: Path | None, key: Path | None, replace: bool, **given: Any) -> None:
    """Replace codes or names of players, defenders, charters and programs by random codes.

    The key that undoes it is kept outside --out, for its owner's eyes only. With --key, people of
    earlier files keep their codes. Columns that are not known are not written.
    """
    from transfer.errors import ArgumentError
    from transfer.records.pseudonyms import RETENTION, create_key, load_key, pseudonymise, save_key
    from transfer.records.workbook_read import read_charted, refuse_other_rows, write_tables
    from transfer.terminal.options import resolve

    if (new_key is None) == (key is None):
        raise ArgumentError(
            "one of --new-key and --key is needed",
            rule="--new-key makes a key file, --key uses the one of an earlier run",
            next_step="add --new-key FILE, outside the output folder",
        )
    request = resolve(given, needs=())
    tables = {name: read_charted(path, name) for name, path in request.files.items()}
    made = pseudonymise(tables, None if key is None else load_key(key))
    refuse_other_rows(made.tables, out, replace=replace)
    # The key comes first: files whose key was lost could never be undone.
    kept = create_key(new_key, out, made.key) if new_key else save_key(str(key), out, made.key)
    written = write_tables(made.tables, out, replace=replace)
    if request.as_json:
        echo_json(
            {
                "written": [p.name for p in written],
                "key": str(kept),
                "new_codes": made.drawn,
                "free_text": made.free_text,
                "leftovers": made.leftovers,
                "note": RETENTION,
            },
            "pseudonyms",
        )
        return
    click.echo(f"Wrote {', '.join(p.name for p in written)} to {out}.")
    click.echo(f"Key: {kept}, {made.key.size} codes, {made.drawn} of them new.")
    for line in _warnings(made):
        click.echo(line)
    click.echo(RETENTION)


def _warnings(made: Pseudonymised) -> list[str]:
    lines = []
    if made.leftovers:
        lines.append(
            f"WARNING: a replaced code or name still stands in {', '.join(made.leftovers)}. "
            "Clear it there and run again."
        )
    if made.free_text:
        lines.append(
            f"Read these columns before sharing; anything may be written in them: "
            f"{', '.join(made.free_text)}."
        )
    return lines
