"""``transfer rates``: raw and shrunken rates by player and setting, without the transfer model."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

__all__ = ["command"]


@click.command("rates")
@shared_options("records", "settings", "json")
@click.option("--prob", type=float, default=0.90, show_default=True, help="Interval probability.")
def command(prob: float, **given: Any) -> None:
    """Show raw and shrunken make rates by player and setting.

    Each setting is looked at by itself: the rates of one setting say nothing about another here.
    """
    from transfer.rates.rate_table import rate_table
    from transfer.terminal.inputs import open_study
    from transfer.terminal.quality import session_spread
    from transfer.terminal.screen import print_table

    study = open_study(given, needs=())
    rates = rate_table(study.cells, prob)
    remark, spread = session_spread(study.cells)
    if study.request.as_json:
        echo_json({**rates.to_dict(), "dispersion": spread, "dispersion_text": remark}, "rates")
        return
    for setting in rates.settings["setting"]:
        rows = rates.table[rates.table["setting"] == setting]
        columns = ["unit", "n", "y", "raw", "shrunken", "shrunken_low", "shrunken_high"]
        if rows["unbiased"].notna().any():
            columns.append("unbiased")
        click.echo(f"{setting}")
        print_table(rows, columns)
        click.echo()
    click.echo(rates.text)
    click.echo(remark)
