"""What all commands share: errors to exit codes, JSON beside tables, quiet progress."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from typing import Any

import click

from transfer.errors import RecordsError, StorageError, TransferError

__all__ = ["OUTPUTS", "echo_json", "json_text", "run_guarded"]

#: Name of every JSON object that a command prints or keeps -> version of its schema. The version
#: rises when a key goes or changes its type or meaning; a new key does not raise it.
OUTPUTS = {
    "add": 1,
    "assurance": 1,
    "chart": 1,
    "chart_pages": 1,
    "check": 1,
    "citation": 1,
    "compare": 1,
    "demo": 1,
    "design": 1,
    "error": 1,
    "fit": 1,
    "forecast": 1,
    "init": 1,
    "mix": 1,
    "plan": 1,
    "programs": 1,
    "pseudonyms": 1,
    "rates": 1,
    "report": 1,
    "reports": 1,
    "session": 2,
    "share": 1,
    "sheet": 1,
    "trial": 1,
    "verify": 1,
    "workbook": 1,
    "workbook_rows": 1,
}


def json_text(value: Any, output: str) -> str:
    """A result as the text of one JSON object that names its schema first.

    Parameters
    ----------
    value : object
        Mapping, or a result with ``to_dict``.
    output : str
        One of `OUTPUTS`.

    Returns
    -------
    str
        Keys in their given order, ends with a line break.
    """
    from transfer.results import plain

    told = {"schema": {"name": output, "version": OUTPUTS[output]}, **plain(value)}
    return json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def echo_json(value: Any, output: str) -> None:
    """Print a result as `json_text` on standard output."""
    click.echo(json_text(value, output), nl=False)


def report_error(error: TransferError, as_json: bool) -> None:
    """Write an error for a person on standard error, or as JSON on standard output."""
    if as_json:
        echo_json(error, "error")
        return
    click.echo(f"transfer: {error}", err=True)
    if isinstance(error, RecordsError):
        from transfer.records.causes import cause_lines
        from transfer.terminal.screen import visible

        for line in cause_lines(error.problems):
            rows = "row" if line["rows"].isdigit() else "rows"
            labels = {"file": "file", "sheet": "sheet", "rows": rows, "column": "column"}
            place = ", ".join(f"{labels[key]} {line[key]}" for key in labels if line[key])
            value = f"value {line['value']} - " if line["value"] else ""
            told = visible(f"{place}: {value}{line['rule']}; {line['next_step']}")
            click.echo(f"  {told}", err=True)


def run_guarded(group: click.Group, arguments: list[str] | None) -> Any:
    """Run the group; turn the package's own errors into their exit codes.

    Parameters
    ----------
    group : click.Group
        The command line.
    arguments : list of str or None
        Words after the program's name.
    """
    words = sys.argv[1:] if arguments is None else list(arguments)
    try:
        outcome = group.main(args=words, prog_name="transfer", standalone_mode=False)
    except TransferError as error:
        report_error(error, "--json" in words)
        sys.exit(error.exit_code)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except BrokenPipeError:
        # The reader (a pager, head) went away.
        _silence()
        sys.exit(1)
    except OSError as error:
        # What the commands write is guarded; this is standard output, or a machine that fails.
        report_error(
            StorageError(
                f"output could not be written: {error.strerror or error}",
                rule="standard output can be written, and files can be read",
                next_step="free disk space, or send the output elsewhere",
            ),
            False,
        )
        _silence()
        sys.exit(StorageError.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("transfer: stopped; nothing half-made was left behind", err=True)
        sys.exit(130)
    sys.exit(outcome if isinstance(outcome, int) else 0)


def _silence() -> None:
    """Send what is still to be printed nowhere, so that closing is quiet."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
