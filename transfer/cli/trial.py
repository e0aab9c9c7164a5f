"""``transfer trial``: plan a practice trial, price a design, read the result."""

from __future__ import annotations

import click

from transfer.cli import trial_plan

__all__ = ["command"]


@click.group(name="trial")
def command() -> None:
    """Plan a practice trial by lot, see what a design can tell, and read its result."""


command.add_command(trial_plan.command)
