"""What practice tells among players of one role, beside what it tells over all players."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pandas as pd

from transfer.models.alignment import require_passed
from transfer.models.composition import compose
from transfer.models.posterior import TransferPosterior
from transfer.models.roles import ROLE_TERMS, has_roles, overall_population, overall_prior
from transfer.reading.reading import summarise
from transfer.results import Interval, Result, interval_from_draws

__all__ = ["RoleReading", "read_roles"]

_WORDS = {"position": "position", "class_year": "class year", "volume": "volume of practice"}


@dataclass(frozen=True)
class RoleReading(Result):
    """R2 of practice for games, among players of one role and over all.

    Parameters
    ----------
    table : DataFrame
        One row per ``quantity`` (``all``, ``rep``, ``live``; only those that exist) and ``among``
        (``same role``, ``all players``): ``mean``, ``low``, ``high``, ``prior_mean``,
        ``prior_low``, ``prior_high``, ``prob``, ``kind``.
    difference : Interval
        R2 of all practice over all players minus that among players of one role.
    roles : tuple of str
        What was adjusted for, in words.
    text : str
    """

    table: pd.DataFrame
    difference: Interval
    roles: tuple[str, ...]
    text: str

    @property
    def differs(self) -> bool:
        """Whether the interval of the difference leaves out zero."""
        return self.difference.low > 0 or self.difference.high < 0

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "adjusted_for": list(self.roles),
            "r2": self.table.to_dict(orient="records"),
            "all_players_minus_same_role": self.difference.to_dict(),
            "differs": self.differs,
            "text": self.text,
        }


def read_roles(posterior: TransferPosterior, prob: float = 0.90) -> RoleReading | None:
    """Read what practice tells within roles and over all of them.

    Parameters
    ----------
    posterior : TransferPosterior
    prob : float
        Probability of every interval, equal-tailed.

    Returns
    -------
    RoleReading or None
        None where the fit has no role terms, or no practice.

    Raises
    ------
    DiagnosticsError
        When the fit did not pass its diagnostics.
    """
    require_passed(posterior.diagnostics)
    if not has_roles(posterior) or not posterior.settings:
        return None
    groups = {
        "same role": (posterior.population, posterior.prior),
        "all players": (overall_population(posterior), overall_prior(posterior)),
    }
    rows, of_all = [], []
    for among, populations in groups.items():
        after, before = (compose(p, posterior.settings, posterior.modes) for p in populations)
        of_all.append(after.r2_all)
        for quantity in ("all", "rep", "live"):
            draws, prior = (getattr(c, f"r2_{quantity}") for c in (after, before))
            if draws is not None:
                shares = summarise(draws, prob, "") | summarise(prior, prob, "prior_")
                rows.append({"quantity": quantity, "among": among, **shares})
    table = pd.DataFrame(rows).assign(prob=prob, kind="eti")
    difference = interval_from_draws(of_all[1] - of_all[0], prob)
    roles = tuple(_WORDS[term] for term in ROLE_TERMS if term in posterior.terms)
    return RoleReading(table, difference, roles, _write(table, difference, roles))


def _write(table: pd.DataFrame, difference: Interval, roles: tuple[str, ...]) -> str:
    """Sentences on the two shares and on what roles do to the second."""
    named = roles[0] if len(roles) == 1 else f"{', '.join(roles[:-1])} and {roles[-1]}"
    alike, everyone = (
        f"{row['mean']:.0%} ({row['prob']:.0%} equal-tailed interval {row['low']:.0%} to "
        f"{row['high']:.0%}; before these records {row['prior_mean']:.0%})"
        for _, row in table[table["quantity"] == "all"].iterrows()
    )
    if difference.low > 0:
        first = f"Part of the link between practice and games comes from {named}"
    elif difference.high < 0:
        first = f"Part of the link between practice and games is hidden by {named}"
    else:
        first = f"Whether the link between practice and games comes from {named} is open"
    return (
        f"{first}: over all players practice accounts for {everyone} of the differences in true "
        f"game shooting, among players of the same {named} for {alike}. All other figures are "
        f"about players of the same {named}."
    )
