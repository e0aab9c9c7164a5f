"""The compiled log density of the transfer model, its gradient and its draws: the entry points.

The same posterior as `transfer.models.transfer_model` in coordinates that a sampler finds easy
(`transfer.models.engine.players`), written by hand. One compiled function does the work and is kept
on disk with all that it calls inside it; the two that the sampler calls hand over to it. numba
renews what it kept when this file changes; a fingerprint of the other files enters the key as well.
"""

from __future__ import annotations

import hashlib
from math import exp
from pathlib import Path
from typing import Any

import llvmlite.binding
import numba
import numpy as np

from transfer.models.engine import layout as native_layout
from transfer.models.engine import loops as native_loops
from transfer.models.engine import players as native_units
from transfer.models.engine import population as native_terms
from transfer.models.engine.layout import sheet, starts, state, unpack, work_size
from transfer.models.engine.loops import flat, jit
from transfer.models.engine.players import (
    likelihood,
    population,
    population_back,
    seasons,
    seasons_back,
    units,
    units_back,
)
from transfer.models.engine.population import (
    correlation,
    correlation_back,
    offsets,
    offsets_back,
    spread,
    term_priors,
    tilt,
)

__all__ = ["expand_address", "logp_address"]


@jit
def _players(x: Any, at: Any, count: Any) -> Any:
    """Coordinates of the players, a row per setting."""
    return sheet(x.ctypes.data, at[3], count.size, count.units)


@flat
def _forward(x: Any, at: Any, d: Any, st: Any, grad: Any) -> float:
    """Fill the state; return the log density without the likelihood and the tilt."""
    tau, factor = slice(at[1], at[2]), slice(at[2], at[3])
    log_sd = d.prior.scales[4]
    total = spread(x[tau], d.count.family, d.prior.tau, log_sd, st.value, grad[tau])
    total += correlation(x[factor], d.prior.scales[0], st.factor, grad[factor])
    total += term_priors(x, at, d, st.term, grad)
    offsets(x, at, d, st.term, st.player.response, st.cell.offset)
    total += population(x, at, d.prior, d.player, st, grad)
    if at[13] > at[12]:
        total += seasons(x[at[12]], d.prior.scales, st.season, grad[at[12] : at[13]])
    z = _players(x, at, d.count)
    return total + units(z, st.value.tau, st.factor.chol, st.group.centre, d.player, st)


@flat
def _backward(x: Any, at: Any, d: Any, st: Any, grad: Any) -> None:
    """Add to the gradient what the state's gradients carry."""
    players = _players(grad, at, d.count)
    units_back(st, d.player, players)
    if at[13] > at[12]:
        seasons_back(x[at[12]], st.season, grad[at[12] : at[13]])
    population_back(x, at, d.prior, d.player, st, grad)
    offsets_back(x, at, d, st, grad)
    correlation_back(st.factor, grad[at[2] : at[3]])
    for k in range(d.count.size):
        grad[at[1] + k] += st.value.gtau[k] * st.value.slope[k]


@jit
def _copy(out: Any, q: int, values: Any) -> int:
    """Write values into `out` from `q` on; return where the next ones go."""
    for i in range(len(values)):
        out[q + i] = values[i]
    return q + len(values)


@jit
def _place(out: Any, q: int, values: Any, order: Any) -> int:
    """Write one value per setting, in the order of the records."""
    for k in range(len(values)):
        out[q + order[k]] = values[k]
    return q + len(values)


@jit
def _write_omega(out: Any, q: int, order: Any, chol: Any) -> int:
    size = len(order)
    if size == 1:
        return q
    for i in range(size):
        for j in range(size):
            rho = 0.0
            for m in range(min(i, j) + 1):
                rho += chol[i, m] * chol[j, m]
            out[q + order[i] * size + order[j]] = 1.0 if i == j else rho
    return q + size * size


@jit
def _write_level(order: Any, w: Any, sd: Any, out: Any, q: int) -> int:
    """Write the effects of a level of groups and their spreads."""
    groups, size = w.shape
    if groups == 0:
        return q
    for k in range(size):
        for g in range(groups):
            out[q + g * size + order[k]] = sd[k] * w[g, k]
        out[q + groups * size + order[k]] = abs(sd[k])
    return q + (groups + 1) * size


@jit
def _write_population(players: int, order: Any, st: Any, out: Any) -> int:
    """Write mu, tau, omega, theta and the groups; return where the optional terms go."""
    size = len(order)
    q = _place(out, _place(out, 0, st.value.mu, order), st.value.tau, order)
    q = _write_omega(out, q, order, st.factor.chol)
    for p in range(players):
        for k in range(size):
            out[q + order[k]] = st.player.theta[k, p]
        q += size
    if len(st.group.w) > 1:
        q = _write_level(order, st.group.w, st.value.sd, out, q)
    return _write_level(order, st.program.w, st.value.program_sd, out, q)


