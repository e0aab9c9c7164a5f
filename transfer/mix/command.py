"""``transfer mix``: weekly minutes of rep and live work, and when to run the trial instead."""

from __future__ import annotations

from typing import Any

import click

from transfer.terminal.frame import echo_json, json_text
from transfer.terminal.options import shared_options

__all__ = ["command", "parse_pairs"]


def parse_pairs(option: str, values: tuple[str, ...]) -> dict[str, float]:
    """Split ``NAME=NUMBER`` words.

    Parameters
    ----------
    option : str
        Name of the option, for the message.
    values : tuple of str

    Raises
    ------
    ArgumentError
        When a word has no ``=`` or its right side is no number.
    """
    from transfer.errors import ArgumentError

    found = {}
    for value in values:
        name, equal, number = value.partition("=")
        try:
            found[name.strip()] = float(number)
        except ValueError:
            equal = ""
        if not equal or not name.strip():
            raise ArgumentError(
                f"{option} {value!r} is not NAME=NUMBER",
                rule="a setting or mode, an equals sign and a number",
                next_step=f"write e.g. {option} live=10",
            )
    return found


@click.command("mix")
@shared_options("records", "settings", "budget_minutes", "seed", "out", "json")
@click.option("--program", help="Program whose week is planned, when the records hold several.")
@click.option(
    "--per-session",
    type=float,
    metavar="MIN",
    help="Shooting minutes in a session, instead of --budget-minutes; needs --sessions.",
)
@click.option("--sessions", type=float, help="Sessions in a week.")
@click.option(
    "--floor",
    "floors",
    multiple=True,
    metavar="NAME=MIN",
    help="Least weekly minutes of a setting or mode; may be repeated.",
)
@click.option(
    "--cap",
    "caps",
    multiple=True,
    metavar="NAME=MIN",
    help="Most weekly minutes of a setting or mode; may be repeated.",
)
@click.option(
    "--rate",
    "stated",
    multiple=True,
    metavar="NAME=N",
    help="Attempts per player-minute of a setting; wins over the records.",
)
@click.option("--live-cap", type=float, metavar="MIN", help="Most live minutes a week.")
@click.option("--attempts-cap", type=float, metavar="N", help="Most attempts a week.")
@click.option("--jumps-cap", type=float, metavar="N", help="Most take-offs a week.")
@click.option(
    "--jumps",
    "jumps",
    multiple=True,
    metavar="NAME=N",
    help="Take-offs per attempt of a setting.  [default: 1]",
)
@click.option(
    "--hours",
    "weekly_hours",
    type=float,
    metavar="H",
    help="Weekly practice hours your governing body allows.",
)
@click.option(
    "--other-minutes",
    type=float,
    default=0.0,
    show_default=True,
    metavar="MIN",
    help="Other practice that counts against --hours.",
)
@click.option("--explore", is_flag=True, help="Leave the range of minutes the records hold.")
@click.option("--assigned", is_flag=True, help="The mix in the records was assigned by lot.")
@click.option(
    "--trial-weeks",
    type=int,
    default=26,
    show_default=True,
    help="Weeks of the trial whose worth is shown.",
)
@click.option(
    "--charting",
    is_flag=True,
    help="Also fit the transfer model and tell which attempts to chart next.",
)
def command(**given: Any) -> None:
    """Propose a player's weekly minutes of rep and live work.

    Uses the growth model of the season's records. When they cannot tell the two kinds of work
    apart, the advice is to keep the mix and run the trial.
    """
    from transfer.mix.measured import measure_mix
    from transfer.mix.season import advise_season
    from transfer.terminal.inputs import read_inputs
    from transfer.terminal.options import resolve
    from transfer.terminal.runs import open_run
    from transfer.terminal.screen import progress

    request = resolve(given)
    run = open_run(request)
    records = read_inputs(request)
    rates = parse_pairs("--rate", given["stated"])
    measured = measure_mix(records, request.settings, program=given["program"], override=rates)
    progress(request.as_json)("fitting the growth model")
    facts = advise_season(
        records,
        measured,
        limits_of(request, given),
        seed=request.seed,
        assigned=given["assigned"],
        trial_weeks=given["trial_weeks"],
    )
    advice, reason, told = facts.advice, facts.reason, facts.to_dict()
    charting = what_to_chart(records, request, run, advice) if given["charting"] else None
    if charting is not None:
        told["charting"] = charting.to_dict()
    kept = run.keep("mix.json", json_text(told, "mix"))
    if request.as_json:
        echo_json(told, "mix")
        return
    show(advice, reason)
    if charting is not None:
        show_charting(charting)
    if kept is not None:
        click.echo(f"\nKept: {kept}")


