"""``transfer rates``: raw and shrunken rates by player and setting, without the transfer model."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import shared_options

__all__ = ["command"]


@click.command("rates")
@shared_options("records", "settings", "season", "json")
@click.option("--prob", type=float, default=0.90, show_default=True, help="Interval probability.")
def command(season: str, prob: float, **given: Any) -> None:
    """Show raw and shrunken make rates by player and setting.

    Each setting is looked at by itself: the rates of one setting say nothing about another here.
    """
    from transfer.rates.rate_table import rate_table
    from transfer.records.which_season import in_season
    from transfer.results import plain
    from transfer.terminal.inputs import open_study
    from transfer.terminal.quality import session_spread
    from transfer.terminal.screen import print_table

    study = open_study(given, needs=())
    rates = rate_table(study.cells, prob)
    who = study.cells.table.drop_duplicates("unit")
    shown = rates.table["unit"].isin(who["unit"][in_season(who, season)])
    table = rates.table[shown]
    remark, spread = session_spread(study.cells)
    if study.request.as_json:
        told = {**rates.to_dict(), "players": plain(table)}
        echo_json({**told, "dispersion": spread, "dispersion_text": remark}, "rates")
        return
    for setting in table["setting"].unique():
        rows = table[table["setting"] == setting]
        columns = ["unit", "n", "y", "raw", "shrunken", "shrunken_low", "shrunken_high"]
        if rows["unbiased"].notna().any():
            columns.append("unbiased")
        click.echo(f"{setting}")
        print_table(rows, columns)
        click.echo()
    if not shown.all():
        click.echo(f"Rows of other seasons that are not shown: {int((~shown).sum())}.")
    click.echo(rates.text)
    click.echo(remark)
