"""Log density of the transfer model and its gradient in compiled loops, by hand.

The same posterior as `transfer.models.transfer_model` in coordinates that a sampler finds easy.
Every deviation with a normal prior N(m, s^2) and an approximate normal likelihood of precision P
about t is written as

    w = s (P t - P m) r + x sqrt(r),   value = m + s w,   r = 1 / (1 + P s^2)

so that x is close to standard normal whatever s is: not centred where P is small, centred where
it is large, by degrees in between. Units, programs and the population mean all use it, each with
the likelihood of the level below. The density is exact for any P and t (the Jacobian is in it);
they only decide how well the sampler moves. Correlations use partial correlations on the tanh
scale (Lewandowski, Kurowicka and Joe 2009); the idea of a likelihood-informed reparametrisation
is in Papaspiliopoulos, Roberts and Skoeld 2007 (both from memory).

Everything compiled lives in this one file, because the cache on disk follows its date.
"""

from __future__ import annotations

from collections import namedtuple
from math import atanh, exp, log, log1p, sqrt, tanh
from typing import Any

import numba
import numpy as np

__all__ = ["Data", "evaluate", "expand", "expand_address", "log_density", "logp_address"]

_HEADER = 16
_RHO_LIMIT = 1 - 1e-10
jit = numba.njit(cache=True, nogil=True, fastmath=False, error_model="numpy")

#: Sizes first, then the arrays, in the order in which the buffer holds them.
Data = namedtuple(
    "Data",
    "size units programs cells steps defenders covariates distance family tilt "
    "mu_prior tau_scale tilt_prior scales slope_prior covariate_prior precision response "
    "n y weight feet columns unit setting program contest defender",
)
_State = namedtuple(
    "_State",
    "tau slope partial sech rest chol offset response vsum nsum mu mu_precision sd "
    "program_w program_r centre w r theta contest_effect",
)


