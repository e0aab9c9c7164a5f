"""``transfer trial``: plan a practice trial, price a design, read the result."""

from __future__ import annotations

import click

from transfer.trial import command_analyse as trial_analyse
from transfer.trial import command_design as trial_design
from transfer.trial import command_plan as trial_plan
from transfer.trial import command_register as trial_register

__all__ = ["command"]


@click.group(name="trial")
def command() -> None:
    """Plan a practice trial by lot, see what a design can tell, and read its result."""


command.add_command(trial_plan.command)
command.add_command(trial_register.command)
command.add_command(trial_design.design_command)
command.add_command(trial_design.assurance_command)
command.add_command(trial_analyse.command)
