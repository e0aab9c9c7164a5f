"""Does practice shooting show up in games? See ``README.md`` for the job in one paragraph.

The names below are the public interface. They load when they are first used, so that
``import transfer`` costs nothing and a reader of record files never loads a sampler.
"""

from __future__ import annotations

import importlib
import sys
from typing import TYPE_CHECKING, Any

# pip refuses older ones itself; a checkout that is only put on the path is imported by any.
if sys.version_info < (3, 12):  # noqa: UP036
    found = ".".join(map(str, sys.version_info[:3]))
    raise ImportError(f"transfer needs Python 3.12 or newer; this is Python {found}")

if TYPE_CHECKING:  # what type checkers and editors see; held against ``_HOMES`` by a test
    from transfer.errors import (
        ArgumentError,
        DiagnosticsError,
        IdentificationError,
        InfeasibleError,
        MissingPackageError,
        RecordsError,
        StorageError,
        TransferError,
    )
    from transfer.forecast.forecast import (
        Forecast,
        forecast_games,
        forecast_next_season,
        forecast_unseen,
    )
    from transfer.forecast.leave_out import score_leave_player_out
    from transfer.forecast.rolling_origin import score_rolling_origin
    from transfer.mix.advice import MixAdvice
    from transfer.mix.charting import ChartingPlan, chart_next
    from transfer.mix.choose import advise_mix
    from transfer.mix.limits import MixLimits
    from transfer.mix.measured import MeasuredMix, growth_draws, measure_mix
    from transfer.models.fit import fit_transfer
    from transfer.models.growth import fit_growth
    from transfer.models.growth_data import GrowthData, growth_data
    from transfer.models.growth_laplace import fit_growth_laplace
    from transfer.models.growth_posterior import GrowthPosterior
    from transfer.models.growth_settings import GrowthPriors, GrowthSettings
    from transfer.models.posterior import Diagnostics, TransferPosterior
    from transfer.models.predictive import (
        PosteriorPredictive,
        PriorPredictive,
        posterior_predictive,
        prior_predictive,
    )
    from transfer.models.priors import TransferPriors
    from transfer.models.sampling import SamplerSettings
    from transfer.models.storage import load_fit, save_fit
    from transfer.provenance import Provenance
    from transfer.rates.agreement import Agreement, cohen_agreement
    from transfer.rates.attenuation import Attenuation, correct_for_attenuation
    from transfer.rates.differences import RateDifference, rate_difference
    from transfer.rates.dispersion import Dispersion, dispersion
    from transfer.rates.intervals import proportion_interval
    from transfer.rates.inverse_sampling import (
        InverseRate,
        first_to_k_rate,
        ladder_rate,
        pooled_first_to_k,
    )
    from transfer.rates.rate_table import RateTable, rate_table
    from transfer.rates.reliability import attempts_for_reliability
    from transfer.rates.shrinkage import BetaBinomialFit, fit_beta_binomial
    from transfer.reading.conversion import Conversion, conversion_table
    from transfer.reading.information import Information, read_information
    from transfer.reading.reading import Reading, read_transfer
    from transfer.records.cells import Cells, build_cells
    from transfer.records.reading import Records, read_records
    from transfer.records.season import SeasonConfig, read_season, start_season
    from transfer.records.weeks import WeeklyCells, weekly_cells
    from transfer.reports.report import Report
    from transfer.results import Interval, Result
    from transfer.session.challenge import ChallengeBand, find_challenge
    from transfer.session.defenders import DefenderRatings, rate_defenders
    from transfer.session.plan import SessionPlan, plan_session
    from transfer.simulation.seasons import TransferTruth, simulate_cells
    from transfer.simulation.write import write_demo
    from transfer.study import Study
    from transfer.trial.analysis import TrialAnalysis, analyse_trial
    from transfer.trial.assurance import Assurance, assurance, until_we_know
    from transfer.trial.design import DesignPrecision, Scenario, design_grid
    from transfer.trial.plan import TrialPlan, make_plan, read_plan
    from transfer.verdict import Verdict, judge

