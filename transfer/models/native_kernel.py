"""Log density of the transfer model and its gradient in compiled loops, by hand.

The same posterior as `transfer.models.transfer_model` in coordinates that a sampler finds easy.
Every deviation with a normal prior N(m, s^2) and an approximate normal likelihood of precision P
about t is written as

    w = s (P t - P m) r + x sqrt(r),   value = m + s w,   r = 1 / (1 + P s^2)

so that x is close to standard normal whatever s is: not centred where P is small, centred where
it is large, by degrees in between. Units, programs and the population mean all use it, each with
the likelihood of the level below. The density is exact for any P and t (the Jacobian is in it),
and for any order of the settings; they only decide how well the sampler moves. Correlations use
partial correlations on the tanh scale (Lewandowski, Kurowicka and Joe 2009); the idea of a
likelihood-informed reparametrisation is in Papaspiliopoulos, Roberts and Skoeld 2007 (both from
memory). No standard deviation has a long way to go to zero: those of programs and defenders are
|t| with t normal, the others have a coordinate with a normal tail (see `_half_normal`).
Everything compiled lives in this one file, because the cache on disk follows its date.
"""

from __future__ import annotations

from collections import namedtuple
from math import atanh, erfc, exp, log, log1p, pi, sqrt, tanh
from typing import Any

import numba
import numpy as np
from numba.core import cgutils
from numba.extending import intrinsic

__all__ = ["expand_address", "logp_address"]

_HEADER = 16
_RHO_LIMIT = 1 - 1e-10
_OPTIONS = {
    "cache": True,
    "nogil": True,
    "fastmath": False,
    "error_model": "numpy",
    # Nothing here but the two entry points is called from outside: half the time of compiling.
    "no_cpython_wrapper": True,
    "no_cfunc_wrapper": True,
}
jit = numba.njit(**_OPTIONS)
#: For functions that only call others: one level less to optimise.
flat = numba.njit(inline="always", **_OPTIONS)

#: Counts first, then the arrays, in the order in which the buffer holds them.
Data = namedtuple(
    "Data",
    "size units programs cells steps defenders covariates distance family tilt "
    "mu_prior tau_scale tilt_prior scales slope_prior covariate_prior precision response "
    "n y weight feet columns unit setting program contest defender order",
)
#: What one evaluation works out: values first, then gradients in them (g...).
_State = namedtuple(
    "_State",
    "tau slope partial sech rest chol offset response vsum nsum mu mu_precision sd "
    "program_w program_r centre w r theta effect "
    "gtau gchol gcentre gtheta gresponse goffset gv gn geffect extra",
)