@jit
def _unpack(floats: Any, ints: Any) -> Any:
    """Arrays of the model as views of one buffer; counts come in its first places."""
    s, u, g, n, c, v, j = ints[1], ints[2], ints[3], ints[4], ints[5], ints[6], ints[7]
    shapes = (
        (2, s),
        (1, s),
        (2, s * (s - 1) // 2),
        (1, 4),
        (2, s),
        (2, j),
        (u, s),
        (u, s),
        (1, n),
        (1, n),
        (1, n),
        (1, n),
        (n, j),
    )
    at = _HEADER
    places = np.empty(14, dtype=np.int64)
    for i in range(13):
        places[i] = at
        at += shapes[i][0] * shapes[i][1]
    places[13] = at
    p = places
    return Data(
        s,
        u,
        g,
        n,
        c,
        v,
        j,
        ints[8],
        ints[9],
        ints[10],
        floats[p[0] : p[1]].reshape((2, s)),
        floats[p[1] : p[2]],
        floats[p[2] : p[3]].reshape((2, s * (s - 1) // 2)),
        floats[p[3] : p[4]],
        floats[p[4] : p[5]].reshape((2, s)),
        floats[p[5] : p[6]].reshape((2, j)),
        floats[p[6] : p[7]].reshape((u, s)),
        floats[p[7] : p[8]].reshape((u, s)),
        floats[p[8] : p[9]],
        floats[p[9] : p[10]],
        floats[p[10] : p[11]],
        floats[p[11] : p[12]],
        floats[p[12] : p[13]].reshape((n, j)),
        ints[at : at + n],
        ints[at + n : at + 2 * n],
        ints[at + 2 * n : at + 2 * n + u],
        ints[at + 2 * n + u : at + 3 * n + u],
        ints[at + 3 * n + u : at + 4 * n + u],
    )


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
def _new_state(d: Any) -> Any:
    s, u, g = d.size, d.units, d.programs
    return _State(
        np.empty(s),
        np.empty(s),
        np.zeros((s, s)),
        np.zeros((s, s)),
        np.zeros((s, s)),
        np.zeros((s, s)),
        np.zeros(d.cells),
        np.empty((u, s)),
        np.zeros((g, s)),
        np.zeros((g, s)),
        np.empty(s),
        np.empty(s),
        np.zeros(s),
        np.zeros((g, s)),
        np.ones((g, s)),
        np.empty((g, s)),
        np.empty((u, s)),
        np.empty((u, s)),
        np.empty((u, s)),
        np.zeros(d.steps + 1),
    )


@jit
def _half_normal(t: float, scale: float) -> Any:
    """Log density on the log scale, the value and the derivative of the density in t."""
    value = exp(t)
    ratio = value / scale
    return t - 0.5 * ratio * ratio, value, 1.0 - ratio * ratio


@jit
def _spread(t: Any, d: Any, st: Any, grad: Any) -> float:
    """tau, its derivative and the direct part of the gradient, by family of prior."""
    total = 0.0
    for k in range(d.size):
        scale = d.tau_scale[k]
        if d.family == 0:
            lp, st.tau[k], grad[k] = _half_normal(t[k], scale)
            st.slope[k] = st.tau[k]
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
def _offsets(x: Any, at: Any, d: Any, st: Any, grad: Any) -> float:
    """Distance, contest, defender and covariate terms of every cell, with their priors."""
    total = 0.0
    defender_sd = 0.0
    for q in range(at[6], at[7]):
        total -= 0.5 * x[q] * x[q]
        grad[q] = -x[q]
    for q in range(d.steps):
        lp, step, grad[at[7] + q] = _half_normal(x[at[7] + q], d.scales[2])
        total += lp
        st.contest_effect[q + 1] = st.contest_effect[q] - step
    if d.defenders:
        lp, defender_sd, grad[at[8]] = _half_normal(x[at[8]], d.scales[3])
        total += lp
    for q in range(at[8] + 1, at[9]):
        total -= 0.5 * x[q] * x[q]
        grad[q] = -x[q]
    for q in range(at[9], at[10]):
        total -= 0.5 * x[q] * x[q]
        grad[q] = -x[q]
    st.response[:, :] = d.response
    if at[10] == at[6]:
        return total
    for i in range(d.cells):
        k = d.setting[i]
        o = 0.0
        if d.distance:
            o += (d.slope_prior[0, k] + d.slope_prior[1, k] * x[at[6] + k]) * d.feet[i]
        if d.steps:
            o += st.contest_effect[d.contest[i]]
        if d.defenders and d.defender[i] >= 0:
            o += defender_sd * x[at[8] + 1 + d.defender[i]]
        for j in range(d.covariates):
            slope = d.covariate_prior[0, j] + d.covariate_prior[1, j] * x[at[9] + j]
            o += slope * d.columns[i, j]
        st.offset[i] = o
        st.response[d.unit[i], k] -= d.weight[i] * o
    return total


@jit
def _offsets_back(x: Any, at: Any, d: Any, goffset: Any, grad: Any) -> None:
    if at[10] == at[6]:
        return
    gcontest = np.zeros(d.steps + 1)
    sd = exp(x[at[8]]) if d.defenders else 0.0
    for i in range(d.cells):
        k, g = d.setting[i], goffset[i]
        if d.distance:
            grad[at[6] + k] += g * d.slope_prior[1, k] * d.feet[i]
        if d.steps:
            gcontest[d.contest[i]] += g
        if d.defenders and d.defender[i] >= 0:
            q = at[8] + 1 + d.defender[i]
            grad[q] += g * sd
            grad[at[8]] += g * sd * x[q]
        for j in range(d.covariates):
            grad[at[9] + j] += g * d.covariate_prior[1, j] * d.columns[i, j]
    tail = 0.0
    for q in range(d.steps - 1, -1, -1):
        tail += gcontest[q + 1]
        grad[at[7] + q] -= tail * exp(x[at[7] + q])


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
            lp, st.sd[k], grad[at[4] + k] = _half_normal(x[at[4] + k], d.scales[1])
            total += lp
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
def _population_back(
    x: Any, at: Any, d: Any, st: Any, gcentre: Any, gtau: Any, gresponse: Any, grad: Any
) -> None:
    s_count = d.size
    gv = np.zeros((d.programs, s_count))
    gn = np.zeros((d.programs, s_count))
    for k in range(s_count):
        prior = 1.0 / (d.mu_prior[1, k] * d.mu_prior[1, k])
        mu, precision, s = st.mu[k], st.mu_precision[k], st.sd[k]
        gmu = -prior * (mu - d.mu_prior[0, k])
        gsd = 0.0
        for g in range(d.programs):
            down = gcentre[g, k]
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
            grad[at[4] + k] += gsd * s
    for p in range(d.units):
        g = d.program[p]
        for k in range(s_count):
            precision, tau = d.precision[p, k], st.tau[k]
            f = 1.0 / (1.0 + precision * tau * tau)
            gf = precision * gv[g, k] + st.response[p, k] * gn[g, k]
            gtau[k] -= gf * f * f * 2.0 * precision * tau
            gresponse[p, k] += gn[g, k] * f


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
def _units_back(
    z: Any,
    d: Any,
    st: Any,
    gtheta: Any,
    gcentre: Any,
    gtau: Any,
    gchol: Any,
    gresponse: Any,
    grad: Any,
) -> None:
    chol = st.chol
    extra = np.zeros(d.size)
    for p in range(d.units):
        g = d.program[p]
        extra[:] = 0.0
        for k in range(d.size - 1, -1, -1):
            tau = st.tau[k]
            before = 0.0
            for j in range(k):
                before += chol[k, j] * st.w[p, j]
            s = tau * chol[k, k]
            m = st.centre[g, k] + tau * before
            precision, r, w = d.precision[p, k], st.r[p, k], st.w[p, k]
            q = sqrt(r)
            down = gtheta[p, k]
            u = st.response[p, k] - precision * m
            gw = extra[k] + s * down - w
            rr = gw * (s * u * r * r + 0.5 * z[p * d.size + k] * q * r) + 0.5 * r
            gu = gw * s * r
            gs = gw * u * r + down * w - 2.0 * precision * s * rr
            gm = down - gu * precision
            grad[p * d.size + k] = gw * q
            gresponse[p, k] = gu
            gcentre[g, k] += gm
            gtau[k] += gm * before + gs * chol[k, k]
            gchol[k, k] += gs * tau
            for j in range(k):
                gchol[k, j] += gm * tau * st.w[p, j]
                extra[j] += gm * tau * chol[k, j]


@jit
def _likelihood(d: Any, st: Any, gtheta: Any, goffset: Any) -> float:
    """Binomial log likelihood without its constant."""
    total = 0.0
    for i in range(d.cells):
        eta = st.theta[d.unit[i], d.setting[i]] + st.offset[i]
        e = exp(-abs(eta))
        share = 1.0 / (1.0 + e)
        total += d.y[i] * eta - d.n[i] * (max(eta, 0.0) + log1p(e))
        slope = d.y[i] - d.n[i] * (share if eta >= 0.0 else e * share)
        goffset[i] = slope
        gtheta[d.unit[i], d.setting[i]] += slope
    return total


@jit
def log_density(x: Any, grad: Any, d: Any) -> float:
    """Return the log density at coordinates `x` and write its gradient to `grad`."""
    at = _starts(d)
    st = _new_state(d)
    s, u = d.size, d.units
    z = x[at[3] : at[4]]
    total = _spread(x[at[1] : at[2]], d, st, grad[at[1] : at[2]])
    total += _correlation(x[at[2] : at[3]], d, st, grad[at[2] : at[3]])
    total += _offsets(x, at, d, st, grad)
    total += _population(x, at, d, st, grad)
    total += _units(z, d, st)
    gtheta, gresponse, goffset = np.zeros((u, s)), np.zeros((u, s)), np.empty(d.cells)
    gcentre, gtau, gchol = np.zeros((d.programs, s)), np.zeros(s), np.zeros((s, s))
    total += _likelihood(d, st, gtheta, goffset)
    if d.tilt:
        total += _tilt(d, st.chol, gchol)
    _units_back(z, d, st, gtheta, gcentre, gtau, gchol, gresponse, grad[at[3] : at[4]])
    _population_back(x, at, d, st, gcentre, gtau, gresponse, grad)
    for i in range(d.cells):
        goffset[i] -= d.weight[i] * gresponse[d.unit[i], d.setting[i]]
    _offsets_back(x, at, d, goffset, grad)
    _correlation_back(d, st, gchol, grad[at[2] : at[3]])
    for k in range(s):
        grad[at[1] + k] += gtau[k] * st.slope[k]
    return total


@jit
def expand(x: Any, out: Any, d: Any) -> None:
    """Write mu, tau, omega, theta and the terms, flat, in the order of `native.variables`."""
    at = _starts(d)
    st = _new_state(d)
    unused = np.empty(at[10])
    s = d.size
    _spread(x[at[1] : at[2]], d, st, unused[at[1] : at[2]])
    _correlation(x[at[2] : at[3]], d, st, unused[at[2] : at[3]])
    _offsets(x, at, d, st, unused)
    _population(x, at, d, st, unused)
    _units(x[at[3] : at[4]], d, st)
    out[:s] = st.mu
    out[s : 2 * s] = st.tau
    q = 2 * s
    if s > 1:
        for i in range(s):
            for j in range(s):
                rho = 0.0
                for m in range(min(i, j) + 1):
                    rho += st.chol[i, m] * st.chol[j, m]
                out[q] = 1.0 if i == j else rho
                q += 1
    for p in range(d.units):
        out[q : q + s] = st.theta[p]
        q += s
    if d.programs > 1:
        for g in range(d.programs):
            out[q : q + s] = st.sd * st.program_w[g]
            q += s
        out[q : q + s] = st.sd
        q += s
    if d.distance:
        out[q : q + s] = d.slope_prior[0] + d.slope_prior[1] * x[at[6] : at[7]]
        q += s
    if d.steps:
        out[q : q + d.steps + 1] = st.contest_effect
        q += d.steps + 1
    if d.defenders:
        sd = exp(x[at[8]])
        out[q : q + d.defenders] = sd * x[at[8] + 1 : at[9]]
        out[q + d.defenders] = sd
        q += d.defenders + 1
    out[q:] = d.covariate_prior[0] + d.covariate_prior[1] * x[at[9] : at[10]]


@jit
def _data_at(address: Any) -> Any:
    length = numba.carray(address, (1,), np.int64)[0]
    floats = numba.carray(address, (length,), np.float64)
    return _unpack(floats, numba.carray(address, (length,), np.int64))


_ERROR_GRADIENT, _ERROR_VALUE = 3, 4
_pointer = numba.types.CPointer(numba.types.double)
_integer, _address = numba.types.uint64, numba.types.voidptr


@numba.cfunc(numba.types.int64(_integer, _pointer, _pointer, _pointer, _address), cache=True)
def _c_logp(dim: Any, x: Any, out: Any, value: Any, address: Any) -> int:
    grad = numba.carray(out, (dim,))
    total = log_density(numba.carray(x, (dim,)), grad, _data_at(address))
    numba.carray(value, (1,))[0] = total
    for i in range(len(grad)):
        if not np.isfinite(grad[i]):
            return _ERROR_GRADIENT
    return 0 if np.isfinite(total) else _ERROR_VALUE


@numba.cfunc(numba.types.int64(_integer, _integer, _pointer, _pointer, _address), cache=True)
def _c_expand(dim: Any, size: Any, x: Any, out: Any, address: Any) -> int:
    expand(numba.carray(x, (dim,)), numba.carray(out, (size,)), _data_at(address))
    return 0


def logp_address() -> int:
    """Return the address of the compiled density and gradient."""
    return int(_c_logp.address)


def expand_address() -> int:
    """Return the address of the compiled function from coordinates to variables."""
    return int(_c_expand.address)


@jit
def evaluate(x: Any, grad: Any, floats: Any, ints: Any) -> float:
    """`log_density` from the two views of one buffer, for calls from Python."""
    return log_density(x, grad, _unpack(floats, ints))