@jit
def _write_terms(x: Any, at: Any, d: Any, term: Any, q: int, out: Any) -> None:
    """Write the optional terms, in the order of `native.variables`."""
    slope, column = d.prior.slope, d.column
    if d.count.distance:
        for k in range(d.count.size):
            out[q + d.order[k]] = slope[0, k] + slope[1, k] * x[at[6] + k]
        q += d.count.size
    if d.count.steps:
        q = _copy(out, q, term.effect)
    if d.count.defenders:
        q = _copy(out, q, term.defender)
        out[q] = abs(d.prior.scales[2] * x[at[8]])
        q += 1
    for i in range(d.count.columns):
        out[q + i] = 0.0
        for j in range(d.count.columns):
            along = column.mean[j] + column.centre[j] + column.root[j] * x[at[9] + j]
            out[q + i] += column.back[i, j] * along
    if at[13] > at[12]:
        out[q + d.count.columns] = 1.0 / (1.0 + exp(-x[at[12]]))


_ERROR_GRADIENT, _ERROR_VALUE = 3, 4
_doubles = numba.types.CPointer(numba.types.double)
_integer = numba.types.uint64
_answer = numba.types.int64
_signature = _answer(_integer, _integer, _doubles, _doubles, _doubles, _integer)
#: Name under which the two entry points find the function that does the work.
_SYMBOL = "transfer_native_evaluate"


def _compiled(source: int) -> Any:
    """Compile the function that does the work, or take it from disk.

    `source` is a free variable of it: numba makes it part of the key of what it keeps.
    """

    @numba.cfunc(_signature, cache=True)
    def evaluate(dim: Any, size: Any, x_: Any, out_: Any, value: Any, address: Any) -> int:
        """Write the draw of `size` numbers, or with `size` 0 the gradient and the value."""
        x = numba.carray(x_, (dim,))
        d = unpack(address)
        work, grad = np.empty(work_size(d.count)), np.empty(dim)
        at, st = starts(d.count), state(d.count, work.ctypes.data)
        total = _forward(x, at, d, st, grad)
        if size > 0:
            out = numba.carray(out_, (size,))
            _write_terms(x, at, d, st.term, _write_population(d.count.units, d.order, st, out), out)
            # Reading the work space last keeps it alive until here: the views do not.
            return 0 if np.isfinite(total + 0.0 * work[0]) and source >= 0 else 1
        total += likelihood(d.cell, st.cell, st.player.theta, st.player.gtheta)
        if d.count.tilt:
            total += tilt(d.prior.tilt, d.prior.scales[3], st.factor.chol, st.factor.gchol)
        _backward(x, at, d, st, grad)
        numba.carray(value, (1,))[0] = total + 0.0 * work[0]
        finite = True
        out = numba.carray(out_, (dim,))
        for i in range(len(grad)):
            out[i] = grad[i]
            finite = finite and np.isfinite(grad[i])
        if not finite:
            return _ERROR_GRADIENT
        return 0 if np.isfinite(total) else _ERROR_VALUE

    return evaluate


def _fingerprint() -> int:
    """Number made of the files whose functions the compiled one holds inside it."""
    digest = hashlib.sha256()
    for module in (native_layout, native_loops, native_terms, native_units):
        digest.update(Path(str(module.__file__)).read_bytes())
    return int.from_bytes(digest.digest()[:6], "big")


_kept = _compiled(_fingerprint())
llvmlite.binding.add_symbol(_SYMBOL, _kept.address)
_evaluate = numba.types.ExternalFunction(_SYMBOL, _signature)


@numba.cfunc(_answer(_integer, _doubles, _doubles, _doubles, _integer), cache=True)
def _logp(dim: Any, x: Any, out: Any, value: Any, address: Any) -> int:
    return _evaluate(dim, _integer(0), x, out, value, address)


@numba.cfunc(_answer(_integer, _integer, _doubles, _doubles, _integer), cache=True)
def _expand(dim: Any, size: Any, x: Any, out: Any, address: Any) -> int:
    return _evaluate(dim, size, x, out, out, address)


def logp_address() -> int:
    """Return the address of the compiled density and gradient."""
    return int(_logp.address)


def expand_address() -> int:
    """Return the address of the compiled function from coordinates to variables."""
    return int(_expand.address)
