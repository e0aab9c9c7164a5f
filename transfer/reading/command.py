"""``transfer compare``: what practice numbers tell about games, live against rep."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json, json_text
from transfer.terminal.options import shared_options

__all__ = ["command"]


@click.command("compare")
@shared_options("records", "fit", "rope_r2", "out", "json")
@click.option(
    "--contrast",
    type=click.Choice(["r2", "rho"]),
    default="r2",
    show_default=True,
    help="Compare live and rep by R² or by correlation.",
)
@click.option(
    "--assigned", is_flag=True,
    help="The practice mix was assigned by lot (a trial); a reading stays a comparison of players.",
)  # fmt: skip
def command(contrast: str, assigned: bool, **given: Any) -> None:
    """Read what practice numbers tell about games, live against rep.

    This compares players with each other. It does not say which work makes a player better.
    """
    import textwrap

    from transfer.terminal.inputs import open_study, priors_of

    # What decides is imported after the fit: the first reading shall not wait for it.
    study = open_study(given)
    posterior, verdict_fit = study.fit(), study.fit("verdict")

    from transfer.reading.conversion import conversion_table
    from transfer.reading.information import read_information
    from transfer.reading.prior_sensitivity import power_sensitivity
    from transfer.reading.reading import read_transfer
    from transfer.reading.roles import read_roles

    priors = priors_of(study.request)
    reading = read_transfer(
        verdict_fit,
        posterior,
        study.request.rope_r2,
        contrast=contrast,
        priors=priors,
        assigned=assigned,
    )
    information = read_information(verdict_fit, posterior)
    conversion = conversion_table(posterior)
    roles = read_roles(posterior)
    sensitivity = power_sensitivity(verdict_fit, priors.for_verdict())
    told = {
        **reading.to_dict(),
        "mix": "assigned" if assigned else "chosen",
        "information": information.to_dict()["information"],
        "equivalence": information.to_dict()["equivalence"],
        "information_text": information.text,
        "conversion": conversion.to_dict()["conversion"],
        "roles": None if roles is None else roles.to_dict(),
        "prior_sensitivity": None if sensitivity is None else sensitivity.to_dict(),
    }
    kept = study.run.keep("compare.json", json_text(told, "compare"))
    if study.request.as_json:
        echo_json(told, "compare")
        return
    if roles is not None:
        click.echo(f"{textwrap.fill(roles.text, 96)}\n")
    show_reading(reading)
    click.echo()
    click.echo(information.text)
    if sensitivity is not None:
        click.echo(textwrap.fill(sensitivity.text, 96))
    if kept is not None:
        click.echo(f"\nKept: {kept}")


def show_reading(reading: Any) -> None:
    """Print the sentences of a reading, then its table of settings."""
    import textwrap

    from transfer.page.words import sentences
    from transfer.terminal.screen import bold, print_table

    first, *rest = sentences(reading.text)
    click.echo(bold(textwrap.fill(first, 96)))
    click.echo(textwrap.fill(" ".join(rest), 96))
    click.echo()
    print_table(
        reading.table, ["setting", "attempts", "players", "rho_mean", "rho_low", "rho_high"], 2
    )
