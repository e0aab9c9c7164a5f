"""``transfer check``: every problem of all record files in one table; nothing is written."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

__all__ = ["command"]


@click.command("check")
@shared_options("records", "json")
@click.pass_context
def command(context: click.Context, **given: Any) -> None:
    """Check the record files and tell every cause of a problem in all of them.

    A cause has one line: its first rows, how many more there are, and what to do. With --json each
    problem stands by itself as well. Exit code 2 when there is an error; warnings and notes alone
    pass.
    """
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
            echo_json(
                {"passed": False, **error.to_dict(), "causes": _causes(error.problems)}, "check"
            )
        else:
            click.echo(error.message)
            show_problems(error.problems)
            click.echo(error.next_step)
        context.exit(error.exit_code)
    for sentence in changed_since_last_run(request, open_run(request)):
        notice(sentence)
    if request.as_json:
        told = records.to_dict()
        echo_json({"passed": True, **told, "causes": _causes(told["problems"])}, "check")
        return
    show_problems(records.to_dict()["problems"])
    click.echo(f"No errors. {records.text}")


def _causes(problems: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    from transfer.records.causes import by_cause
    from transfer.records.problems import Problem

    return by_cause(Problem(**problem) for problem in problems)


def show_problems(problems: Iterable[Mapping[str, Any]]) -> None:
    """Print one line for each cause, without columns in which nothing stands."""
    import pandas as pd

    from transfer.records.causes import cause_lines
    from transfer.terminal.screen import print_table

    lines = pd.DataFrame(cause_lines(problems))
    if len(lines):
        print_table(lines, [str(name) for name in lines if lines[name].ne("").any()])
        click.echo()