@intrinsic
def _pointer(context: Any, address: Any) -> Any:
    """Turn an address into the pointer that `numba.carray` takes."""

    def generate(target: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        return builder.inttoptr(arguments[0], cgutils.voidptr_t)

    return numba.types.voidptr(address), generate


# Views by address: numba compiles slices and reshapes several times as long.
@jit
def _line(address: Any, at: Any, length: Any) -> Any:
    return numba.carray(_pointer(address + 8 * at), (length,), np.float64)


@jit
def _sheet(address: Any, at: Any, rows: Any, columns: Any) -> Any:
    return numba.carray(_pointer(address + 8 * at), (rows, columns), np.float64)


@jit
def _whole(address: Any, at: Any, length: Any) -> Any:
    return numba.carray(_pointer(address + 8 * at), (length,), np.int64)


@jit
def _unpack(a: Any) -> Any:
    """Arrays of the model as views of the buffer at address `a`; counts come first in it."""
    head = _whole(a, 0, _HEADER)
    s, u, g, n, c, v, j = head[1], head[2], head[3], head[4], head[5], head[6], head[7]
    pairs = s * (s - 1) // 2
    tau = _HEADER + 2 * s
    slope = tau + s + 2 * pairs + 4
    unit = slope + 2 * s + 2 * j
    cell = unit + 2 * u * s
    whole = cell + (4 + j) * n
    return Data(
        s, u, g, n, c, v, j, head[8], head[9], head[10], _sheet(a, _HEADER, 2, s),
        _line(a, tau, s), _sheet(a, tau + s, 2, pairs), _line(a, slope - 4, 4),
        _sheet(a, slope, 2, s), _sheet(a, slope + 2 * s, 2, j), _sheet(a, unit, u, s),
        _sheet(a, unit + u * s, u, s), _line(a, cell, n), _line(a, cell + n, n),
        _line(a, cell + 2 * n, n), _line(a, cell + 3 * n, n), _sheet(a, cell + 4 * n, n, j),
        _whole(a, whole, n), _whole(a, whole + n, n), _whole(a, whole + 2 * n, u),
        _whole(a, whole + 2 * n + u, n), _whole(a, whole + 3 * n + u, n),
        _whole(a, whole + 4 * n + u, s),
    )  # fmt: skip


@jit
def _work_size(d: Any) -> int:
    """Length of the work space that `_state` divides."""
    s = d.size
    rows = 7 * d.units + 8 * d.programs + 5 * s + 6
    return int(s * rows + 2 * d.cells + 2 * (d.steps + 1))


@jit
def _state(d: Any, a: Any) -> Any:
    """Views of a work space of zeros at address `a`, which the caller keeps alive."""
    s, u, g, n, c = d.size, d.units, d.programs, d.cells, d.steps + 1
    sq = s * s
    pr = 6 * s + 5 * sq
    un = pr + 8 * g * s
    ce = un + 7 * u * s
    return _State(
        _line(a, 0, s), _line(a, s, s), _sheet(a, 6 * s, s, s), _sheet(a, 6 * s + sq, s, s),
        _sheet(a, 6 * s + 2 * sq, s, s), _sheet(a, 6 * s + 3 * sq, s, s), _line(a, ce, n),
        _sheet(a, un, u, s), _sheet(a, pr, g, s), _sheet(a, pr + g * s, g, s),
        _line(a, 2 * s, s), _line(a, 3 * s, s), _line(a, 4 * s, s),
        _sheet(a, pr + 2 * g * s, g, s), _sheet(a, pr + 3 * g * s, g, s),
        _sheet(a, pr + 4 * g * s, g, s), _sheet(a, un + u * s, u, s),
        _sheet(a, un + 2 * u * s, u, s), _sheet(a, un + 3 * u * s, u, s),
        _line(a, ce + 2 * n, c), _line(a, 5 * s, s), _sheet(a, 6 * s + 4 * sq, s, s),
        _sheet(a, pr + 5 * g * s, g, s), _sheet(a, un + 4 * u * s, u, s),
        _sheet(a, un + 5 * u * s, u, s), _line(a, ce + n, n), _sheet(a, pr + 6 * g * s, g, s),
        _sheet(a, pr + 7 * g * s, g, s), _line(a, ce + 2 * n + c, c),
        _sheet(a, un + 6 * u * s, u, s),
    )  # fmt: skip


@jit
def _starts(d: Any) -> Any:
    """Where each block of coordinates begins; the last entry is their number."""
    s = d.size
    many = d.programs > 1
    at = np.zeros(11, dtype=np.int64)
    at[1] = s
    at[2] = at[1] + s
    at[3] = at[2] + s * (s - 1) // 2
    at[4] = at[3] + d.units * s
    at[5] = at[4] + (s if many else 0)
    at[6] = at[5] + (d.programs * s if many else 0)
    at[7] = at[6] + (s if d.distance else 0)
    at[8] = at[7] + d.steps
    at[9] = at[8] + (1 + d.defenders if d.defenders else 0)
    at[10] = at[9] + d.covariates
    return at


@jit
def _half_normal(t: float, scale: float) -> Any:
    """Log density, value scale E max(t + N(0, 1), 0), and their slopes (value's first)."""
    share = 0.5 * erfc(-t / sqrt(2.0))
    bell = exp(-0.5 * t * t) / sqrt(2.0 * pi)
    ratio = t * share + bell
    lp = log(share) - 0.5 * ratio * ratio
    return lp, scale * ratio, scale * share, bell / share - ratio * share


@jit
def _spread(t: Any, d: Any, st: Any, grad: Any) -> float:
    """tau, its derivative and the direct part of the gradient, by family of prior."""
    total = 0.0
    for k in range(d.size):
        scale = d.tau_scale[k]
        if d.family == 0:
            lp, st.tau[k], st.slope[k], grad[k] = _half_normal(t[k], scale)
            total += lp
        elif d.family == 1:
            share = 1.0 / (1.0 + exp(-t[k]))
            st.tau[k] = scale * share
            st.slope[k] = scale * share * (1.0 - share)
            grad[k] = 1.0 - 2.0 * share
            total -= abs(t[k]) + 2.0 * log1p(exp(-abs(t[k])))
        else:
            precision = exp(t[k])
            st.tau[k] = exp(-0.5 * t[k])
            st.slope[k] = -0.5 * st.tau[k]
            grad[k] = scale - scale * precision
            total += scale * t[k] - scale * precision
    return total


@jit
def _correlation(z: Any, d: Any, st: Any, grad: Any) -> float:
    """Cholesky factor of Omega from partial correlations; LKJ density with the Jacobian."""
    total = 0.0
    at = 0
    eta = d.scales[0]
    for i in range(d.size):
        rest = 1.0
        for j in range(i):
            c = tanh(z[at])
            shape = eta + 0.5 * (d.size - 2 - j)
            size = abs(z[at])
            log_cosh = size + log1p(exp(-2.0 * size)) - log(2.0)
            total -= 2.0 * shape * log_cosh
            grad[at] = -2.0 * shape * c
            st.partial[i, j] = c
            st.sech[i, j] = exp(-log_cosh)
            st.rest[i, j] = rest
            st.chol[i, j] = c * rest
            rest *= st.sech[i, j]
            at += 1
        st.chol[i, i] = rest
    return total


@jit
def _tilt(d: Any, chol: Any, gchol: Any) -> float:
    """Normal factors on atanh(rho); adds to the gradient in the Cholesky factor."""
    total = 0.0
    at = 0
    for i in range(d.size):
        for j in range(i):
            location, scale = d.tilt_prior[0, at], d.tilt_prior[1, at]
            at += 1
            rho = 0.0
            for m in range(j + 1):
                rho += chol[i, m] * chol[j, m]
            inside = abs(rho) < _RHO_LIMIT
            rho = min(max(rho, -_RHO_LIMIT), _RHO_LIMIT)
            e = (atanh(rho) - location) / scale
            total -= 0.5 * e * e
            if inside:
                slope = -e / scale / (1.0 - rho * rho)
                for m in range(j + 1):
                    gchol[i, m] += slope * chol[j, m]
                    gchol[j, m] += slope * chol[i, m]
    return total


@jit
def _correlation_back(d: Any, st: Any, gchol: Any, grad: Any) -> None:
    for i in range(1, d.size):
        row = i * (i - 1) // 2
        grest = gchol[i, i]
        for j in range(i - 1, -1, -1):
            c, sech, rest = st.partial[i, j], st.sech[i, j], st.rest[i, j]
            grad[row + j] += gchol[i, j] * rest * sech * sech - grest * rest * c * sech
            grest = grest * sech + gchol[i, j] * c


@jit
def _term_priors(x: Any, at: Any, d: Any, st: Any, grad: Any) -> float:
    """Densities of the optional terms' coordinates; fills the contest effects."""
    total = 0.0
    for q in range(at[6], at[10]):
        if q < at[7] or q >= at[8]:
            total -= 0.5 * x[q] * x[q]
            grad[q] = -x[q]
    for q in range(d.steps):
        lp, step, _, grad[at[7] + q] = _half_normal(x[at[7] + q], d.scales[2])
        total += lp
        st.effect[q + 1] = st.effect[q] - step
    return total


@jit
def _offsets(x: Any, at: Any, d: Any, st: Any) -> None:
    """Distance, contest, defender and covariate terms of every cell."""
    for p in range(d.units):
        for k in range(d.size):
            st.response[p, k] = d.response[p, k]
    if at[10] == at[6]:
        return
    for i in range(d.cells):
        k = d.setting[i]
        o = 0.0
        if d.distance:
            o += (d.slope_prior[0, k] + d.slope_prior[1, k] * x[at[6] + k]) * d.feet[i]
        if d.steps:
            o += st.effect[d.contest[i]]
        if d.defenders and d.defender[i] >= 0:
            o += d.scales[3] * x[at[8]] * x[at[8] + 1 + d.defender[i]]
        for j in range(d.covariates):
            slope = d.covariate_prior[0, j] + d.covariate_prior[1, j] * x[at[9] + j]
            o += slope * d.columns[i, j]
        st.offset[i] = o
        st.response[d.unit[i], k] -= d.weight[i] * o


@jit
def _offsets_back(x: Any, at: Any, d: Any, st: Any, grad: Any) -> None:
    if at[10] == at[6]:
        return
    for i in range(d.cells):
        k = d.setting[i]
        g = st.goffset[i] - d.weight[i] * st.gresponse[d.unit[i], k]
        if d.distance:
            grad[at[6] + k] += g * d.slope_prior[1, k] * d.feet[i]
        if d.steps:
            st.geffect[d.contest[i]] += g
        if d.defenders and d.defender[i] >= 0:
            q = at[8] + 1 + d.defender[i]
            grad[q] += g * d.scales[3] * x[at[8]]
            grad[at[8]] += g * d.scales[3] * x[q]
        for j in range(d.covariates):
            grad[at[9] + j] += g * d.covariate_prior[1, j] * d.columns[i, j]
    tail = 0.0
    for q in range(d.steps - 1, -1, -1):
        tail += st.geffect[q + 1]
        grad[at[7] + q] -= tail * _half_normal(x[at[7] + q], d.scales[2])[2]


@jit
def _population(x: Any, at: Any, d: Any, st: Any, grad: Any) -> float:
    """Mean of every setting and centre of every program, drawn with the units summed out."""
    total = 0.0
    for p in range(d.units):
        g = d.program[p]
        for k in range(d.size):
            f = 1.0 / (1.0 + d.precision[p, k] * st.tau[k] * st.tau[k])
            st.vsum[g, k] += d.precision[p, k] * f
            st.nsum[g, k] += st.response[p, k] * f
    many = d.programs > 1
    for k in range(d.size):
        if many:
            t = x[at[4] + k]
            st.sd[k], grad[at[4] + k] = d.scales[1] * t, -t
            total -= 0.5 * t * t
        prior = 1.0 / (d.mu_prior[1, k] * d.mu_prior[1, k])
        precision, num = prior, prior * d.mu_prior[0, k]
        for g in range(d.programs):
            e = 1.0 / (1.0 + st.vsum[g, k] * st.sd[k] * st.sd[k])
            precision += st.vsum[g, k] * e
            num += st.nsum[g, k] * e
        mu = num / precision + x[k] / sqrt(precision)
        st.mu[k], st.mu_precision[k] = mu, precision
        gap = mu - d.mu_prior[0, k]
        total -= 0.5 * (log(precision) + prior * gap * gap)
        for g in range(d.programs):
            st.centre[g, k] = mu
            if many:
                s = st.sd[k]
                r = 1.0 / (1.0 + st.vsum[g, k] * s * s)
                w = s * (st.nsum[g, k] - st.vsum[g, k] * mu) * r
                w += x[at[5] + g * d.size + k] * sqrt(r)
                st.program_w[g, k], st.program_r[g, k] = w, r
                st.centre[g, k] += s * w
                total += 0.5 * (log(r) - w * w)
    return total


@jit
def _population_back(x: Any, at: Any, d: Any, st: Any, grad: Any) -> None:
    s_count = d.size
    gv, gn = st.gv, st.gn
    for k in range(s_count):
        prior = 1.0 / (d.mu_prior[1, k] * d.mu_prior[1, k])
        mu, precision, s = st.mu[k], st.mu_precision[k], st.sd[k]
        gmu = -prior * (mu - d.mu_prior[0, k])
        gsd = 0.0
        for g in range(d.programs):
            down = st.gcentre[g, k]
            if d.programs > 1:
                v, w, r = st.vsum[g, k], st.program_w[g, k], st.program_r[g, k]
                u = st.nsum[g, k] - v * mu
                xi = x[at[5] + g * s_count + k]
                q = sqrt(r)
                gw = s * down - w
                rr = gw * (s * u * r * r + 0.5 * xi * q * r) + 0.5 * r
                gu = gw * s * r
                gsd += gw * u * r + down * w - 2.0 * v * s * rr
                gv[g, k] -= gu * mu + s * s * rr
                gn[g, k] += gu
                grad[at[5] + g * s_count + k] = gw * q
                down -= gu * v
            gmu += down
        root = sqrt(precision)
        mean = mu - x[k] / root
        gnum = gmu / precision
        gprec = -0.5 / precision - 0.5 * gmu * x[k] / (precision * root) - gnum * mean
        grad[k] = gmu / root
        for g in range(d.programs):
            v = st.vsum[g, k]
            e = 1.0 / (1.0 + v * s * s)
            ge = gprec * v + gnum * st.nsum[g, k]
            gv[g, k] += gprec * e - ge * e * e * s * s
            gn[g, k] += gnum * e
            gsd -= ge * e * e * 2.0 * v * s
        if d.programs > 1:
            grad[at[4] + k] += gsd * d.scales[1]
    for p in range(d.units):
        g = d.program[p]
        for k in range(s_count):
            precision, tau = d.precision[p, k], st.tau[k]
            f = 1.0 / (1.0 + precision * tau * tau)
            gf = precision * gv[g, k] + st.response[p, k] * gn[g, k]
            st.gtau[k] -= gf * f * f * 2.0 * precision * tau
            st.gresponse[p, k] += gn[g, k] * f


@jit
def _units(z: Any, d: Any, st: Any) -> float:
    """Logit rates of every unit, one setting after the other given those before."""
    total = 0.0
    chol = st.chol
    for p in range(d.units):
        g = d.program[p]
        product, squares = 1.0, 0.0
        for k in range(d.size):
            before = 0.0
            for j in range(k):
                before += chol[k, j] * st.w[p, j]
            s = st.tau[k] * chol[k, k]
            m = st.centre[g, k] + st.tau[k] * before
            precision = d.precision[p, k]
            r = 1.0 / (1.0 + precision * s * s)
            w = s * (st.response[p, k] - precision * m) * r + z[p * d.size + k] * sqrt(r)
            st.w[p, k], st.r[p, k], st.theta[p, k] = w, r, m + s * w
            product *= r
            squares += w * w
        total += 0.5 * (log(product) - squares)
    return total


@jit
def _units_back(z: Any, d: Any, st: Any, grad: Any) -> None:
    chol, extra = st.chol, st.extra
    for p in range(d.units):
        g = d.program[p]
        for k in range(d.size - 1, -1, -1):
            tau = st.tau[k]
            before = 0.0
            for j in range(k):
                before += chol[k, j] * st.w[p, j]
            s = tau * chol[k, k]
            m = st.centre[g, k] + tau * before
            precision, r, w = d.precision[p, k], st.r[p, k], st.w[p, k]
            q = sqrt(r)
            down = st.gtheta[p, k]
            u = st.response[p, k] - precision * m
            gw = extra[p, k] + s * down - w
            rr = gw * (s * u * r * r + 0.5 * z[p * d.size + k] * q * r) + 0.5 * r
            gu = gw * s * r
            gs = gw * u * r + down * w - 2.0 * precision * s * rr
            gm = down - gu * precision
            grad[p * d.size + k] = gw * q
            st.gresponse[p, k] = gu
            st.gcentre[g, k] += gm
            st.gtau[k] += gm * before + gs * chol[k, k]
            st.gchol[k, k] += gs * tau
            for j in range(k):
                st.gchol[k, j] += gm * tau * st.w[p, j]
                extra[p, j] += gm * tau * chol[k, j]


@jit
def _likelihood(d: Any, st: Any) -> float:
    """Binomial log likelihood without its constant."""
    total = 0.0
    for i in range(d.cells):
        eta = st.theta[d.unit[i], d.setting[i]] + st.offset[i]
        e = exp(-abs(eta))
        share = 1.0 / (1.0 + e)
        total += d.y[i] * eta - d.n[i] * (max(eta, 0.0) + log1p(e))
        slope = d.y[i] - d.n[i] * (share if eta >= 0.0 else e * share)
        st.goffset[i] = slope
        st.gtheta[d.unit[i], d.setting[i]] += slope
    return total


@flat
def _forward(x: Any, at: Any, d: Any, st: Any, grad: Any) -> float:
    """Fill the state; return the log density without the likelihood and the tilt."""
    total = _spread(x[at[1] : at[2]], d, st, grad[at[1] : at[2]])
    total += _correlation(x[at[2] : at[3]], d, st, grad[at[2] : at[3]])
    total += _term_priors(x, at, d, st, grad)
    _offsets(x, at, d, st)
    total += _population(x, at, d, st, grad)
    return total + _units(x[at[3] : at[4]], d, st)


@flat
def _backward(x: Any, at: Any, d: Any, st: Any, grad: Any) -> None:
    """Add to the gradient what the state's gradients carry."""
    _units_back(x[at[3] : at[4]], d, st, grad[at[3] : at[4]])
    _population_back(x, at, d, st, grad)
    _offsets_back(x, at, d, st, grad)
    _correlation_back(d, st, st.gchol, grad[at[2] : at[3]])
    for k in range(d.size):
        grad[at[1] + k] += st.gtau[k] * st.slope[k]


@jit
def _copy(out: Any, q: int, values: Any, factor: float) -> int:
    """Write values into `out` from `q` on; return where the next ones go."""
    for i in range(len(values)):
        out[q + i] = factor * values[i]
    return q + len(values)


@jit
def _place(out: Any, q: int, values: Any, order: Any) -> int:
    """Write one value per setting, in the order of the records."""
    for k in range(len(values)):
        out[q + order[k]] = values[k]
    return q + len(values)


@jit
def _write_omega(out: Any, q: int, d: Any, chol: Any) -> int:
    if d.size == 1:
        return q
    for i in range(d.size):
        for j in range(d.size):
            rho = 0.0
            for m in range(min(i, j) + 1):
                rho += chol[i, m] * chol[j, m]
            out[q + d.order[i] * d.size + d.order[j]] = 1.0 if i == j else rho
    return q + d.size * d.size


@jit
def _write(x: Any, at: Any, d: Any, st: Any, out: Any) -> None:
    """Write mu, tau, omega, theta and the terms, flat, in the order of `native.variables`."""
    q = _place(out, _place(out, 0, st.mu, d.order), st.tau, d.order)
    q = _write_omega(out, q, d, st.chol)
    for p in range(d.units):
        q = _place(out, q, st.theta[p], d.order)
    if d.programs > 1:
        for k in range(d.size):
            for g in range(d.programs):
                out[q + g * d.size + d.order[k]] = st.sd[k] * st.program_w[g, k]
            out[q + d.programs * d.size + d.order[k]] = abs(st.sd[k])
        q += (d.programs + 1) * d.size
    if d.distance:
        for k in range(d.size):
            out[q + d.order[k]] = d.slope_prior[0, k] + d.slope_prior[1, k] * x[at[6] + k]
        q += d.size
    if d.steps:
        q = _copy(out, q, st.effect, 1.0)
    if d.defenders:
        sd = d.scales[3] * x[at[8]]
        q = _copy(out, q, x[at[8] + 1 : at[9]], sd)
        out[q] = abs(sd)
        q += 1
    for j in range(d.covariates):
        out[q + j] = d.covariate_prior[0, j] + d.covariate_prior[1, j] * x[at[9] + j]


_ERROR_GRADIENT, _ERROR_VALUE = 3, 4
_doubles = numba.types.CPointer(numba.types.double)
_integer = numba.types.uint64


@numba.cfunc(numba.types.int64(_integer, _doubles, _doubles, _doubles, _integer), cache=True)
def _c_logp(dim: Any, x_: Any, out: Any, value: Any, address: Any) -> int:
    x, grad = numba.carray(x_, (dim,)), numba.carray(out, (dim,))
    d = _unpack(address)
    work = np.zeros(_work_size(d))
    at, st = _starts(d), _state(d, work.ctypes.data)
    total = _forward(x, at, d, st, grad) + _likelihood(d, st)
    if d.tilt:
        total += _tilt(d, st.chol, st.gchol)
    _backward(x, at, d, st, grad)
    # Reading the work space last keeps it alive until here: the views do not.
    finite = np.isfinite(total + 0.0 * work[0])
    numba.carray(value, (1,))[0] = total
    for i in range(len(grad)):
        if not np.isfinite(grad[i]):
            return _ERROR_GRADIENT
    return 0 if finite else _ERROR_VALUE


@numba.cfunc(numba.types.int64(_integer, _integer, _doubles, _doubles, _integer), cache=True)
def _c_expand(dim: Any, size: Any, x_: Any, out: Any, address: Any) -> int:
    x = numba.carray(x_, (dim,))
    d = _unpack(address)
    work, unused = np.zeros(_work_size(d)), np.empty(dim)
    at, st = _starts(d), _state(d, work.ctypes.data)
    _forward(x, at, d, st, unused)
    _write(x, at, d, st, numba.carray(out, (size,)))
    return 0 if np.isfinite(work[0]) else 1


def logp_address() -> int:
    """Return the address of the compiled density and gradient."""
    return int(_c_logp.address)


def expand_address() -> int:
    """Return the address of the compiled function from coordinates to variables."""
    return int(_c_expand.address)
