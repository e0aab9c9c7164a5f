"""``transfer trial plan``: draw the lot, write sheets and protocol."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import SEED

if TYPE_CHECKING:
    from transfer.trial.plan import TrialPlan

__all__ = ["choose_strata", "command", "keep_plan", "parse_region", "read_table"]

#: Shooting minutes per player and week where nothing says otherwise (scenario, no source).
DEFAULT_MINUTES = 70.0


def parse_break(value: str) -> tuple[str, str]:
    """Split ``FIRST:LAST`` into two dates."""
    first, found, last = value.partition(":")
    return first.strip(), last.strip() if found else first.strip()


def parse_region(value: str | None) -> tuple[float, float] | None:
    """Split ``LOW:HIGH`` into two numbers of points."""
    from transfer.errors import ArgumentError

    if value is None:
        return None
    try:
        low, high = (float(part) for part in value.split(":"))
    except ValueError as error:
        raise ArgumentError(
            f"--rope-points {value!r} is not a region",
            rule="two numbers of points, LOW:HIGH",
            next_step="write e.g. --rope-points=-1:1",
        ) from error
    return low, high


@click.command(name="plan")
@click.option(
    "--roster",
    "roster_path",
    type=click.Path(path_type=Path),
    help="CSV with player, and program, position, baseline, pair or squad as needed. In a season "
    "folder: its roster.",
)
@click.option("--weeks", type=int, required=True, help="Calendar weeks, breaks included.")
@click.option("--start", required=True, help="First day of week 1, e.g. 2026-11-02.")
@click.option("--seed", type=SEED, required=True, help="Seed of the lot, chosen before the draw.")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="New folder for plan.json, assignments.csv, the sheets and the protocol.",
)
@click.option(
    "--unit",
    type=click.Choice(["player", "pair", "squad"]),
    default="player",
    show_default=True,
    help="Who is drawn together.",
)
@click.option(
    "--strata",
    help="Any of position, baseline, with a comma; 'none' for none. Left out: those that the "
    "roster has.",
)
@click.option(
    "--baseline",
    "baseline_path",
    type=click.Path(path_type=Path),
    help="Output of `transfer forecast --json`: its means become the baseline.",
)
@click.option(
    "--design",
    type=click.Choice(["one_swap", "parallel", "blocks"]),
    default="one_swap",
    show_default=True,
    help="Two halves with one swap, fixed groups, or shorter alternating blocks.",
)
@click.option("--block-weeks", type=int, help="Practice weeks in a block.")
@click.option(
    "--contrast",
    type=float,
    default=0.80,
    show_default=True,
    help="Share of shooting minutes for the favoured work.",
)
@click.option(
    "--minutes",
    "minutes_per_week",
    type=float,
    help="Shooting minutes per player and week.  [default: season folder, else 70]",
)
@click.option(
    "--break",
    "breaks",
    multiple=True,
    metavar="FIRST:LAST",
    help="Days without practice; may be repeated.",
)
@click.option(
    "--look",
    "looks",
    type=int,
    multiple=True,
    help="Week after which the result is looked at; may be repeated.",
)
@click.option(
    "--rope-points",
    "rope",
    metavar="LOW:HIGH",
    help="Differences that would not matter, in points of game make rate; -1:1 when left out.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def command(
    roster_path: Path | None,
    strata: str | None,
    baseline_path: Path | None,
    breaks: tuple[str, ...],
    rope: str | None,
    minutes_per_week: float | None,
    out: Path,
    as_json: bool,
    **settings: Any,
) -> None:
    """Draw the lot and write the plan, the sheets and the protocol."""
    from transfer.records.season import find_season, read_season
    from transfer.trial.plan import DEFAULT_ROPE_POINTS, make_plan

    folder = find_season()
    season = None if folder is None else read_season(folder)
    if roster_path is None and season is not None:
        roster_path = season.files.get("roster")
    if minutes_per_week is None:
        stated = None if season is None else season.budget_minutes
        minutes_per_week = DEFAULT_MINUTES if stated is None else stated
    roster = read_table(require_roster(roster_path), "a roster")
    if baseline_path is not None:
        roster = with_baseline(roster, baseline_path)
    plan = make_plan(
        roster,
        strata=choose_strata(strata, list(roster.columns)),
        breaks=[parse_break(value) for value in breaks],
        rope=parse_region(rope) or DEFAULT_ROPE_POINTS,
        minutes_per_week=minutes_per_week,
        **settings,
    )
    keep_plan(plan, out, as_json)


def keep_plan(plan: TrialPlan, out: Path, as_json: bool) -> None:
    """Write a plan's folder and say what was drawn and what it can tell."""
    from transfer.files import write_text
    from transfer.trial.page import plan_page
    from transfer.trial.plan import read_plan
    from transfer.trial.precision import curve_of_plan, plan_warnings
    from transfer.trial.sheets import write_plan

    files = write_plan(plan, out)
    plan = read_plan(out / "plan.json")  # drawn before, it keeps its first day
    warnings = plan_warnings(plan)
    page = plan_page(plan, curve_of_plan(plan), warnings)
    files.append(write_text(Path(out) / "what_it_can_tell.html", page))
    if as_json:
        echo_json(
            {
                "text": plan.text,
                "hash": plan.plan_hash,
                "warnings": warnings,
                "settings": plan.settings,
                "files": [str(path) for path in files],
                "assignments": plan.table,
            },
            "plan",
        )
        return
    strata = "".join(f", {name}" for name in plan.settings["strata"])
    click.echo(textwrap.fill(plan.text, 96))
    click.echo(f"Balanced by lot within program{strata}.")
    for warning in warnings:
        click.echo(textwrap.fill(f"Note: {warning}", 96))
    click.echo("Written: " + ", ".join(path.name for path in files) + f" in {out}")


