"""``transfer trial design`` and ``transfer trial assurance``: what a trial can tell, beforehand."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json
from transfer.terminal.options import SEED, shared_options

if TYPE_CHECKING:
    from transfer.simulation.schedules import Schedule
    from transfer.trial.design import Scenario
    from transfer.trial.plan import TrialPlan

__all__ = ["assurance_command", "design_command"]

_SCENARIO: tuple[Callable[[Any], Any], ...] = (
    click.option("--plan", "plan_path", type=click.Path(path_type=Path),
                 help="A plan.json instead of the sizes below."),
    click.option("--teams", type=int, default=1, show_default=True, help="Team-seasons."),
    click.option("--players", type=int, default=14, show_default=True, help="Players of a team."),
    click.option("--weeks", type=int, default=26, show_default=True, help="Practice weeks."),
    click.option("--minutes", type=float, default=70.0, show_default=True,
                 help="Shooting minutes per player and week."),
    click.option("--attempts", "game_attempts", type=float, default=3.0, show_default=True,
                 help="Game attempts per player and week."),
    click.option("--rate", "game_rate", type=float, default=0.40, show_default=True,
                 help="Expected game make rate."),
    click.option("--missed", type=float, default=0.0, show_default=True,
                 help="Share of player-weeks missed, practice and game alike."),
    click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text."),
)  # fmt: skip


def scenario_options(function: Any) -> Any:
    """Decorate a command with the sizes of a trial."""
    for option in reversed(_SCENARIO):
        function = option(function)
    return function


def settle(given: dict[str, Any]) -> tuple[Scenario, TrialPlan | None]:
    """Sizes from the options, or from a plan and the options about games."""
    from transfer.trial.design import Scenario
    from transfer.trial.plan import read_plan

    names = ("teams", "players", "weeks", "minutes", "game_attempts", "game_rate", "missed")
    values = {name: given[name] for name in names}
    if given["plan_path"] is None:
        return Scenario(**values), None
    plan = read_plan(given["plan_path"])
    sizes = plan.units.groupby("program").size()
    values.update(
        teams=len(sizes),
        players=round(float(sizes.mean())),
        weeks=plan.practice_weeks,
        minutes=float(plan.settings["minutes_per_week"]),
    )
    return Scenario(**values), plan


@click.command(name="design")
@scenario_options
@click.option(
    "--outcome", type=click.Choice(["game", "rep", "live"]), default="game", show_default=True,
    help="Whose makes are looked at; rep and live makes say nothing about games.",
)  # fmt: skip
def design_command(**given: Any) -> None:
    """Compare designs by how precisely they will measure live against rep.

    Works from the schedule alone, before any outcome, so it takes no time.
    """
    from transfer.terminal.screen import print_table
    from transfer.trial.design import design_grid, plan_se

    scenario, plan = settle(given)
    outcome = given["outcome"]
    grid = design_grid(scenario=scenario, outcome=outcome)
    drawn = None if plan is None else plan_se(plan, scenario, outcome=outcome)
    if given["as_json"]:
        echo_json({"designs": grid, "plan": None if drawn is None else drawn.to_dict()}, "design")
        return
    if drawn is not None:
        click.echo(textwrap.fill(drawn.text, 96) + "\n")
    shown = grid[grid["half_life"] == scenario.settings.half_life]
    if outcome != "game":
        click.echo(
            f"The outcome is makes in {outcome} practice: it says what the mix does to that "
            "practice, not to games.\n"
        )
    print_table(shown, ["design", "se", "contraction", "team_seasons_needed"], 2)
    click.echo(
        textwrap.fill(
            "se: standard error of live minus rep, logits per typical week, for "
            f"{scenario.teams} team-season(s) at a half-life of "
            f"{scenario.settings.half_life:g} weeks (2 and 8 with --json). contraction: share of "
            "the starting uncertainty that is left. team_seasons_needed: to find a difference of "
            "0.15 (about 3.5 points near 40%) in 80% of cases, one-sided 10%.",
            96,
        )
    )


@click.command(name="assurance")
@scenario_options
@click.option(
    "--design", "design", type=click.Choice(["one_swap", "parallel", "blocks", "chosen"]),
    default="one_swap", show_default=True, help="'chosen' is an ordinary log without a lot.",
)  # fmt: skip
@click.option("--block-weeks", type=int, help="Weeks in a block, for --design blocks.")
@click.option("--contrast", type=float, default=0.80, show_default=True,
              help="Share of shooting minutes for the favoured work.")  # fmt: skip
@click.option("--seasons", type=int, default=300, show_default=True, help="Simulated trials.")
@click.option("--seed", type=SEED, default=1, show_default=True, help="Seed of the simulation.")
@click.option("--look", "looks", type=int, multiple=True,
              help="Week of a planned look; may be repeated. A plan brings its own.")  # fmt: skip
@shared_options("jobs", "cluster")
def assurance_command(**given: Any) -> None:
    """Chance of each verdict before the trial starts, by simulation.

    Also the chance by number of weeks and team-seasons, and what planned looks do to the chance
    of a wrong "ahead". The numbers are the same with any --jobs and on any --cluster; both pay
    from several thousand seasons on.
    """
    from transfer.terminal.screen import print_table, progress
    from transfer.trial.assurance import assurance, until_we_know
    from transfer.trial.looks import price_of_looks
    from transfer.trial.plan import DEFAULT_ROPE_POINTS

    scenario, plan = settle(given)
    if plan is not None:
        # simulated seasons follow the plan's calendar, breaks included
        scenario = replace(scenario, weeks=len(plan.calendar))
    schedule, label = schedule_of(given, scenario.weeks, plan)
    looks = tuple(given["looks"] if plan is None else plan.settings["looks"])
    rope = DEFAULT_ROPE_POINTS if plan is None else tuple(plan.settings["rope"])
    split = given["contrast"] if plan is None else plan.settings["contrast"]
    terms: dict[str, Any] = {"rope_points": rope, "contrast": split}
    alone = given["jobs"] is None and given["cluster"] is None
    place = {"workers": 1 if alone else given["jobs"], "cluster": given["cluster"]}
    progress(given["as_json"])(f"simulating {given['seasons']} trials twice")
    found = {
        truth: assurance(
            schedule, scenario, label=label, truth=truth, seasons=given["seasons"],
            seed=given["seed"], **place, **terms,
        )
        for truth in ("prior", "no difference")
    }  # fmt: skip
    curve = until_we_know(schedule, scenario, label=label, **terms)
    price = None
    if len(looks) > 1:
        price = price_of_looks(
            schedule,
            looks,
            scenario,
            seasons=given["seasons"],
            seed=given["seed"],
            **place,
            **terms,
        )
    if given["as_json"]:
        told = {truth.replace(" ", "_"): value.to_dict() for truth, value in found.items()}
        told["until_we_know"] = curve.to_dict()
        echo_json({**told, "looks": None if price is None else price.to_dict()}, "assurance")
        return
    for value in found.values():
        click.echo(textwrap.fill(value.text, 96))
    click.echo(textwrap.fill(curve.text, 96) + "\n")
    chances = (
        found["prior"]
        .table[["verdict", "chance"]]
        .assign(no_difference=found["no difference"].table["chance"])
    )
    print_table(chances, None, 2)
    full = curve.table[curve.table["weeks"] == curve.table["weeks"].max()]
    click.echo("\nAfter a whole season (other weeks with --json):")
    print_table(full, ["weeks", "team_seasons", "contraction", "cannot_tell", "knowing"], 2)
    if price is not None:
        click.echo("\n" + textwrap.fill(price.text, 96))


def schedule_of(given: dict[str, Any], weeks: int, plan: TrialPlan | None) -> tuple[Schedule, str]:
    """Schedule to simulate, and its name in words.

    Raises
    ------
    ArgumentError
        Blocks without their length.
    """
    from transfer.simulation.schedules import Crossover, Observational, Parallel
    from transfer.trial.looks import schedule_of_plan
    from transfer.trial.schedule import block_numbers

    if plan is not None:
        return schedule_of_plan(plan), f"the plan ({plan.settings['design'].replace('_', ' ')})"
    design, share = given["design"], given["contrast"]
    if design == "chosen":
        return Observational(), "a mix that somebody chose"
    blocks = block_numbers(weeks, design, given["block_weeks"])
    if design == "parallel":
        return Parallel(share), "parallel groups"
    length = blocks.count(0)
    name = "one swap" if design == "one_swap" else f"{length}-week blocks"
    return Crossover(length, share), name
