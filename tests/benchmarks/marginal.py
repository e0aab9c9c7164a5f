"""The transfer model with the players' rates summed out: a study of whether that pays.

Every cell's likelihood is replaced by its normal approximation at the player's most likely rate;
then all of a player's rates can be summed out, and the sampler moves in the population's values
and the programs' effects only. Rates are drawn afterwards, given these. Importance weights lead
back to the exact model: per draw the mean weight of several rates drawn for each player, which is
right on average (pseudo-marginal importance sampling; Andrieu and Roberts 2009, from memory), with
the Pareto-smoothed shape that says whether they can be trusted (Vehtari et al. 2024, from memory).
Designs without optional terms only.
"""

from __future__ import annotations

from math import exp, log, log1p, sqrt
from typing import Any

import numba
import numpy as np
from measure import counts
from scipy.special import expit, logit

from transfer.models.engine import density as native
from transfer.models.engine.kernel import _write_population
from transfer.models.engine.layout import starts, state, unpack, work_size
from transfer.models.engine.loops import add_scaled, dot, fill, jit, multiply, summing, wide
from transfer.models.engine.players import population, population_back
from transfer.models.engine.population import correlation, correlation_back, offsets, spread, tilt
from transfer.models.priors import TransferPriors
from transfer.models.transfer_design import TransferDesign

#: Players worked on at a time: their matrices stay in the nearest memory.
BLOCK = 64
_ROUNDS = 15
_PRIOR_SPREAD, _PRIOR_WEIGHT, _PULL = 0.3, 5.0, 20.0


def expansion(design: TransferDesign) -> tuple[np.ndarray, ...]:
    """Attempts, makes, and precision, response and place of every cell's normal approximation.

    The place is the most likely rate under population values found by expectation-maximisation on
    the approximation itself.
    """
    units, size = design.dims
    n, y = counts(design)
    theta = logit((y + _PULL * (y.sum(0) + 1) / (n.sum(0) + 2)) / (n + _PULL))
    members = np.bincount(design.program)[:, None]
    cov = _PRIOR_SPREAD**2 * (0.6 + 0.4 * np.eye(size))
    centre = np.repeat(theta.mean(0)[None], len(members), 0)
    for _ in range(_ROUNDS):
        rate = expit(theta)
        precision = n * rate * (1 - rate)
        response = precision * theta + y - n * rate
        inverse = np.linalg.inv(cov)
        spread_ = np.linalg.inv(inverse + precision[:, :, None] * np.eye(size))
        pulled = response + (centre @ inverse)[design.program]
        theta = np.einsum("pij,pj->pi", spread_, pulled)
        centre = np.array([np.bincount(design.program, v) for v in theta.T]).T / members
        e = theta - centre[design.program]
        whole = e.T @ e + spread_.sum(0) + _PRIOR_WEIGHT * _PRIOR_SPREAD**2 * np.eye(size)
        cov = whole / (units + _PRIOR_WEIGHT)
    rate = expit(theta)
    precision = n * rate * (1 - rate)
    return n, y, precision, precision * theta + y - n * rate, theta


@wide
def _take_away(y: Any, a: Any, b: Any) -> None:
    for p in range(len(y)):
        y[p] -= a[p] * b[p]


@wide
def _add(y: Any, a: Any, b: Any) -> None:
    for p in range(len(y)):
        y[p] += a[p] * b[p]


@wide
def _minus(y: Any, a: Any) -> None:
    for p in range(len(y)):
        y[p] *= -a[p]


@wide
def _inverse_root(y: Any, a: Any) -> None:
    for p in range(len(y)):
        y[p] = 1.0 / sqrt(a[p])


@wide
def _scaled(y: Any, factor: float, a: Any) -> None:
    for p in range(len(y)):
        y[p] = factor * a[p]


@summing
def _sum(a: Any) -> float:
    total = 0.0
    for p in range(len(a)):
        total += a[p]
    return total


