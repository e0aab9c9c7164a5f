"""Numbers as a person reads them, the same on every page."""

from __future__ import annotations

import math
import re

__all__ = ["chance", "interval", "join_asides", "minus", "number", "percent", "sentences", "span"]

_MISSING = "–"
_HYPHEN = re.compile(r"(?<![^\s(\[,])-(?=\.?\d)")
_SENTENCE = re.compile(r"(?:(?<=[.!?])|(?<=[.!?]\)))\s+(?=[A-Z(])")


def _known(value: float | None) -> bool:
    return value is not None and math.isfinite(value)


def percent(value: float | None, places: int = 0) -> str:
    """Write a proportion as percent; a missing one as a dash."""
    return f"{100 * value:.{places}f}%" if value is not None and _known(value) else _MISSING


def chance(probability: float) -> str:
    """Write a probability in whole percent; never 0% or 100%."""
    if probability > 0.99:
        return "over 99%"
    return "under 1%" if probability < 0.01 else percent(probability)


def number(value: float | None, places: int = 2) -> str:
    """Write a real number with a true minus sign; a missing one as a dash."""
    if value is None or not _known(value):
        return _MISSING
    text = f"{value:.{places}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def minus(text: str) -> str:
    """Put a true minus sign before negative numbers; options, codes and dates stay as they are."""
    return _HYPHEN.sub("−", text)


def interval(low: float | None, high: float | None, places: int = 2) -> str:
    """Write an interval of real numbers."""
    return f"{number(low, places)} to {number(high, places)}"


def span(low: float | None, high: float | None) -> str:
    """Write an interval of proportions in whole percent without repeating the sign."""
    if low is None or high is None or not (_known(low) and _known(high)):
        return _MISSING
    return f"{100 * low:.0f} to {100 * high:.0f}%"


def sentences(text: str) -> list[str]:
    """Split a paragraph into its sentences."""
    return [part for part in _SENTENCE.split(text.strip()) if part]


def join_asides(parts: list[str]) -> list[str]:
    """Put a sentence in brackets behind the one it explains; free it where none stands before."""
    joined: list[str] = []
    for part in parts:
        if part.startswith("(") and part.endswith(")"):
            if joined:
                joined[-1] += f" {part}"
            else:
                joined.append(part[1:-1])
        else:
            joined.append(part)
    return joined