def what_to_chart(records: Any, request: Any, run: Any, advice: Any) -> Any:
    """Worth of further charted attempts, from the transfer model's fit."""
    from transfer.mix.charting import chart_next
    from transfer.terminal.inputs import StudyRun, cells_of

    study = StudyRun(request, records, cells_of(records, request), run)
    pace = {name: rate.rate for name, rate in advice.rates.items()}
    return chart_next(study.fit(), per_minute=pace)


def show_charting(charting: Any) -> None:
    """Print the sentence and the most telling setting of each player."""
    import textwrap

    from transfer.terminal.screen import print_table

    click.echo()
    click.echo(textwrap.fill(charting.text, 96))
    columns = ["player", "setting", "attempts", "minutes", "sd_now", "sd_after", "variance_cut"]
    print_table(charting.best, columns, 2)


def limits_of(request: Any, given: dict[str, Any]) -> dict[str, Any]:
    """Limits from the options, then the season folder."""
    from transfer.errors import ArgumentError

    budget, session, sessions = given["budget_minutes"], given["per_session"], given["sessions"]
    if (session is None) != (sessions is None) or (session is not None and budget is not None):
        raise ArgumentError(
            f"--budget-minutes {budget}, --per-session {session}, --sessions {sessions}",
            rule="either --budget-minutes, or --per-session together with --sessions",
            next_step="write e.g. --per-session 25 --sessions 3",
        )
    return {
        "budget": request.budget_minutes if session is None else session * sessions,
        "floors": parse_pairs("--floor", given["floors"]),
        "caps": parse_pairs("--cap", given["caps"]),
        "explore": given["explore"],
        "live_minutes_cap": given["live_cap"],
        "attempts_cap": given["attempts_cap"],
        "jumps_cap": given["jumps_cap"],
        "jumps_per_attempt": parse_pairs("--jumps", given["jumps"]),
        "weekly_hours": given["weekly_hours"],
        "other_minutes": given["other_minutes"],
    }


def show(advice: Any, reason: str) -> None:
    """Print advice, minutes, sensitivity and cautions."""
    import textwrap

    from transfer.mix.advice import CAUTIONS
    from transfer.terminal.screen import bold, print_table

    first, rest = advice.text.split(". ", 1)
    click.echo(bold(textwrap.fill(first + ".", 96)))
    if reason:
        click.echo(textwrap.fill(f"Starting assumption only: {reason}.", 96))
    click.echo(textwrap.fill(rest, 96))
    if advice.advice == "run the trial":
        click.echo("Next: transfer trial plan draws the halves by lot.")
    click.echo()
    columns = [
        "setting",
        "minutes_now",
        "minutes_best",
        "attempts_per_minute",
        "rate_low",
        "rate_high",
        "rate_source",
    ]
    print_table(advice.table, columns, 2)
    click.echo(
        "Attempts per player-minute: 90% interval for a Poisson rate (Gamma posterior, "
        "Jeffreys prior, widened for scatter)."
    )
    click.echo()
    print_table(
        advice.sensitivity,
        ["shape", "half_life_weeks", "rep_minutes", "live_minutes", "gain_logit", "at_bound"],
        3,
    )
    click.echo()
    for caution in CAUTIONS:
        click.echo(textwrap.fill(f"Caution: {caution}", 96))
