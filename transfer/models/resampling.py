"""From weighted draws to equally weighted ones, with little noise."""

from __future__ import annotations

import numpy as np

__all__ = ["systematic_resample"]


def systematic_resample(
    log_weights: np.ndarray, count: int, rng: np.random.Generator
) -> np.ndarray:
    """Positions of draws in proportion to their weights.

    Parameters
    ----------
    log_weights : array, shape (D,)
        Unnormalised.
    count : int
        How many positions.
    rng : Generator

    Returns
    -------
    array of int, shape (count,)
        In random order, so that they can be paired with other draws.
    """
    weights = np.exp(log_weights - np.max(log_weights))
    edges = np.cumsum(weights) / np.sum(weights)
    points = (np.arange(count) + rng.random()) / count
    found = np.minimum(np.searchsorted(edges, points), log_weights.size - 1)
    return np.asarray(rng.permutation(found))
