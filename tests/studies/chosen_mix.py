"""Own simulation: what the mix advice says where the staff gave live work to hot players.

The truth is that live and rep work do the same. ``python tests/studies/chosen_mix.py OUT.md
[SEASONS] [SEED]`` writes the table; without a lot "change" must never come up.
"""

from __future__ import annotations

import sys

import numpy as np

from transfer.files import write_text
from transfer.mix.choose import advise_mix
from transfer.mix.limits import MixLimits
from transfer.models.growth_bias import allow_for_choice
from transfer.models.growth_data import growth_data_from_season
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import GrowthPriors
from transfer.provenance import Provenance
from transfer.simulation.growth import (
    Confounding,
    GrowthTruth,
    simulate_growth,
    without_difference,
)
from transfer.simulation.schedules import Observational

__all__ = ["advice_on_hot_form", "main"]

TEAMS = (1, 3, 6)
#: Weekly form and how strongly the staff follows it, logits (scenario, no source).
FORM_SD, FORM_PUSH = 0.25, 1.0
DRAWS = 2000


def advice_on_hot_form(teams: int, seasons: int, seed: int) -> dict[str, float]:
    """Count the seasons in which the advice is to change, and how sure the gains look.

    Parameters
    ----------
    teams, seasons, seed : int

    Returns
    -------
    dict
        ``change`` (seasons), mean ``uncorrected`` and ``corrected`` live minus rep (logit),
        their ``error`` (Monte Carlo, of the corrected one), share of 90 % intervals that ``cover``
        zero without and with the bias, and mean ``left`` of the starting uncertainty.
    """
    truth = without_difference(GrowthTruth(teams=teams, form_sd=FORM_SD))
    prior = GrowthPriors().draw_gains(DRAWS, seed)
    rows = []
    for index in range(seasons):
        drawn = int(np.random.default_rng([seed, teams, index]).integers(2**31))
        season = simulate_growth(truth, Observational(), drawn, Confounding(form=FORM_PUSH))
        bare = fit_growth_laplace(growth_data_from_season(season), draws=DRAWS, seed=1)
        fit = allow_for_choice(bare)
        advice = advise_mix(
            fit.gains,
            prior,
            {"rep": 35.0, "live": 35.0},
            {"rep": 4.0, "live": 1.0},
            MixLimits(70.0),
            0.40,
            Provenance(seed, "sim"),
        )
        rows.append(
            (
                advice.advice == "change the mix",
                bare.delta.mean(),
                fit.delta.mean(),
                bare.interval().low <= 0 <= bare.interval().high,
                fit.interval().low <= 0 <= fit.interval().high,
                advice.contraction,
            )
        )
    table = np.array(rows, dtype=float)
    mean = table.mean(axis=0)
    return {
        "change": table[:, 0].sum(),
        "uncorrected": mean[1],
        "corrected": mean[2],
        "error": table[:, 2].std(ddof=1) / np.sqrt(seasons),
        "cover_without": mean[3],
        "cover_with": mean[4],
        "left": mean[5],
    }


def main(out: str, seasons: int = 20, seed: int = 20261126) -> None:
    """Run every size and write the table."""
    lines = [
        "# Mix advice where live work follows hot form, no true difference\n",
        f"`python tests/studies/chosen_mix.py OUT.md {seasons} {seed}`; "
        f"{seasons} seasons a row, form "
        f"sd {FORM_SD:g}, push {FORM_PUSH:g}; Laplace fits. Invented data.\n",
        "| teams | advice: change | live minus rep, bias ignored | allowed for (Monte Carlo s.e.) "
        "| 90 % interval covers 0: ignored | allowed for | starting uncertainty left |",
        "|---" * 7 + "|",
    ]
    for teams in TEAMS:
        r = advice_on_hot_form(teams, seasons, seed)
        lines.append(
            f"| {teams} | {r['change']:.0f} of {seasons} | {r['uncorrected']:+.2f} "
            f"| {r['corrected']:+.2f} ({r['error']:.2f}) | {r['cover_without']:.2f} "
            f"| {r['cover_with']:.2f} | {r['left']:.2f} |"
        )
    write_text(out, "\n".join(lines) + "\n")


if __name__ == "__main__":
    main(sys.argv[1], *(int(word) for word in sys.argv[2:]))
