"""``transfer session``: the next session on one page, with a chart sheet."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import SEED

__all__ = ["command", "day_or_today", "players_of"]

_FILE = click.Path(path_type=Path)


@click.command("session")
@click.option("--players", metavar="N|CODES", help="A number, or codes with commas: P01,P02,P03.")
@click.option("--roster", type=_FILE, help="Roster file with a player column, instead.")
@click.option("--program", help="Program of the roster or records, when there are several.")
@click.option("--baskets", type=int, required=True, help="Baskets, 1 to 4.")
@click.option("--minutes", type=int, required=True, help="On the floor, with changes and water.")
@click.option("--out", type=_FILE, help="Folder for the page, the tables and the chart sheet.")
@click.option(
    "--seed",
    type=SEED,
    default=1,
    show_default=True,
    help="Same seed, same session; take another one for the next day.",
)
@click.option(
    "--live",
    "live_share",
    type=float,
    default=0.5,
    show_default=True,
    help="Wanted share of live minutes, e.g. from transfer mix.",
)
@click.option(
    "--practice",
    type=_FILE,
    help="Charted practice: gives make rates, pace, defender ratings, challenge band.",
)
@click.option(
    "--drills", type=_FILE, help="The program's own drills, in place of the starter list."
)
@click.option(
    "--rate",
    "stated",
    multiple=True,
    metavar="NAME=N",
    help="Attempts per player-minute of a setting or mode; may be repeated.",
)
@click.option(
    "--setting",
    "settings",
    multiple=True,
    metavar="NAME",
    help="Setting that may be used, e.g. live/trailing; may be repeated.  [default: all]",
)
@click.option("--live-cap", type=float, metavar="MIN", help="Most live minutes a player.")
@click.option("--attempts-cap", type=float, metavar="N", help="Most attempts a player.")
@click.option("--jumps-cap", type=float, metavar="N", help="Most take-offs a player.")
@click.option(
    "--probability",
    type=float,
    default=0.80,
    show_default=True,
    help="Least chance that a first-to-k set ends in its minutes.",
)
@click.option(
    "--band",
    metavar="LOW:HIGH",
    help="Make rates that count as a challenge.  [default: 0.45:0.65, judgement]",
)
@click.option("--date", metavar="DAY", help="Day on the chart sheet.  [default: today]")
@click.option(
    "--session",
    "session_label",
    default="1",
    show_default=True,
    help="Label of the session on the chart sheet.",
)
@click.option("--season", default="", help="Season on the chart sheet.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def command(**given: Any) -> None:
    """Plan the next session: blocks, calls, pairings, targets, chart sheet.

    Defence goes up and down and ends in free live play. With --practice the pace, the make rates,
    the pairings and the spots come from the records; without, they are assumed and marked.
    """
    from transfer.mix.command import parse_pairs
    from transfer.session.drills import DRILLS, read_drills
    from transfer.session.plan import plan_session
    from transfer.session.write import write_session

    day = day_or_today(given["date"])
    stated = parse_pairs("--rate", given["stated"])
    own = DRILLS if given["drills"] is None else read_drills(given["drills"], given["program"])
    known = _from_records(given, stated)
    plan = plan_session(
        players_of(given), given["baskets"], given["minutes"], given["seed"],
        drills=own, live_share=given["live_share"], settings=given["settings"] or None,
        live_cap=given["live_cap"], attempts_cap=given["attempts_cap"],
        jumps_cap=given["jumps_cap"], probability=given["probability"], **known["plan"],
    )  # fmt: skip
    written = (
        ()
        if given["out"] is None
        else write_session(
            plan,
            given["out"],
            day,
            given["session_label"],
            given["program"] or "",
            given["season"],
            known["days"],
        )
    )
    if given["as_json"]:
        echo_json(
            {**plan.to_dict(), **known["said"], "files": [p.name for p in written]},
            "session",
        )
        return
    show(plan, known["said"], written)


def day_or_today(value: str | None) -> str:
    """A day as year-month-day; today where none is given.

    Raises
    ------
    ArgumentError
        When it is not a date.
    """
    import datetime as dt

    from transfer.errors import ArgumentError

    if not value:
        return dt.date.today().isoformat()
    try:
        return dt.date.fromisoformat(value).isoformat()
    except ValueError:
        raise ArgumentError(
            f"--date {value!r} is not a date",
            rule="year-month-day",
            next_step="write e.g. --date 2026-11-03",
        ) from None


def players_of(given: dict[str, Any]) -> list[str]:
    """Codes from a number, a list or the roster, as named on the command line.

    Raises
    ------
    ArgumentError
        When neither or both of them are given, or the roster has no players.
    """
    from transfer.errors import ArgumentError

    players, roster = given["players"], given["roster"]
    if (players is None) == (roster is None):
        raise ArgumentError(
            "--players and --roster: " + ("both given" if players else "none given"),
            rule="exactly one of them",
            next_step="write e.g. --players 12, or --roster roster.csv",
        )
    if roster is not None:
        return _roster(roster, given["program"])
    if players.strip().isdigit():
        return [f"P{i:02d}" for i in range(1, int(players) + 1)]
    return [code.strip() for code in players.split(",") if code.strip()]


def _roster(path: Path, program: str | None) -> list[str]:
    import pandas as pd

    from transfer.errors import ArgumentError, StorageError

    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False)
    except (OSError, ValueError) as error:
        raise StorageError(
            f"{path.name} cannot be read as a table",
            rule="a CSV file with a header row",
            next_step="check the name and export the roster as CSV (UTF-8)",
        ) from error
    table.columns = table.columns.str.strip().str.lower()
    if "player" not in table:
        raise ArgumentError(
            f"{path.name} has no column player",
            rule="a roster has a player column of codes",
            next_step="name the column of codes 'player'",
        )
    if program is not None and "program" in table:
        table = table[table["program"] == program]
    return list(dict.fromkeys(table["player"].str.strip()))


def _from_records(given: dict[str, Any], stated: dict[str, float]) -> dict[str, Any]:
    """What the practice records add to the plan, and what is said about it."""
    from transfer.errors import ArgumentError
    from transfer.session.challenge import BAND

    band = BAND
    if given["band"] is not None:
        try:
            low, high = (float(part) for part in given["band"].split(":"))
        except ValueError:
            raise ArgumentError(
                f"--band {given['band']!r} is not a band",
                rule="two make rates LOW:HIGH",
                next_step="write --band 0.45:0.65",
            ) from None
        band = (low, high)
    if given["practice"] is None:
        return {"plan": {"rates": stated}, "said": {}, "days": None}
    from transfer.page.stamp import days_of
    from transfer.records.reading import read_records
    from transfer.session.inputs import session_inputs

    records = read_records(given["practice"], drills=given["drills"], settings="mode")
    found = session_inputs(records, program=given["program"], stated=stated, band=band)
    plan = {
        "rates": found.rates,
        "make_rates": found.make_rates,
        "ratings": found.ratings,
        "challenge": found.challenge,
    }
    said = {
        "done_variety": None if found.done is None else found.done.to_dict(),
        "ratings": None if found.ratings is None else found.ratings.to_dict(),
        "challenge": None if found.challenge is None else found.challenge.to_dict(),
        "missing": list(found.missing),
    }
    return {"plan": plan, "said": said, "days": days_of(records)}


def show(plan: Any, said: dict[str, Any], written: tuple[Path, ...]) -> None:
    """Print the session for a person."""
    import textwrap

    from transfer.terminal.screen import bold, print_table

    first, rest = plan.text.split(". ", 1)
    click.echo(bold(textwrap.fill(first + ".", 96)))
    click.echo(textwrap.fill(rest, 96))
    click.echo()
    columns = [
        "block",
        "start",
        "minutes",
        "title",
        "setting",
        "attempts",
        "defends",
        "sets",
        "target",
    ]
    print_table(plan.blocks, columns, 2)
    if said.get("done_variety"):
        click.echo(
            f"\nVariety of the charted repetitions: {said['done_variety']['score']:.2f} of 1"
        )
    if said.get("ratings"):
        click.echo(textwrap.fill(said["ratings"]["text"], 96))
    for line in said.get("missing", []):
        click.echo(textwrap.fill(f"Not used: {line}", 96))
    click.echo()
    for caution in plan.cautions:
        click.echo(textwrap.fill(f"Caution: {caution}", 96))
    for path in written:
        click.echo(f"Kept: {path}")