#: Module -> the public names that live there.
_HOMES: dict[str, tuple[str, ...]] = {
    "transfer.errors": (
        "ArgumentError",
        "DiagnosticsError",
        "IdentificationError",
        "InfeasibleError",
        "MissingPackageError",
        "RecordsError",
        "StorageError",
        "TransferError",
    ),
    "transfer.results": (
        "Interval",
        "Result",
    ),
    "transfer.provenance": ("Provenance",),
    "transfer.records.reading": (
        "Records",
        "read_records",
    ),
    "transfer.records.cells": (
        "Cells",
        "build_cells",
    ),
    "transfer.records.weeks": (
        "WeeklyCells",
        "weekly_cells",
    ),
    "transfer.records.season": (
        "SeasonConfig",
        "read_season",
        "start_season",
    ),
    "transfer.rates.rate_table": (
        "RateTable",
        "rate_table",
    ),
    "transfer.rates.intervals": ("proportion_interval",),
    "transfer.rates.differences": (
        "RateDifference",
        "rate_difference",
    ),
    "transfer.rates.shrinkage": (
        "BetaBinomialFit",
        "fit_beta_binomial",
    ),
    "transfer.rates.reliability": ("attempts_for_reliability",),
    "transfer.rates.attenuation": (
        "Attenuation",
        "correct_for_attenuation",
    ),
    "transfer.rates.dispersion": (
        "Dispersion",
        "dispersion",
    ),
    "transfer.rates.inverse_sampling": (
        "InverseRate",
        "first_to_k_rate",
        "ladder_rate",
        "pooled_first_to_k",
    ),
    "transfer.rates.agreement": (
        "Agreement",
        "cohen_agreement",
    ),
    "transfer.simulation.write": ("write_demo",),
    "transfer.simulation.seasons": (
        "TransferTruth",
        "simulate_cells",
    ),
    "transfer.models.priors": ("TransferPriors",),
    "transfer.models.posterior": (
        "Diagnostics",
        "TransferPosterior",
    ),
    "transfer.models.fit": ("fit_transfer",),
    "transfer.models.predictive": (
        "PosteriorPredictive",
        "PriorPredictive",
        "posterior_predictive",
        "prior_predictive",
    ),
    "transfer.models.sampling": ("SamplerSettings",),
    "transfer.models.storage": (
        "load_fit",
        "save_fit",
    ),
    "transfer.models.growth_settings": (
        "GrowthPriors",
        "GrowthSettings",
    ),
    "transfer.models.growth_data": (
        "GrowthData",
        "growth_data",
    ),
    "transfer.models.growth_posterior": ("GrowthPosterior",),
    "transfer.models.growth": ("fit_growth",),
    "transfer.models.growth_laplace": ("fit_growth_laplace",),
    "transfer.verdict": (
        "Verdict",
        "judge",
    ),
    "transfer.reading.reading": (
        "Reading",
        "read_transfer",
    ),
    "transfer.reading.information": (
        "Information",
        "read_information",
    ),
    "transfer.reading.conversion": (
        "Conversion",
        "conversion_table",
    ),
    "transfer.forecast.forecast": (
        "Forecast",
        "forecast_games",
        "forecast_next_season",
        "forecast_unseen",
    ),
    "transfer.forecast.leave_out": ("score_leave_player_out",),
    "transfer.forecast.rolling_origin": ("score_rolling_origin",),
    "transfer.trial.plan": (
        "TrialPlan",
        "make_plan",
        "read_plan",
    ),
    "transfer.trial.design": (
        "DesignPrecision",
        "Scenario",
        "design_grid",
    ),
    "transfer.trial.assurance": (
        "Assurance",
        "assurance",
        "until_we_know",
    ),
    "transfer.trial.analysis": (
        "TrialAnalysis",
        "analyse_trial",
    ),
    "transfer.mix.measured": (
        "MeasuredMix",
        "growth_draws",
        "measure_mix",
    ),
    "transfer.mix.limits": ("MixLimits",),
    "transfer.mix.advice": ("MixAdvice",),
    "transfer.mix.choose": ("advise_mix",),
    "transfer.mix.charting": (
        "ChartingPlan",
        "chart_next",
    ),
    "transfer.session.challenge": (
        "ChallengeBand",
        "find_challenge",
    ),
    "transfer.session.defenders": (
        "DefenderRatings",
        "rate_defenders",
    ),
    "transfer.session.plan": (
        "SessionPlan",
        "plan_session",
    ),
    "transfer.reports.report": ("Report",),
    "transfer.study": ("Study",),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = [
    "Agreement",
    "ArgumentError",
    "Assurance",
    "Attenuation",
    "BetaBinomialFit",
    "Cells",
    "ChallengeBand",
    "ChartingPlan",
    "Conversion",
    "DefenderRatings",
    "DesignPrecision",
    "Diagnostics",
    "DiagnosticsError",
    "Dispersion",
    "Forecast",
    "GrowthData",
    "GrowthPosterior",
    "GrowthPriors",
    "GrowthSettings",
    "IdentificationError",
    "InfeasibleError",
    "Information",
    "Interval",
    "InverseRate",
    "MeasuredMix",
    "MissingPackageError",
    "MixAdvice",
    "MixLimits",
    "PosteriorPredictive",
    "PriorPredictive",
    "Provenance",
    "RateDifference",
    "RateTable",
    "Reading",
    "Records",
    "RecordsError",
    "Report",
    "Result",
    "SamplerSettings",
    "Scenario",
    "SeasonConfig",
    "SessionPlan",
    "StorageError",
    "Study",
    "TransferError",
    "TransferPosterior",
    "TransferPriors",
    "TransferTruth",
    "TrialAnalysis",
    "TrialPlan",
    "Verdict",
    "WeeklyCells",
    "advise_mix",
    "analyse_trial",
    "assurance",
    "attempts_for_reliability",
    "build_cells",
    "chart_next",
    "cohen_agreement",
    "conversion_table",
    "correct_for_attenuation",
    "design_grid",
    "dispersion",
    "find_challenge",
    "first_to_k_rate",
    "fit_beta_binomial",
    "fit_growth",
    "fit_growth_laplace",
    "fit_transfer",
    "forecast_games",
    "forecast_next_season",
    "forecast_unseen",
    "growth_data",
    "growth_draws",
    "judge",
    "ladder_rate",
    "load_fit",
    "make_plan",
    "measure_mix",
    "plan_session",
    "pooled_first_to_k",
    "posterior_predictive",
    "prior_predictive",
    "proportion_interval",
    "rate_defenders",
    "rate_difference",
    "rate_table",
    "read_information",
    "read_plan",
    "read_records",
    "read_season",
    "read_transfer",
    "save_fit",
    "score_leave_player_out",
    "score_rolling_origin",
    "simulate_cells",
    "start_season",
    "until_we_know",
    "weekly_cells",
    "write_demo",
]


def __getattr__(name: str) -> Any:
    """Load a public name from its module at first use."""
    if name == "__version__":
        from importlib.metadata import version

        return version("practice-transfer")
    if name not in _HOME_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = getattr(importlib.import_module(_HOME_OF[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """List the public names beside what is loaded."""
    return sorted({*globals(), *__all__})
