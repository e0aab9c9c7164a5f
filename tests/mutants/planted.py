"""Four faults in what says "trust this", each of which must fail a test that is named for it."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["PLANTED", "Fault"]


@dataclass(frozen=True)
class Fault:
    """A mistake to plant: a text of a module that stands there once, and what to put instead.

    `tests` is the file, below ``tests/``, that answers for it.
    """

    name: str
    module: str
    before: str
    after: str
    tests: str = "models/test_models_trust.py"


PLANTED = (
    Fault(
        "the gate lets every fit pass",
        "transfer.models.sampling",
        "divergences, not failures, False",
        "divergences, True, False",
        "models/test_models_gate.py",
    ),
    Fault(
        "the limit of k-hat is 1.5",
        "transfer.models.psis",
        "KHAT_LIMIT = 0.7",
        "KHAT_LIMIT = 1.5",
    ),
    Fault(
        "chance varies four times as much in the tail check",
        "transfer.models.tails",
        "1.0 / np.maximum(n * rate * (1.0 - rate), 1e-9)",
        "4.0 / np.maximum(n * rate * (1.0 - rate), 1e-9)",
    ),
    Fault(
        "ties count for nothing in the predictive check",
        "transfer.models.predictive",
        "below = (again < y[held]).mean(axis=0) + 0.5 * (again == y[held]).mean(axis=0)",
        "below = (again < y[held]).mean(axis=0)",
    ),
)
