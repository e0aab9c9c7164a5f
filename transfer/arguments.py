"""Guards of arguments: the right kind, one of some words, a number inside limits, else an error."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from functools import cache, wraps
from inspect import signature
from math import isinf
from types import NoneType
from typing import Any, get_args, get_type_hints

from transfer.errors import ArgumentError

__all__ = ["LARGEST_SEED", "between", "choice", "kinds_checked"]

#: How one comes by what functions take.
_MADE_BY = {
    "Cells": "count them: build_cells(records)",
    "DataFrame": "pass a pandas DataFrame",
    "GrowthData": "prepare them: growth_data(table of weekly cells)",
    "GrowthPosterior": "fit first: fit_growth(data)",
    "Records": "read them: read_records(practice, games)",
    "TransferPosterior": "fit first: fit_transfer(cells)",
    "WeeklyCells": "count them: weekly_cells(records)",
}

#: Largest seed: what a signed number of 64 bits holds, as files and other programs store it.
LARGEST_SEED = 2**63 - 1


def choice[T](
    name: str,
    value: T,
    allowed: Iterable[T],
    wrong: str = "",
    *,
    rule: str = "",
    next_step: str = "pass one of these",
) -> T:
    """Return `value` when it is one of the allowed ones.

    Parameters
    ----------
    name : str
        The argument's name.
    value : object
        What was passed.
    allowed : iterable
        In the order in which they are listed.
    wrong : str
        What is wrong with another value, such as ``is not an interval for a rate``.
    rule : str
        The rule in other words than ``one of ...``.
    next_step : str
        What to do about it.

    Raises
    ------
    ArgumentError
        When it is none of them.
    """
    known = tuple(allowed)
    if value in known:
        return value
    raise ArgumentError(
        f"{name}={value!r} {wrong}".rstrip(),
        rule=rule or f"one of {', '.join(map(str, known))}",
        next_step=next_step,
    )


def between(
    name: str,
    value: float,
    wrong: str = "",
    *,
    above: float | None = None,
    at_least: float | None = None,
    below: float | None = None,
    at_most: float | None = None,
    finite: bool = False,
    whole: bool = False,
    rule: str = "",
    next_step: str,
) -> float:
    """Return `value` as a float when it lies inside the limits; a missing value never does.

    Parameters
    ----------
    name : str
        The argument's name.
    value : float
        What was passed.
    wrong : str
        What is wrong with another value, or the unit it was passed in.
    above, at_least : float, optional
        Lower limit, which the value must exceed or may equal.
    below, at_most : float, optional
        Upper limit, which the value must stay under or may equal.
    finite, whole : bool
        Whether infinity is refused, and whether fractions are.
    rule : str
        The rule in other words than the limits.
    next_step : str
        What to do about it.

    Raises
    ------
    ArgumentError
        When it lies outside.
    """
    lower = _limit((">", above), (">=", at_least))
    upper = _limit(("<", below), ("<=", at_most))
    inside = (
        value == value
        and (above is None or value > above)
        and (at_least is None or value >= at_least)
        and (below is None or value < below)
        and (at_most is None or value <= at_most)
        and not (finite and isinf(value))
        and not (whole and (isinf(value) or value != int(value)))
    )
    if inside:
        return float(value)
    if lower and upper:
        sign, number = lower.split()
        limits = f"{number} {sign.replace('>', '<')} {name} {upper}"
    else:
        limits = f"{name} {'is a whole number ' if whole else ''}{lower or upper}"
    raise ArgumentError(
        f"{name}={value!r} {wrong}".rstrip(),
        rule=rule or limits + (" and finite" if finite else ""),
        next_step=next_step,
    )


def _limit(*choices: tuple[str, float | None]) -> str:
    """The limit that was given, as sign and number; empty when none was."""
    return next((f"{sign} {number:g}" for sign, number in choices if number is not None), "")


def kinds_checked[F: Callable[..., Any]](function: F) -> F:
    """Refuse an argument of another kind than the one that the function's signature names.

    Looked at are arguments that are results or tables: classes of this package, and data frames.
    Everything else is guarded where it is used.

    Parameters
    ----------
    function : callable
        With annotations.

    Returns
    -------
    callable
        Raises `ArgumentError` for records in place of cells, and so on.
    """

    @cache
    def kinds() -> dict[str, tuple[type, ...]]:
        found = {}
        for name, hint in get_type_hints(function).items():
            members = get_args(hint) or (hint,)
            if name != "return" and all(map(_looked_at, members)):
                found[name] = members
        return found

    form = signature(function)

    @wraps(function)
    def checked(*values: Any, **named: Any) -> Any:
        given = form.bind(*values, **named).arguments
        for name, allowed in kinds().items():
            if name in given and not isinstance(given[name], allowed):
                words = [kind.__name__ for kind in allowed if kind is not NoneType]
                raise ArgumentError(
                    f"{name} of {function.__name__} is of the kind {type(given[name]).__name__}",
                    rule=f"{name} is of the kind {' or '.join(words)}",
                    next_step="; or ".join(_MADE_BY.get(w, f"pass a {w}") for w in words),
                )
        return function(*values, **named)

    return checked  # type: ignore[return-value]


def _looked_at(kind: Any) -> bool:
    if not isinstance(kind, type) or getattr(kind, "_is_protocol", False):
        return False
    module = kind.__module__
    return kind is NoneType or module.startswith("transfer.") or kind.__name__ == "DataFrame"
