"""What a plan costs in precision, in words, before any outcome exists."""

from __future__ import annotations

from transfer.decisions.trial.plan import TrialPlan

__all__ = ["plan_warnings"]


def plan_warnings(plan: TrialPlan) -> list[str]:
    """Sentences that the planner should read before the first practice.

    Parameters
    ----------
    plan : TrialPlan

    Returns
    -------
    list of str
        Empty when there is nothing to warn of.
    """
    settings = plan.settings
    notes = []
    if settings["design"] == "blocks":
        notes.append(
            "Short blocks blur the contrast: what was learned in one block is still there in the "
            "next. One swap in the middle of the season tells more."
        )
    if settings["design"] == "parallel":
        notes.append(
            "Parallel groups compare different players: the result leans on how much players "
            "differ and on the balance of the groups, and nobody meets both mixes. One swap lets "
            "each player be his or her own comparison."
        )
    if settings["contrast"] < 0.75:
        notes.append(
            f"A split of {settings['contrast']:.0%} to {1 - settings['contrast']:.0%} is a weak "
            "contrast; 80/20 or more is easier to see."
        )
    early = [week for week in settings["looks"] if not _has_swapped(plan, week)]
    if settings["design"] != "parallel" and early:
        notes.append(
            f"The look after week {', '.join(map(str, early))} comes before the swap and only "
            "compares different players."
        )
    return notes


def _has_swapped(plan: TrialPlan, week: int) -> bool:
    return any(swap <= week for swap in plan.swap_weeks)
