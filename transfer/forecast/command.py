"""``transfer forecast``: game make rates to expect, and how well such forecasts did."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from transfer.terminal.frame import echo_json, json_text
from transfer.terminal.options import shared_options

__all__ = ["command"]

_COLUMNS = ["player", "program", "season", "mean", "low", "high", "attempts_game",
            "attempts_practice", "makes_low", "makes_high"]  # fmt: skip
_SCORES = ["forecast", "players", "attempts", "log_score", "squared_error"]


@click.command("forecast")
@shared_options("records", "fit", "out", "json")
@click.option(
    "--season", default="latest", show_default=True, metavar="NAME",
    help="Season whose players are forecast: its name, all, the latest of each program, or next "
    "for the season after it.",
)  # fmt: skip
@click.option("--prob", type=float, default=0.90, show_default=True, help="Interval probability.")
@click.option(
    "--next", "next_attempts", type=int, default=50, show_default=True,
    help="Game attempts of the count to come.",
)  # fmt: skip
@click.option(
    "--score", is_flag=True,
    help="Also score five forecasts on games they had not seen (fits once more).",
)  # fmt: skip
@click.option(
    "--later", type=click.Path(path_type=Path),
    help="Score the forecasts on this file of later games instead.",
)  # fmt: skip
@click.option(
    "--new", "new", multiple=True, metavar="SETTING=MAKES/ATTEMPTS",
    help="Practice of a player without games, e.g. live/trailing=20/50; may be repeated.",
)  # fmt: skip
def command(
    season: str,
    prob: float,
    next_attempts: int,
    score: bool,
    later: Path | None,
    new: tuple[str, ...],
    **given: Any,
) -> None:
    """Forecast each player's game make rate.

    The interval of a rate is about the long run. The makes of the next attempts hold luck as well
    and are the wider band.
    """
    from transfer.forecast.forecast import forecast_games, forecast_next_season, forecast_unseen
    from transfer.forecast.held_out import score_later_file, score_study
    from transfer.terminal.inputs import open_study

    practice = dict(parse_new(text) for text in new)
    study = open_study(given, needs=("games",))
    posterior = study.fit()
    if season == "next":
        found = forecast_next_season(posterior, prob, next_attempts)
    else:
        found = forecast_games(posterior, prob, next_attempts, season=season)
    scores = None
    if later is not None:
        scores = score_later_file(study, posterior, later)
    elif score:
        scores = score_study(study, posterior)
    told = found.to_dict()
    told["scores"] = None if scores is None else scores.to_dict()
    if practice:
        unseen = forecast_unseen(posterior, practice, prob=prob, next_attempts=next_attempts)
        told["new_player"] = {**unseen.to_dict()["players"][0], "text": unseen.text}
    kept = study.run.keep("forecast.json", json_text(told, "forecast"))
    if study.request.as_json:
        echo_json(told, "forecast")
        return
    show_forecast(found, scores)
    if practice:
        click.echo(f"\n{unseen.text}")
    if kept is not None:
        click.echo(f"\nKept: {kept}")


def parse_new(text: str) -> tuple[str, tuple[int, int]]:
    """Split ``SETTING=MAKES/ATTEMPTS`` into the setting and (attempts, makes).

    Raises
    ------
    ArgumentError
        When it is not written so.
    """
    from transfer.errors import ArgumentError

    setting, _, counts = text.rpartition("=")
    makes, _, attempts = counts.partition("/")
    if not (setting and makes.strip().isdigit() and attempts.strip().isdigit()):
        raise ArgumentError(
            f"--new {text!r} cannot be read",
            rule="SETTING=MAKES/ATTEMPTS with whole numbers",
            next_step="write e.g. --new live/trailing=20/50",
        )
    return setting.strip(), (int(attempts), int(makes))


def show_forecast(found: Any, scores: Any) -> None:
    """Print the players, the sentence about them and the scores."""
    import textwrap

    from transfer.terminal.screen import print_table

    # A column that tells nobody from another is left out.
    same = [c for c in ("program", "season") if found.table[c].astype(str).nunique() < 2]
    print_table(found.table, [c for c in _COLUMNS if c not in same])
    click.echo()
    click.echo(textwrap.fill(found.text, 96))
    if scores is None:
        return
    for table in (scores.later_games, scores.left_out_player):
        if table is not None:
            click.echo()
            print_table(table.table, _SCORES, places=4)
            click.echo(textwrap.fill(table.text, 96))
    for reason in scores.missing:
        click.echo(reason)
