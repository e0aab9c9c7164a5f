"""``transfer programs``: the pooled reading without each program in turn."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

__all__ = ["command"]


@click.command("programs")
@shared_options("records", "fit", "jobs", "cluster", "out", "json")
def command(jobs: int | None, cluster: str | None, **given: Any) -> None:
    """Say how far the pooled answers move when one program is left out.

    Every program costs one more fit; they run side by side, on the cores of this machine or on a
    cluster.
    """
    from transfer.models.many import leave_programs_out
    from transfer.terminal.inputs import open_study, priors_of
    from transfer.terminal.screen import print_table

    study = open_study(given)
    found = leave_programs_out(
        study.cells,
        study.fit,
        priors_of(study.request),
        seed=study.request.seed,
        workers=jobs,
        cluster=cluster,
    )
    if study.request.as_json:
        echo_json(found, "programs")
        return
    click.echo(found.text)
    if not found.table.empty:
        click.echo()
        print_table(found.table, list(found.table.columns))