@jit
def _matrix(low: Any, prec: Any, u: Any, left: Any, m: Any, b: Any) -> None:
    """Fill M = I + S'PS (lower half), PS in `left`, and b = S'u."""
    size = len(low)
    for i in range(size):
        for j in range(i + 1):
            _scaled(left[i, j], low[i, j], prec[i])
    for i in range(size):
        _scaled(b[i], low[i, i], u[i])
        for a in range(i + 1, size):
            add_scaled(b[i], low[a, i], u[a])
        for j in range(i + 1):
            fill(m[i, j], 1.0 if i == j else 0.0)
            for a in range(i, size):
                add_scaled(m[i, j], low[a, i], left[a, j])


@jit
def _factor(m: Any, inv: Any, b: Any, det: Any) -> float:
    """Turn M into its lower factor and b into what solves it; returns half of b' M^-1 b."""
    total = 0.0
    fill(det, 1.0)
    for i in range(len(b)):
        for j in range(i):
            for a in range(j):
                _take_away(m[i, j], m[i, a], m[j, a])
            multiply(m[i, j], m[i, j], inv[j, j])
        for a in range(i):
            _take_away(m[i, i], m[i, a], m[i, a])
            _take_away(b[i], m[i, a], b[a])
        _inverse_root(inv[i, i], m[i, i])
        multiply(det, det, inv[i, i])
        multiply(b[i], b[i], inv[i, i])
        total += 0.5 * dot(b[i], b[i])
    return total


@jit
def _inverse(m: Any, inv: Any) -> None:
    """Inverse of the lower factor; its diagonal is there already."""
    for j in range(len(m)):
        for i in range(j + 1, len(m)):
            fill(inv[i, j], 0.0)
            for a in range(j, i):
                _add(inv[i, j], m[i, a], inv[a, j])
            _minus(inv[i, j], inv[i, i])


@jit
def _moments(inv: Any, b: Any, square: Any) -> None:
    """Turn b into M^-1 b, and fill M^-1 + (M^-1 b)(M^-1 b)'."""
    size = len(b)
    for i in range(size):
        multiply(b[i], b[i], inv[i, i])
        for a in range(i + 1, size):
            _add(b[i], inv[a, i], b[a])
    for i in range(size):
        for j in range(i + 1):
            multiply(square[i, j], b[i], b[j])
            for a in range(i, size):
                _add(square[i, j], inv[a, i], inv[a, j])
            _scaled(square[j, i], 1.0, square[i, j])


@jit
def _block_back(u: Any, b: Any, left: Any, square: Any, down: Any, row: Any, glow: Any) -> None:
    size = len(b)
    for i in range(size):
        _scaled(down[i], 1.0, u[i])
        for j in range(i + 1):
            _take_away(down[i], left[i, j], b[j])
            multiply(row, u[i], b[j])
            for a in range(i + 1):
                _take_away(row, left[i, a], square[a, j])
            glow[i, j] += _sum(row)


@jit
def _gather(first: int, count: int, d: Any, st: Any, prec: Any, u: Any) -> float:
    """Precisions and residuals of a block of players, and what needs no matrix."""
    total = 0.0
    for i in range(len(u)):
        fill(prec[i], 0.0)
        fill(u[i], 0.0)
        for p in range(count):
            at = first + p
            c = st.group.centre[d.player.group[at], i]
            v, r = d.player.precision[i, at], st.player.response[i, at]
            prec[i, p], u[i, p] = v, r - v * c
            total += c * (r - 0.5 * v * c)
    return total


@jit
def summed_out(d: Any, st: Any) -> float:
    """Log density of the responses with all rates summed out; fills the gradients."""
    size, width = d.player.precision.shape
    tau, chol = st.value.tau, st.factor.chol
    low, glow = np.zeros((size, size)), np.zeros((size, size))
    for i in range(size):
        for j in range(i + 1):
            low[i, j] = tau[i] * chol[i, j]
    block = min(BLOCK, width)
    matrices, rows = np.empty((4, size, size, block)), np.zeros((4, size, block))
    left, m, inv, square = matrices[0], matrices[1], matrices[2], matrices[3]
    prec, u, b, down = rows[0], rows[1], rows[2], rows[3]
    det, row = np.ones(block), np.ones(block)
    total, run = 0.0, 1.0
    for first in range(0, width, block):
        count = min(block, width - first)
        total += _gather(first, count, d, st, prec, u)
        _matrix(low, prec, u, left, m, b)
        total += _factor(m, inv, b, det)
        _inverse(m, inv)
        for p in range(count):
            run *= det[p]
            if run < 1e-150:
                total += log(run)
                run = 1.0
        _moments(inv, b, square)
        _block_back(u, b, left, square, down, row, glow)
        for i in range(size):
            for p in range(count):
                st.group.gcentre[d.player.group[first + p], i] += down[i, p]
    for i in range(size):
        for j in range(i + 1):
            st.value.gtau[i] += glow[i, j] * chol[i, j]
            st.factor.gchol[i, j] += glow[i, j] * tau[i]
    return total + log(run)


