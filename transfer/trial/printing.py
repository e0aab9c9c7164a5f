"""Templates of the printable trial pages: filled in with escaping on, no network, no script."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

from transfer.page.stamp import stamp_line

if TYPE_CHECKING:
    from transfer.trial.plan import TrialPlan

__all__ = ["plan_stamp", "render"]


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("transfer.trial", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def render(template: str, **values: object) -> str:
    """Fill a template of this package in; every value is escaped.

    Parameters
    ----------
    template : str
        File name in ``templates``.
    **values : object
        What the template shows.

    Returns
    -------
    str
        A complete HTML page.
    """
    return str(_environment().get_template(template).render(**values))


def plan_stamp(plan: TrialPlan) -> str:
    """What every page of a plan says of itself."""
    table, seed = plan.table, plan.settings["seed"]
    return stamp_line(
        {str(program) for program in table["program"]},
        days=(str(table["first_day"].min()), str(table["last_day"].max())),
        what="practice planned",
        seed=None if seed is None else int(seed),
    )
