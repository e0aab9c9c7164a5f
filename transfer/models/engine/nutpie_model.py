"""The one place that knows how nutpie wants a model: its class for compiled PyMC models.

nutpie takes addresses of machine code only through the class that its PyMC front end fills, whose
fields are not documented; some begin with an underscore. `FIELDS` are those that are filled here
and `LEFT_OUT` those that have a default. A test holds both against the installed nutpie.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np

__all__ = ["FIELDS", "LEFT_OUT", "for_nutpie"]

FIELDS = (
    "dims", "compiled_logp_func", "compiled_expand_func", "initial_point_func", "shared_data",
    "shared_var_keys", "user_data", "n_expanded", "shape_info", "logp_func", "expand_func",
    "_n_dim", "_shapes", "_coords",
)  # fmt: skip
LEFT_OUT = ("reparameterized_names", "_transform_adapt_args")


@dataclass(frozen=True)
class _Address:
    """What nutpie asks of a compiled function."""

    address: int


def for_nutpie(
    buffer: np.ndarray,
    dim: int,
    shapes: dict[str, tuple[int, ...]],
    start: Callable[[int | None], np.ndarray],
) -> Any:
    """Wrap the compiled density for nutpie.

    Parameters
    ----------
    buffer : array of float
        The model as the compiled density reads it.
    dim : int
        Number of coordinates.
    shapes : dict of str to tuple of int
        Names and shapes of what a draw holds, in order.
    start : callable
        From a seed to a starting point.

    Returns
    -------
    nutpie.compile_pymc.CompiledPyMCModel
        nutpie calls the machine code directly, without Python, so chains run side by side.
    """
    from nutpie.compile_pymc import CompiledPyMCModel

    from transfer.models.engine.kernel import expand_address, logp_address

    sizes = [int(np.prod(shape, dtype=int)) for shape in shapes.values()]
    ends = np.cumsum(sizes)
    slices = [slice(int(end - n), int(end)) for end, n in zip(ends, sizes, strict=True)]
    values: tuple[Any, ...] = (
        {}, _Address(logp_address()), _Address(expand_address()), start, {},
        {}, buffer, int(ends[-1]), (list(shapes), slices, list(shapes.values())), None, None,
        dim, shapes, {},
    )  # fmt: skip
    return CompiledPyMCModel(**dict(zip(FIELDS, values, strict=True)))
