"""What every result carries: a table, a quotable sentence, intervals with kind and probability.

Results are frozen dataclasses. ``.table`` is tidy with raw floats, ``.text`` is the sentence a
person may quote, ``.to_dict()`` is plain values for JSON, and ``.provenance`` says what made it.
"""

from __future__ import annotations

import html
import math
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any, ClassVar, Literal, NamedTuple

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["Estimates", "Interval", "Result", "interval_from_draws", "plain"]

#: ``eti`` equal-tailed; ``hdi`` highest density; other kinds are frequentist method names.
IntervalKind = Literal[
    "eti",
    "hdi",
    "wilson",
    "jeffreys",
    "clopper_pearson",
    "agresti_coull",
    "modified_jeffreys",
    "newcombe",
    "miettinen_nurminen",
    "mee",
    "profile_likelihood",
    "q_profile",
    "bootstrap",
    "normal",
    "t",
]


@dataclass(frozen=True)
class Interval:
    """An interval that says what it is.

    Parameters
    ----------
    low, high : float
        Limits, in the unit of the estimate.
    prob : float
        Probability (or confidence) content, between 0 and 1.
    kind : str
        ``"eti"`` (equal-tailed), ``"hdi"``, or the name of the frequentist method.
    holds : {"expected rate", "count to come", "difference", "parameter"}
        What the band holds: the long-run rate, or the next counted attempts.
    """

    low: float
    high: float
    prob: float
    kind: IntervalKind = "eti"
    holds: Literal["expected rate", "count to come", "difference", "parameter"] = "parameter"

    def __post_init__(self) -> None:
        if not 0.0 < self.prob < 1.0:
            raise ArgumentError(
                f"prob={self.prob!r} is not an interval probability",
                rule="0 < prob < 1",
                next_step="pass e.g. prob=0.90",
            )
        if self.low > self.high:
            raise ArgumentError(
                f"interval limits are reversed: low={self.low!r} > high={self.high!r}",
                rule="low <= high",
                next_step="pass the smaller limit as low",
            )

    def to_dict(self) -> dict[str, object]:
        """Return prob, kind, low, high and what the band holds."""
        return {
            "prob": self.prob,
            "kind": self.kind,
            "low": float(self.low),
            "high": float(self.high),
            "holds": self.holds,
        }


class Estimates(NamedTuple):
    """Columns of a result's table that a plain figure draws: a value, its limits, another value."""

    value: str
    low: str = ""
    high: str = ""
    beside: str = ""


class Result:
    """What every result is: a frozen dataclass with a table, a sentence and plain values.

    Attributes
    ----------
    table : DataFrame
        Tidy, raw floats.
    text : str
        The sentence that a person may quote.
    """

    #: Module that draws this result: `frame` makes a table of it, `draw` a figure of the table.
    _figure: ClassVar[str] = "transfer.page.figure_rows"
    #: What the figure of a result without one of its own shows.
    _estimates: ClassVar[Estimates] = Estimates("mean", "low", "high")

    if TYPE_CHECKING:  # fields of some results, properties of others

        @property
        def table(self) -> pd.DataFrame: ...  # noqa: D102

        @property
        def text(self) -> str: ...  # noqa: D102

    def plot(self) -> Figure:
        """Draw the result.

        Returns
        -------
        matplotlib.figure.Figure
            Not registered with any window system; a notebook shows it where it stands last.
        """
        # By its name: figures lie in rooms above.
        module = import_module(self._figure)
        drawn: Figure = module.draw(module.frame(self))
        return drawn

    def _repr_html_(self) -> str:
        """The sentence and the table, for a notebook."""
        rows = self.table.to_html(max_rows=20, float_format="{:.4g}".format, border=0)
        return f"<p>{html.escape(self.text)}</p>\n{rows}"


def interval_from_draws(
    draws: np.ndarray,
    prob: float = 0.90,
    holds: Literal["expected rate", "count to come", "difference", "parameter"] = "parameter",
) -> Interval:
    """Equal-tailed interval of posterior draws.

    Parameters
    ----------
    draws : array, shape (D,)
        Posterior draws of one quantity.
    prob : float
        Probability content.
    holds : str
        What the band holds, see `Interval`.

    Raises
    ------
    ArgumentError
        When there are no finite draws.
    """
    values = np.asarray(draws, dtype=float).ravel()
    if values.size == 0 or not np.all(np.isfinite(values)):
        raise ArgumentError(
            f"draws hold {values.size} values, {int(np.sum(~np.isfinite(values)))} not finite",
            rule="an interval needs at least one draw and only finite draws",
            next_step="check the fit's diagnostics before summarising it",
        )
    low, high = np.quantile(values, [(1 - prob) / 2, (1 + prob) / 2])
    return Interval(float(low), float(high), prob, "eti", holds)


def plain(value: Any) -> Any:
    """Turn numpy, pandas and dataclass values into JSON-ready ones (NaN becomes null).

    Parameters
    ----------
    value : object
        Anything a result holds.

    Returns
    -------
    object
        Nested dicts, lists, strings, numbers, booleans and None only.
    """
    if hasattr(value, "to_dict") and not isinstance(value, (pd.DataFrame, pd.Series)):
        return plain(value.to_dict())
    if isinstance(value, pd.DataFrame):
        return [plain(row) for row in value.to_dict(orient="records")]
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return [plain(v) for v in value.tolist()]
    if isinstance(value, (list, tuple, set, frozenset, pd.Series, pd.Index)):
        return [plain(v) for v in value]
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is pd.NA or value is pd.NaT:
        return None
    if hasattr(value, "isoformat"):
        return value.isoformat()
    return value