@jit
def _starts(count: Any) -> Any:
    at = starts(count)
    for i in range(4, 11):
        at[i] -= count.units * count.size
    return at


@jit
def _forward(x: Any, at: Any, d: Any, st: Any, grad: Any) -> float:
    spreads, factor = slice(at[1], at[2]), slice(at[2], at[3])
    total = spread(
        x[spreads], d.count.family, d.prior.tau, d.prior.scales[4], st.value, grad[spreads]
    )
    total += correlation(x[factor], d.prior.scales[0], st.factor, grad[factor])
    offsets(x, at, d, st.term, st.player.response, st.cell.offset)
    return total + population(x, at, d.prior, d.player, st, grad)


_doubles = numba.types.CPointer(numba.types.double)
_whole = numba.types.uint64


@numba.cfunc(numba.types.int64(_whole, _doubles, _doubles, _doubles, _whole))
def _logp(dim: Any, x_: Any, out: Any, value: Any, address: Any) -> int:
    x, grad = numba.carray(x_, (dim,)), numba.carray(out, (dim,))
    d = unpack(address)
    work = np.empty(work_size(d.count))
    at, st = _starts(d.count), state(d.count, work.ctypes.data)
    total = _forward(x, at, d, st, grad) + summed_out(d, st)
    if d.count.tilt:
        total += tilt(d.prior.tilt, d.prior.scales[3], st.factor.chol, st.factor.gchol)
    population_back(x, at, d.prior, d.player, st, grad)
    correlation_back(st.factor, grad[at[2] : at[3]])
    for k in range(d.count.size):
        grad[at[1] + k] += st.value.gtau[k] * st.value.slope[k]
    numba.carray(value, (1,))[0] = total + 0.0 * work[0]
    for i in range(len(grad)):
        if not np.isfinite(grad[i]):
            return 3
    return 0 if np.isfinite(total) else 4


@numba.cfunc(numba.types.int64(_whole, _whole, _doubles, _doubles, _whole))
def _expand(dim: Any, size: Any, x_: Any, out_: Any, address: Any) -> int:
    x, out = numba.carray(x_, (dim,)), numba.carray(out_, (size,))
    d = unpack(address)
    work, unused = np.empty(work_size(d.count)), np.empty(dim)
    at, st = _starts(d.count), state(d.count, work.ctypes.data)
    total = _forward(x, at, d, st, unused)
    _write_population(0, d.order, st, out)
    return 0 if np.isfinite(total + 0.0 * work[0]) else 1


def marginal_model(
    design: TransferDesign, priors: TransferPriors, precision: np.ndarray, response: np.ndarray
) -> Any:
    """Return the model without the players' rates as nutpie samples it."""
    from nutpie.compile_pymc import CompiledPyMCModel

    units, size = design.dims
    data = native.native_data(design, priors, (precision, response))
    shapes = native.variables(design)
    shapes.pop("theta")
    sizes = [int(np.prod(shape, dtype=int)) for shape in shapes.values()]
    ends = np.cumsum(sizes)
    whole_start = native.initial_point(design, priors, data.dim)
    before = 2 * size + size * (size - 1) // 2

    def start(seed: int | None = None) -> np.ndarray:
        return np.delete(whole_start(seed), np.s_[before : before + units * size])

    return CompiledPyMCModel(
        dims={},
        compiled_logp_func=native._Address(_logp.address),
        compiled_expand_func=native._Address(_expand.address),
        initial_point_func=start,
        shared_data={},
        shared_var_keys={},
        user_data=data.buffer,
        n_expanded=int(ends[-1]),
        shape_info=(
            list(shapes),
            [slice(int(e - n), int(e)) for e, n in zip(ends, sizes, strict=True)],
            list(shapes.values()),
        ),
        logp_func=None,
        expand_func=None,
        _n_dim=data.dim - units * size,
        _shapes=shapes,
        _coords={},
    )


