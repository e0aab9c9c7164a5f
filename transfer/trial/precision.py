"""What a plan costs in precision, in words, before any outcome exists."""

from __future__ import annotations

import math
from dataclasses import replace

from transfer.trial.assurance import UntilWeKnow, until_we_know
from transfer.trial.design import DesignPrecision, Scenario, plan_se
from transfer.trial.looks import schedule_of_plan
from transfer.trial.plan import TrialPlan
from transfer.trial.schedule import block_numbers
from transfer.verdict import MAX_CONTRACTION_TO_TELL, MEASURED_CONTRACTION

__all__ = ["curve_of_plan", "plan_warnings", "with_one_swap"]


def curve_of_plan(plan: TrialPlan, scenario: Scenario | None = None) -> UntilWeKnow:
    """Chance of each verdict by week and team-seasons on the plan's own calendar.

    Parameters
    ----------
    plan : TrialPlan
    scenario : Scenario, optional
        Game attempts, make rate and spread of players; sizes and minutes come from the plan.

    Returns
    -------
    UntilWeKnow
        By the plan's rule: its contrast and its region that would not matter.
    """
    sizes = plan.units.groupby("program").size()
    low, high = plan.settings["rope"]
    expected = replace(
        scenario or Scenario(),
        players=round(float(sizes.mean())),
        weeks=len(plan.calendar),
        minutes=float(plan.settings["minutes_per_week"]),
    )
    return until_we_know(
        schedule_of_plan(plan),
        expected,
        label=f"this plan ({plan.settings['design'].replace('_', ' ')})",
        rope_points=(float(low), float(high)),
        contrast=float(plan.settings["contrast"]),
    )


def plan_warnings(plan: TrialPlan, scenario: Scenario | None = None) -> list[str]:
    """Sentences that the planner should read before the first practice.

    Parameters
    ----------
    plan : TrialPlan
    scenario : Scenario, optional
        Game attempts, make rate and spread of players that the precision is worked out for.

    Returns
    -------
    list of str
        What the plan can tell first, then what weakens it.
    """
    expected = plan_se(plan, scenario)
    settings = plan.settings
    notes = [_expectation(expected)]
    if settings["design"] != "one_swap":
        loss = _loss(expected, plan_se(with_one_swap(plan), scenario))
        notes.append({"blocks": _blocks, "parallel": _parallel}[settings["design"]](loss))
    if settings["contrast"] < 0.75:
        notes.append(
            f"A split of {settings['contrast']:.0%} to {1 - settings['contrast']:.0%} is a weak "
            "contrast; 80/20 or more is easier to see."
        )
    begins = plan.settings["start"]
    registered = plan.settings["registered"]
    if registered > begins:
        notes.append(
            f"The lot was registered on {registered}, after week 1 began ({begins}): if a game "
            "was played before that day, the analysis counts the mix as chosen."
        )
    early = [week for week in settings["looks"] if not plan.has_swapped(week)]
    if settings["design"] != "parallel" and early:
        notes.append(
            f"The look after week {', '.join(map(str, early))} comes before the swap and only "
            "compares different players."
        )
    if len(settings["looks"]) > 1:
        notes.append(
            "Each look is another chance to be wrong; transfer trial assurance gives the "
            "simulated chance for these looks."
        )
    return notes


def with_one_swap(plan: TrialPlan) -> TrialPlan:
    """The same players, lot and calendar with one swap in the middle.

    Parameters
    ----------
    plan : TrialPlan
    """
    blocks = block_numbers(plan.practice_weeks, "one_swap", None)
    season = plan.calendar.assign(
        block=[blocks[w - 1] if w > 0 else -1 for w in plan.calendar["practice_week"]]
    )
    settings = {**plan.settings, "design": "one_swap", "block_weeks": blocks.count(0)}
    return replace(plan, settings=settings, calendar=season)


def _expectation(expected: DesignPrecision) -> str:
    c = expected.contraction
    if c > MAX_CONTRACTION_TO_TELL:
        ending = 'so it will almost surely end in "cannot tell"'
    elif c > MEASURED_CONTRACTION:
        ending = "so a lean is the most it can end in, unless game attempts are more than assumed"
    else:
        ending = "so it can settle the question if the difference is large enough"
    return (
        f"This plan is expected to leave {c:.0%} of the starting uncertainty, {ending} "
        f"({expected.scenario.game_attempts:g} game attempts a player and week assumed)."
    )


def _loss(expected: DesignPrecision, best: DesignPrecision) -> str:
    ratio = expected.se / best.se
    if not math.isfinite(ratio):
        return "as drawn it cannot tell the mixes apart at all"
    if ratio < 1.0:
        return f"its standard error is {ratio:.2f} times that of one swap"
    return (
        f"its standard error is {ratio:.2f} times that of one swap, which takes "
        f"{ratio**2:.1f} times the team-seasons to make up for"
    )


def _blocks(loss: str) -> str:
    return (
        "Short blocks blur the contrast, because what was learned in one block is still there in "
        f"the next: {loss}."
    )


def _parallel(loss: str) -> str:
    return (
        "Parallel groups compare different players: nobody meets both mixes, and the result "
        "leans on how much players differ and on the balance of the groups. On the assumed "
        f"spread of players {loss}."
    )
