"""The command line. Commands load on use, so that ``transfer --help`` stays quick."""

from __future__ import annotations

import importlib
from typing import Any

import click

from transfer.terminal.frame import run_guarded

__all__ = ["main"]

#: Command name -> (module that holds ``command``, one line for ``--help``).
COMMANDS: dict[str, tuple[str, str]] = {
    "init": ("transfer.cli.init", "Make a season folder: settings and empty record files."),
    "add": ("transfer.cli.add", "Add files in your own layout to the season's records."),
    "workbook": ("transfer.cli.workbook", "An Excel workbook or printed sheet to chart into."),
    "pseudonymise": (
        "transfer.cli.pseudonymise",
        "Record files with random codes; the key is kept elsewhere.",
    ),
    "check": ("transfer.cli.check", "List every problem of all record files."),
    "rates": ("transfer.cli.rates", "Raw and shrunken make rates by player and setting."),
    "fit": ("transfer.cli.fit", "Fit the transfer model and keep the draws."),
    "compare": (
        "transfer.reading.command",
        "What practice numbers tell about games, live against rep.",
    ),
    "programs": (
        "transfer.reading.command_programs",
        "The pooled reading without each program in turn.",
    ),
    "forecast": (
        "transfer.forecast.command",
        "Game make rates to expect, and scores of forecasts.",
    ),
    "report": ("transfer.cli.report", "Write the whole reading as one page to print."),
    "demo": ("transfer.cli.demo", "Run the main job on invented demo data."),
    "trial": ("transfer.trial.command", "Plan a practice trial, price a design, read its result."),
    "mix": (
        "transfer.mix.command",
        "Weekly minutes of rep and live work, or why to run the trial.",
    ),
    "session": ("transfer.session.command", "The next session on one page, with its chart sheet."),
    "chart": ("transfer.session.chart_command", "Chart by tap: pages, and the rows of baskets."),
    "verify": ("transfer.cli.verify", "Whether a run's inputs and outputs are as they were."),
    "share": ("transfer.cli.share", "A bundle with aggregates only, small groups hidden."),
    "cite": ("transfer.cli.cite", "How to name this program in a report or a paper."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported only when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the work, not of the alphabet."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's module and return its ``command``."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(COMMANDS[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands from the registry, without importing them."""
        rows = [(name, line) for name, (_, line) in COMMANDS.items()]
        if rows:
            with formatter.section("Commands"):
                formatter.write_dl(rows)


#: Below the list of commands; a test runs what it names.
COMPLETION = (
    'Tab completion: eval "$(_TRANSFER_COMPLETE=bash_source transfer)" in ~/.bashrc; zsh_source in '
    "~/.zshrc; for fish: _TRANSFER_COMPLETE=fish_source transfer | source. Colour and moving "
    "progress stop with NO_COLOR=1; nothing but results is printed into a pipe."
)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=COMPLETION,
)
@click.version_option(package_name="practice-transfer", prog_name="transfer")
def group() -> None:
    """Tell whether practice shooting shows up in games, and how sure that is."""


def main(arguments: list[str] | None = None) -> Any:
    """Run the command line and exit with the code of the error tree.

    Parameters
    ----------
    arguments : list of str, optional
        Words of the command line; the process's own when omitted.
    """
    return run_guarded(group, arguments)
