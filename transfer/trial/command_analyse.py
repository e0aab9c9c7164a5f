"""``transfer trial analyse``: read a trial, or a log without one."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from transfer.terminal.frame import echo_json, json_text
from transfer.terminal.options import shared_options

if TYPE_CHECKING:
    from transfer.terminal.runs import Run
    from transfer.trial.analysis import TrialAnalysis

__all__ = ["command"]

_FILE = click.Path(path_type=Path)
_READINGS = ["reading", "mean", "low", "high", "probability", "prior_probability", "contraction",
             "verdict"]  # fmt: skip
_SENSITIVITY = ["assumption", "value", "mean", "low", "high", "probability", "contraction",
                "verdict"]  # fmt: skip
_EFFECTS = ["wording", "mean", "low", "high", "probability_live_better",
            "prior_probability_live_better"]  # fmt: skip


@click.command(name="analyse")
@shared_options("records")
@click.option("--plan", "plan_path", type=_FILE, help="The plan.json of the trial.")
@click.option("--plan-hash", help="Hash printed on the protocol; a changed plan is refused.")
@click.option(
    "--free-throws",
    type=_FILE,
    help="CSV with player, week or date, attempts, makes: what the mix should not move.",
)
@click.option(
    "--fit",
    "method",
    type=click.Choice(["sampler", "quick"]),
    default="sampler",
    show_default=True,
    help="'quick' is the Laplace twin: no sampling, same answer within noise.",
)
@click.option(
    "--rope-points",
    "region",
    metavar="LOW:HIGH",
    help="Differences that would not matter, in points of game make rate, for logs without a plan; "
    "-1:1 when left out.",
)
@shared_options("seed", "out", "json")
def command(
    plan_path: Path | None,
    plan_hash: str | None,
    free_throws: Path | None,
    method: str,
    region: str | None,
    **given: Any,
) -> None:
    """Say what the trial found: as assigned first, as done second.

    Without a plan the mix counts as chosen, and the strongest word is "leaning".
    """
    from transfer.models.growth_laplace import fit_growth_laplace
    from transfer.page.stamp import days_of
    from transfer.terminal.inputs import read_inputs
    from transfer.terminal.options import resolve
    from transfer.terminal.runs import open_run
    from transfer.terminal.screen import progress
    from transfer.trial.analysis import analyse_trial
    from transfer.trial.command_plan import parse_region, read_table

    request = resolve(given)
    run = open_run(request)
    say = progress(request.as_json)
    fit: Any = fit_growth_laplace
    if method == "sampler":
        from transfer.models.growth import fit_growth as fit

        say("compiling the growth model, the first time takes up to half a minute")
    records = read_inputs(request)
    analysis = analyse_trial(
        records,
        plan_path,
        fit=fit,
        free_throws=None if free_throws is None else read_table(free_throws, "free throws"),
        rope=parse_region(region),
        expected_hash=plan_hash,
        seed=request.seed,
    )
    told = analysis.to_dict()
    kept = run.keep("trial.json", json_text(told, "trial"))
    files = [] if kept is None else [kept, _keep_page(run, analysis, days_of(records))]
    if request.as_json:
        echo_json(told, "trial")
        return
    show(analysis)
    if files:
        click.echo("\nKept: " + ", ".join(map(str, files)))


def _keep_page(run: Run, analysis: TrialAnalysis, days: tuple[str, str]) -> Path | None:
    """Write the page of the answer, with its figures, beside the JSON."""
    from transfer.trial.page import analysis_page

    return run.keep("trial.html", analysis_page(analysis, days))


def show(analysis: TrialAnalysis) -> None:
    """Print the answer, then the tables behind it."""
    from transfer.terminal.screen import bold, print_table

    first, *rest = analysis.report
    click.echo(bold(textwrap.fill(first, 96)))
    for paragraph in rest:
        click.echo(textwrap.fill(paragraph, 96))
    click.echo("\nPoints of game make rate, 90% equal-tailed intervals of the expected rate:")
    print_table(analysis.table, _READINGS, 2)
    click.echo("\nPer minute and per attempt; chances before and after the records:")
    print_table(analysis.effects, _EFFECTS, 2)
    if len(analysis.sensitivity):
        click.echo("\nUnder other assumptions:")
        print_table(analysis.sensitivity, _SENSITIVITY, 2)
    if len(analysis.looks) > 1:
        click.echo("\nAt the planned looks:")
        print_table(analysis.looks, ["week", *_READINGS[1:]], 2)