def require_roster(path: Path | None) -> Path:
    """Refuse to go on without a roster."""
    from transfer.errors import ArgumentError

    if path is None:
        raise ArgumentError(
            "no roster: --roster is missing",
            rule="a lot needs the list of players",
            next_step="name the file with --roster, or run inside a season folder that has one",
        )
    return path


def read_table(path: Path, what: str) -> Any:
    """Read a CSV as text columns.

    Parameters
    ----------
    path : Path
    what : str
        What the file should hold, for the message.

    Raises
    ------
    RecordsError
        When the file cannot be read as a table.
    """
    import pandas as pd

    from transfer.errors import RecordsError

    try:
        return pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError, pd.errors.ParserError, pd.errors.EmptyDataError) as error:
        raise RecordsError(
            f"{path} cannot be read as {what}: {error}",
            rule="a CSV file in UTF-8 with one header line and one row per entry",
            next_step="save the file as CSV UTF-8",
        ) from error


def with_baseline(roster: Any, path: Path) -> Any:
    """Add the ``baseline`` of each player from a saved forecast.

    Raises
    ------
    RecordsError
        When the file is no forecast.
    """
    import json

    from transfer.errors import RecordsError
    from transfer.files import read_plain

    try:
        players = json.loads(read_plain(path))["players"]
        keys = [k for k in ("program", "player") if k in roster and k in players[0]]
        means = {tuple(str(row[k]) for k in keys): _rate(row["mean"]) for row in players}
    except (OSError, ValueError, KeyError, TypeError, IndexError, RecursionError) as error:
        raise RecordsError(
            f"{path} cannot be read as a forecast: {error}",
            rule="JSON with players, each with player and mean, a rate between 0 and 1",
            next_step="write it with: transfer forecast --json",
        ) from error
    found = [means.get(key, "") for key in roster[keys].itertuples(index=False, name=None)]
    return roster.assign(baseline=found)


def _rate(value: Any) -> float:
    rate = float(value)
    if not 0.0 <= rate <= 1.0:
        raise ValueError(f"mean {value!r} is no rate")
    return rate


def choose_strata(strata: str | None, columns: list[str]) -> tuple[str, ...]:
    """Strata the user names, or those that the roster has when none is named."""
    if strata is None:
        return tuple(name for name in ("position", "baseline") if name in columns)
    if strata == "none":
        return ()
    return tuple(name.strip() for name in strata.split(",") if name.strip())
