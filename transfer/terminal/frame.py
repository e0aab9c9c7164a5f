"""What all commands share: errors to exit codes, JSON beside tables, quiet progress."""

from __future__ import annotations

import contextlib
import json
import os
import sys
from typing import Any

import click

from transfer.errors import RecordsError, StorageError, TransferError

__all__ = ["echo_json", "run_guarded"]


def echo_json(value: Any) -> None:
    """Print one JSON object on standard output, keys in their given order."""
    from transfer.results import plain

    click.echo(json.dumps(plain(value), indent=2, ensure_ascii=False, allow_nan=False))


def report_error(error: TransferError, as_json: bool) -> None:
    """Write an error for a person on standard error, or as JSON on standard output."""
    if as_json:
        echo_json(error.to_dict())
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
