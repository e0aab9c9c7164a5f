"""Guards of arguments: one of some words, or a number inside limits, else an `ArgumentError`."""

from __future__ import annotations

from collections.abc import Iterable
from math import isinf

from transfer.errors import ArgumentError

__all__ = ["LARGEST_SEED", "between", "choice"]

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
