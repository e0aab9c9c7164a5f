"""``transfer trial register``: make a plan of a lot that was drawn elsewhere."""

from __future__ import annotations

from pathlib import Path

import click

from transfer.trial.command_plan import keep_plan, parse_region, read_table

__all__ = ["command"]


@click.command(name="register")
@click.option(
    "--assignments",
    "assignments_path",
    type=click.Path(path_type=Path),
    required=True,
    help="CSV with player, week, week_start, arm, live_share, minutes; program where several.",
)
@click.option(
    "--roster",
    "roster_path",
    type=click.Path(path_type=Path),
    help="CSV with the strata inside which the lot was drawn.",
)
@click.option("--strata", default="none", show_default=True, help="Any of position, baseline.")
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
@click.option(
    "--fixed-on",
    metavar="DAY",
    help="Day on which the lot was fixed elsewhere, e.g. 2026-10-28; printed as your word.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    required=True,
    help="New folder for plan.json, assignments.csv, the sheets and the protocol.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def command(
    assignments_path: Path,
    roster_path: Path | None,
    strata: str,
    looks: tuple[int, ...],
    rope: str | None,
    fixed_on: str | None,
    out: Path,
    as_json: bool,
) -> None:
    """Fix a lot that was drawn elsewhere, before the first practice.

    The plan vouches for the assignment from today on; that it came from a lot is your word. A lot
    that is registered after the first game counts as chosen.
    """
    from transfer.trial.command_plan import choose_strata
    from transfer.trial.plan import DEFAULT_ROPE_POINTS
    from transfer.trial.registered import plan_from_assignments

    plan = plan_from_assignments(
        read_table(assignments_path, "assignments"),
        None if roster_path is None else read_table(roster_path, "a roster"),
        strata=choose_strata(strata, []),
        looks=looks,
        rope=parse_region(rope) or DEFAULT_ROPE_POINTS,
        fixed_on=fixed_on,
    )
    keep_plan(plan, out, as_json)
