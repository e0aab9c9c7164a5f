"""Sessions that vary by more than chance: what an attempt is worth, setting by setting.

The transfer model takes the attempts of a player and setting for independent. Where his sessions
vary more than that (form, fatigue, another charter), n attempts tell as much as n / D would, D the
design effect (`transfer.rates.dispersion`), and enter the fit as that many. The rule is fixed: a
setting's counts are divided where its design effect is above
`transfer.rates.dispersion.HARMLESS_DESIGN_EFFECT` and the interval of the within-session
correlation leaves out zero; otherwise they enter as they are.
"""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from transfer.errors import IdentificationError
from transfer.models.posterior import TransferPosterior
from transfer.rates.dispersion import dispersion

__all__ = ["design_effects", "effective_counts_text"]


def design_effects(sessions: pd.DataFrame) -> dict[str, float]:
    """Number by which each setting's attempts are divided, only where the rule asks for it.

    Parameters
    ----------
    sessions : DataFrame
        From `transfer.records.sessions.session_cells`. Sets with a target stop on the outcome and
        are left out.

    Returns
    -------
    dict of str to float
        By setting, ``"game"`` included; settings whose counts enter as they are have no entry.
    """
    free = sessions[sessions["target"].isna()]
    keys = ["unit", "setting", "date", "session"]
    counts = free.groupby(keys, as_index=False, observed=True)[["n", "y"]].sum()
    effects = {}
    for setting, rows in counts.groupby("setting", sort=False, observed=True):
        try:
            found = dispersion(rows)
        except IdentificationError:
            continue  # too few sessions to tell: as they are
        if found.reading == "not_harmless":
            effects[str(setting)] = found.design_effect
    return effects


def effective_counts_text(posterior: TransferPosterior) -> str:
    """Say beside a verdict which counts entered the fit as fewer; empty where none did."""
    effects: Mapping[str, float] = posterior.design_effects
    if not effects:
        return ""
    told = ", ".join(f"{setting} {effect:.1f}" for setting, effect in sorted(effects.items()))
    return (
        "Sessions of one player vary by more than chance, so attempts count as fewer in all "
        f"estimates here; divided by: {told}."
    )
