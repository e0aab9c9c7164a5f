"""The contrast under other assumptions: half-life, response, width of the prior, joint outcomes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import DiagnosticsError
from transfer.models.growth_data import GrowthData
from transfer.models.growth_joint import JointPosterior, LinkPrior, fit_growth_joint
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import (
    SENSITIVITY_HALF_LIVES,
    SENSITIVITY_SHAPES,
    GrowthSettings,
)
from transfer.trial.effects import points
from transfer.trial.readings import TrialReading, at_most_leaning, read_contrast
from transfer.verdict import judge

__all__ = ["joint_row", "joint_sentence", "sensitivity_table"]

#: Width of the prior on each gain relative to the default (judgement, no source).
PRIOR_WIDTHS = {"half as wide": 0.5, "twice as wide": 2.0}

#: Posterior weights of "no carry-over" (from .5) that say something (judgement, no source).
SPEAKS_FOR, SPEAKS_AGAINST = 0.2, 0.8


def sensitivity_table(
    main: TrialReading,
    data: GrowthData,
    *,
    settings: GrowthSettings,
    rope: tuple[float, float],
    contrast: float,
    minutes: float,
    seed: int,
) -> pd.DataFrame:
    """Fit the main reading again under each other assumption, by the numpy Laplace twin.

    Parameters
    ----------
    main : TrialReading
        Its row comes first.
    data : GrowthData
    settings, rope, contrast, minutes, seed
        As in `transfer.trial.readings.read_contrast`.

    Returns
    -------
    DataFrame
        ``assumption``, ``value``, ``headline`` (whether it is the assumption of the answer), then
        the columns of `TrialReading.row`.
    """
    rows = [
        {"assumption": "headline", "value": main.posterior.method, "headline": True, **main.row()}
    ]
    for assumption, value, changed in _variants(settings):
        try:
            reading = read_contrast(
                data,
                f"{assumption}: {value}",
                fit=fit_growth_laplace,
                settings=changed,
                rope=rope,
                by_lot=main.by_lot,
                contrast=contrast,
                minutes=minutes,
                seed=seed,
            )
        except DiagnosticsError as error:
            rows.append(
                {
                    "assumption": assumption,
                    "value": value,
                    "headline": False,
                    "reading": error.message,
                    "verdict": "not fitted",
                }
            )
            continue
        is_headline = changed == settings
        rows.append(
            {"assumption": assumption, "value": value, "headline": is_headline, **reading.row()}
        )
    if data.practice_n is not None:
        rows += [
            joint_row(joint, main, rope)
            for joint in fit_growth_joint(data, settings, seed=seed).values()
        ]
    return pd.DataFrame(rows)


def _variants(settings: GrowthSettings) -> list[tuple[str, str, GrowthSettings]]:
    variants = [
        ("half-life", f"{weeks:g} weeks", replace(settings, half_life=weeks))
        for weeks in SENSITIVITY_HALF_LIVES
    ]
    variants += [
        ("response", shape, replace(settings, shape=shape)) for shape in SENSITIVITY_SHAPES
    ]
    variants += [
        (
            "prior of a gain",
            name,
            replace(
                settings, priors=replace(settings.priors, gain_sd=settings.priors.gain_sd * by)
            ),
        )
        for name, by in PRIOR_WIDTHS.items()
    ]
    return variants


def joint_row(
    joint: JointPosterior, main: TrialReading, rope: tuple[float, float], draws: int = 4000
) -> dict[str, Any]:
    """The judged contrast if practice gains carry over; never the headline.

    Parameters
    ----------
    joint : JointPosterior
    main : TrialReading
        Gives the contrast, the make rate it starts from and the prior it is held against.
    rope : (float, float)
    draws : int

    Returns
    -------
    dict
        A row of `sensitivity_table`, with ``no_carry_over``, the posterior weight of "practice
        gains say nothing about games", and its prior weight.
    """
    gains = joint.draws(draws, joint.provenance.seed)
    values = points(gains @ np.asarray(main.effect.estimand.weights), main.effect.base_rate)
    verdict = judge(values, main.effect.prior_draws, rope)
    effect = replace(main.effect, draws=values)
    label = f"if practice gains carry over ({joint.variant})"
    capped = verdict if main.by_lot else at_most_leaning(verdict)
    reading = replace(main, label=label, effect=effect, verdict=capped)
    return {
        "assumption": "joint",
        "value": joint.variant,
        "headline": False,
        **reading.row(),
        "no_carry_over_prior": joint.link.no_carry_over,
        "no_carry_over": joint.weight_no_carry_over,
    }


def joint_sentence(row: Mapping[str, Any], link: LinkPrior) -> str:
    """What the joint analysis adds, with its assumption and the weight against it.

    Parameters
    ----------
    row : mapping
        As `joint_row` returns.
    link : LinkPrior
    """
    low = link.carry_mean - 1.96 * link.carry_sd
    high = link.carry_mean + 1.96 * link.carry_sd
    weight = row["no_carry_over"]
    heard = "the records neither confirm nor contradict that"
    if weight < SPEAKS_FOR:
        heard = "the records speak for that"
    elif weight > SPEAKS_AGAINST:
        heard = "the records speak against that"
    return (
        f"If practice gains carry over: {row['low']:+.1f} to {row['high']:+.1f} points. This "
        f"assumes gains in live practice carry into games at {low:.1f}-{high:.1f} of their size; "
        f"{heard} (weight on 'no carry-over' "
        f"{row['no_carry_over_prior']:.0%} before, {weight:.0%} after)."
    )
