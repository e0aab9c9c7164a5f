"""The contrast under other assumptions: half-life, response, width of the prior, joint outcomes."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from transfer.decisions.trial.readings import TrialReading, read_contrast
from transfer.errors import DiagnosticsError
from transfer.models.growth_data import GrowthData
from transfer.models.growth_laplace import fit_growth_laplace
from transfer.models.growth_settings import (
    SENSITIVITY_HALF_LIVES,
    SENSITIVITY_SHAPES,
    GrowthSettings,
)

__all__ = ["sensitivity_table"]

#: Width of the prior on each gain relative to the default (judgement, no source).
PRIOR_WIDTHS = {"half as wide": 0.5, "twice as wide": 2.0}


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
        As in `transfer.decisions.trial.readings.read_contrast`.

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
