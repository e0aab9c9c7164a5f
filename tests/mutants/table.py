"""Which modules are mutated, and which test files are held responsible for each."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["MODULES", "SAMPLE", "SEED", "Target"]

#: Mutants tried in a module that is not mutated in full, every k-th from a seeded start.
SAMPLE = 40
SEED = 20261126


@dataclass(frozen=True)
class Target:
    """A module under mutation.

    Parameters
    ----------
    tests : tuple of str
        Test files below ``tests/``, quickest first; tests marked ``fit`` or ``slow`` are left out.
    whole : bool
        Every mutant is tried and nine of ten must be caught; otherwise a sample of `SAMPLE`.
    """

    tests: tuple[str, ...]
    whole: bool = False


_RECORDS = (
    *("records/test_records_values.py", "records/test_records_problems.py"),
    *("records/test_records_files.py", "records/test_records_causes.py"),
    "records/test_records_properties.py",
)

MODULES: dict[str, Target] = {
    "transfer.verdict": Target(("test_verdict.py",), whole=True),
    "transfer.models.sampling": Target(("models/test_models_gate.py",), whole=True),
    "transfer.models.alignment": Target(
        (
            "models/test_models_alignment.py",
            "models/test_models_gate.py",
            "models/test_models_returners.py",
            "models/test_models_roles.py",
            "forecast/test_forecast_leave_out.py",
        )
    ),
    "transfer.forecast.scoring": Target(
        ("forecast/test_forecast_scores_by_hand.py", "forecast/test_forecast_scoring.py"),
        whole=True,
    ),
    "transfer.models.composition": Target(("models/test_models_composition.py",), whole=True),
    "transfer.trial.permutation": Target(
        ("trial/test_trial_permutation_by_hand.py", "trial/test_trial_permutation.py"), whole=True
    ),
    "transfer.page.suppression": Target(
        ("page/test_page_suppression.py", "faults/test_faults_suppression.py"), whole=True
    ),
    "transfer.models.tails": Target(("models/test_models_trust.py", "models/test_models_tails.py")),
    "transfer.models.predictive": Target(
        ("models/test_models_trust.py", "models/test_models_predictive.py")
    ),
    "transfer.models.psis": Target(("models/test_models_psis.py", "models/test_models_trust.py")),
    "transfer.forecast.leave_out": Target(
        (
            "models/test_models_trust.py",
            "forecast/test_forecast_leave_out.py",
            "forecast/test_forecast_players.py",
        )
    ),
    "transfer.forecast.rolling_origin": Target(
        ("forecast/test_forecast_scoring.py", "forecast/test_forecast_leave_out.py")
    ),
    "transfer.reading.conversion": Target(
        ("forecast/test_forecast_players.py", "reports/test_reports_depths.py")
    ),
    "transfer.models.population_prior": Target(("models/test_models_population_prior.py",)),
    "transfer.trial.assignment": Target(
        ("trial/test_trial_assignment.py", "trial/test_trial_permutation.py")
    ),
    "transfer.trial.assurance": Target(("trial/test_trial_design_assurance.py",)),
    "transfer.mix.advice": Target(("mix/test_mix_advice.py", "mix/test_mix_value.py")),
    "transfer.records.pseudonyms": Target(("records/test_records_pseudonyms.py",)),
    "transfer.records.values": Target(_RECORDS),
    "transfer.records.rules": Target(_RECORDS),
}
