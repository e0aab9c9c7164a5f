"""Variety of repetitions: entropy over entry x footwork x side x spot.

Varied repetitions are a goal in themselves (common practice, no source). The score is the Shannon
entropy of the attempts over the four traits, divided by the largest entropy that many attempts
could have: 0 is the same repetition again and again, 1 is no two alike as far as possible.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError

__all__ = ["TRAITS", "Variety", "entropy_bits", "variety"]

#: Traits whose combination makes a repetition different.
TRAITS = ("entry", "footwork", "side", "spot")
#: Combinations that count as "all": 3 entries x 2 take-offs x 3 sides x 7 usual spots.
POSSIBLE = 3 * 2 * 3 * 7


@dataclass(frozen=True)
class Variety:
    """How varied a set of attempts was.

    Parameters
    ----------
    bits : float
        Entropy over the charted combinations.
    score : float
        Bits over the largest possible bits, 0 to 1 (NaN with fewer than two attempts).
    attempts : int
        Attempts with all traits charted.
    combinations : int
        Different combinations among them.
    uncharted : int
        Attempts that lack a trait; they are left out.
    """

    bits: float
    score: float
    attempts: int
    combinations: int
    uncharted: int

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return dict(self.__dict__)


def entropy_bits(counts: np.ndarray) -> float:
    """Shannon entropy of counts in bits; zero counts add nothing."""
    count = np.asarray(counts, dtype=float)
    share = count[count > 0] / count.sum()
    return float(max(0.0, -(share * np.log2(share)).sum()))


def variety(table: pd.DataFrame, weight: str = "n", traits: Sequence[str] = TRAITS) -> Variety:
    """Score the variety of a plan or of charted attempts.

    Parameters
    ----------
    table : DataFrame
        Rows with the trait columns and a column of attempts.
    weight : str
        Column of attempts.
    traits : sequence of str
        Columns whose combination counts.

    Raises
    ------
    ArgumentError
        When a trait or the weight is not a column.
    """
    missing = [name for name in (*traits, weight) if name not in table]
    if missing:
        raise ArgumentError(
            f"columns {', '.join(missing)} are missing",
            rule=f"variety needs {', '.join(traits)} and {weight}",
            next_step="chart these columns, or leave a trait out",
        )
    rows = table[table[weight].gt(0)]
    known = rows[list(traits)].notna().all(axis=1) & (rows[list(traits)].astype(str) != "").all(
        axis=1
    )
    counts = rows[known].groupby(list(traits), observed=True)[weight].sum().to_numpy(dtype=float)
    total = int(counts.sum())
    bits = entropy_bits(counts) if total else 0.0
    most = np.log2(min(total, POSSIBLE)) if total > 1 else float("nan")
    return Variety(
        bits, float(bits / most), total, int(counts.size), int(rows.loc[~known, weight].sum())
    )
