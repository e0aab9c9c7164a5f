"""From a season's records to the advice on its weekly mix."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from transfer.mix.choose import advise_mix
from transfer.mix.limits import MixLimits
from transfer.mix.measured import MeasuredMix, growth_draws, trial_precision
from transfer.mix.page import MixFacts
from transfer.records.reading import Records

__all__ = ["advise_season"]


def advise_season(
    records: Records,
    measured: MeasuredMix,
    limits: Mapping[str, Any] | None = None,
    *,
    seed: int = 1,
    assigned: bool = False,
    trial_weeks: int | None = None,
    refit: bool = True,
) -> MixFacts:
    """Fit the growth model to a season and advise the week of one program.

    Parameters
    ----------
    records : Records
    measured : MeasuredMix
        The program's mix as charted, from `transfer.mix.measured.measure_mix`.
    limits : mapping, optional
        For `MixLimits`. Without a budget the week keeps the minutes charted lately; proposals stay
        inside the range that the records hold.
    seed : int
    assigned : bool
        Whether the mix in the records was assigned by lot.
    trial_weeks : int, optional
        Weeks of the trial whose worth is told; none is told when omitted.
    refit : bool
        Whether to fit again under other shapes and half-lives.

    Raises
    ------
    InfeasibleError
        When limits contradict each other.
    """
    given = dict(limits or {})
    if given.get("budget") is None:
        given["budget"] = sum(measured.current.values())
    draws = growth_draws(records, seed=seed, randomised=assigned)
    advice = advise_mix(
        draws.growth,
        draws.prior,
        measured.current,
        measured.rates,
        MixLimits(observed=measured.observed, **given),
        measured.game_rate,
        draws.provenance,
        start=measured.start,
        trial_se=None if trial_weeks is None else trial_precision(measured, trial_weeks),
        refit=draws.refit if refit else None,
        assigned=assigned,
    )
    return MixFacts(advice, draws.growth, measured.players, draws.reason)
