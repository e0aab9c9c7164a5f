"""Loops over players and cells that the compiler turns into vector instructions.

One output and a handful of inputs a loop: with more, the compiler no longer shows that they do not
overlap and falls back to one number at a time. `wide` lets it join a product and a sum; `summing`
lets it add in another order as well. exp and log come as series, because a call to the library
would stop the vectors: both agree with numpy to a few units in the last place.
"""

from __future__ import annotations

from math import sqrt
from typing import Any

import numba

__all__ = ["add_scaled", "dot", "exp_minus_abs", "fill", "flat", "jit", "log1p_unit", "multiply",
           "shrink", "summing", "wide"]  # fmt: skip

# Nothing but the two entry points is called from Python or kept on disk (see `native_kernel`).
_OPTIONS = {
    "nogil": True,
    "error_model": "numpy",
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}
jit = numba.njit(fastmath=False, **_OPTIONS)
#: For functions that only call others: one level less to optimise.
flat = numba.njit(inline="always", **_OPTIONS)
wide = numba.njit(fastmath={"contract"}, forceinline=True, **_OPTIONS)
summing = numba.njit(fastmath={"contract", "reassoc"}, forceinline=True, **_OPTIONS)

#: Adding and taking away 1.5 * 2^52 rounds to a whole number, which stays in the lowest bits.
_ROUND = 6755399441055744.0
_LOG2_E = 1.4426950408889634
#: log 2 in two parts, the first with zeros at its end, so that multiples of it are exact.
_LOG_2 = (0.693145751953125, 1.4286068203094172e-06)
#: Beyond it exp(-x) is zero in effect, and its exponent would no longer fit.
_FAR = 700.0


@wide
def fill(y: Any, value: float) -> None:
    """Set every element of `y`."""
    for p in range(len(y)):
        y[p] = value


@wide
def multiply(y: Any, a: Any, b: Any) -> None:
    """Set y to a b."""
    for p in range(len(y)):
        y[p] = a[p] * b[p]


@wide
def add_scaled(y: Any, factor: float, x: Any) -> None:
    """Add `factor` x to y."""
    for p in range(len(y)):
        y[p] += factor * x[p]


@summing
def dot(a: Any, b: Any) -> float:
    """Return the sum of a b."""
    total = 0.0
    for p in range(len(a)):
        total += a[p] * b[p]
    return total


@wide
def shrink(r: Any, root: Any, precision: Any, spread: float) -> None:
    """Set r to 1 / (1 + precision spread^2), and `root` to its square root."""
    variance = spread * spread
    for p in range(len(r)):
        r[p] = 1.0 / (1.0 + precision[p] * variance)
    for p in range(len(r)):
        root[p] = sqrt(r[p])


@wide
def exp_minus_abs(e: Any, power: Any, bits: Any, x: Any) -> None:
    """Set e to exp(-abs(x)); `power` is work space and `bits` the same memory as whole numbers.

    exp(v) = 2^n exp(v - n log 2), the rest below .35 by its Taylor series to the 13th power.
    """
    for p in range(len(e)):
        power[p] = max(-abs(x[p]), -_FAR) * _LOG2_E + _ROUND
    for p in range(len(e)):
        n = power[p] - _ROUND
        v = max(-abs(x[p]), -_FAR) - n * _LOG_2[0] - n * _LOG_2[1]
        s = 1.0 + v * (1 / 13)
        s = 1.0 + v * s * (1 / 12)
        s = 1.0 + v * s * (1 / 11)
        s = 1.0 + v * s * (1 / 10)
        s = 1.0 + v * s * (1 / 9)
        s = 1.0 + v * s * (1 / 8)
        s = 1.0 + v * s * (1 / 7)
        s = 1.0 + v * s * (1 / 6)
        s = 1.0 + v * s * (1 / 5)
        s = 1.0 + v * s * (1 / 4)
        s = 1.0 + v * s * (1 / 3)
        s = 1.0 + v * s * (1 / 2)
        e[p] = 1.0 + v * s
    for p in range(len(e)):
        bits[p] = (bits[p] + 1023) << 52
    for p in range(len(e)):
        e[p] *= power[p]


@wide
def log1p_unit(y: Any, e: Any) -> None:
    """Set y to log(1 + e) for 0 <= e <= 1, as 2 artanh(e / (2 + e)) by its series."""
    for p in range(len(y)):
        z = e[p] / (2.0 + e[p])
        u = z * z
        s = 1 / 33 + u * (1 / 35)
        s = 1 / 31 + u * s
        s = 1 / 29 + u * s
        s = 1 / 27 + u * s
        s = 1 / 25 + u * s
        s = 1 / 23 + u * s
        s = 1 / 21 + u * s
        s = 1 / 19 + u * s
        s = 1 / 17 + u * s
        s = 1 / 15 + u * s
        s = 1 / 13 + u * s
        s = 1 / 11 + u * s
        s = 1 / 9 + u * s
        s = 1 / 7 + u * s
        s = 1 / 5 + u * s
        s = 1 / 3 + u * s
        y[p] = 2.0 * z * (1.0 + u * s)