@numba.njit(error_model="numpy")
def _gap(y: float, n: float, precision: float, response: float, at: float) -> float:
    """Exact log likelihood of one cell minus its normal approximation."""
    exact = y * at - n * (max(at, 0.0) + log1p(exp(-abs(at))))
    return exact - (response * at - 0.5 * precision * at * at)


@numba.njit(error_model="numpy")
def _one_player(low, centre, prec, resp, factor, mean):
    """Factor of M and the solution of its lower triangle for b, for one player."""
    size = len(centre)
    for i in range(size):
        total = 0.0
        for a in range(i, size):
            total += low[a, i] * (resp[a] - prec[a] * centre[a])
        mean[i] = total
        for j in range(i + 1):
            total = 1.0 if i == j else 0.0
            for a in range(i, size):
                total += low[a, i] * prec[a] * low[a, j]
            factor[i, j] = total
    for i in range(size):
        for j in range(i + 1):
            total = factor[i, j]
            for a in range(j):
                total -= factor[i, a] * factor[j, a]
            factor[i, j] = sqrt(total) if i == j else total / factor[j, j]
        total = mean[i]
        for a in range(i):
            total -= factor[i, a] * mean[a]
        mean[i] = total / factor[i, i]


@numba.njit(error_model="numpy")
def _try(low, centre, factor, mean, noise, cells, found, logs):
    """Rates given the population, every second one mirrored, and the logs of their weights."""
    n, y, precision, response, place = cells
    size = len(centre)
    e = np.zeros(size)
    for j in range(len(found)):
        logs[j] = 0.0
        for a in range(size - 1, -1, -1):
            noise[a] = -noise[a] if j % 2 else np.random.normal()
            total = mean[a] + noise[a]
            for b in range(a + 1, size):
                total -= factor[b, a] * e[b]
            e[a] = total / factor[a, a]
        for a in range(size):
            found[j, a] = centre[a]
            for b in range(a + 1):
                found[j, a] += low[a, b] * e[b]
            cell = (y[a], n[a], precision[a], response[a])
            logs[j] += _gap(*cell, found[j, a]) - _gap(*cell, place[a])


@numba.njit(error_model="numpy")
def correct(mu, tau, omega, effect, program, n, y, precision, response, place, tries, seed):
    """Draw `tries` rates per player and draw, in pairs that mirror each other; keep one by weight.

    Returns the rates, shape (draws, units, settings), and the log of each draw's weight.
    """
    np.random.seed(seed)
    units, size = n.shape
    theta, weight = np.empty((len(mu), units, size)), np.zeros(len(mu))
    factor, low = np.zeros((size, size)), np.zeros((size, size))
    mean, noise, centre = np.zeros(size), np.zeros(size), np.zeros(size)
    found, logs = np.zeros((tries, size)), np.zeros(tries)
    for i in range(len(mu)):
        chol = np.linalg.cholesky(omega[i])
        for a in range(size):
            low[a] = tau[i, a] * chol[a]
        for p in range(units):
            for a in range(size):
                centre[a] = mu[i, a] + effect[i, program[p], a]
            _one_player(low, centre, precision[p], response[p], factor, mean)
            cells = (n[p], y[p], precision[p], response[p], place[p])
            _try(low, centre, factor, mean, noise, cells, found, logs)
            top = logs.max()
            shares = np.exp(logs - top)
            weight[i] += top + log(shares.mean())
            kept, left = 0, np.random.random() * shares.sum() - shares[0]
            while left > 0.0 and kept < tries - 1:
                kept += 1
                left -= shares[kept]
            theta[i, p] = found[kept]
    return theta, weight
