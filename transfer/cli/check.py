"""``transfer check``: every problem of all record files in one table; nothing is written."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

__all__ = ["command"]

_SHOWN = ("severity", "file", "sheet", "row", "column", "value", "rule", "next_step")


@click.command("check")
@shared_options("records", "json")
@click.pass_context
def command(context: click.Context, **given: Any) -> None:
    """Check the record files and list every problem of all of them.

    Exit code 2 when there is an error; warnings and notes alone pass.
    """
    import pandas as pd

    from transfer.errors import RecordsError
    from transfer.terminal.inputs import read_inputs
    from transfer.terminal.options import resolve
    from transfer.terminal.runs import changed_since_last_run, open_run
    from transfer.terminal.screen import notice

    request = resolve(given, needs=())
    try:
        records = read_inputs(request)
    except RecordsError as error:
        if request.as_json:
            echo_json({"passed": False, **error.to_dict()})
        else:
            click.echo(error.message)
            show_problems(pd.DataFrame(list(error.problems)))
            click.echo(error.next_step)
        context.exit(error.exit_code)
    for sentence in changed_since_last_run(request, open_run(request)):
        notice(sentence)
    if request.as_json:
        echo_json({"passed": True, **records.to_dict()})
        return
    show_problems(records.quality)
    click.echo(f"No errors. {records.text}")


def show_problems(problems: Any) -> None:
    """Print problems one row each, without columns in which nothing stands."""
    from transfer.terminal.screen import print_table

    if len(problems):
        problems = problems.astype({"row": "Int64"})  # a gap would turn row numbers into reals
        shown = [c for c in _SHOWN if c in problems and problems[c].astype(str).str.len().any()]
        print_table(problems, shown)
        click.echo()
