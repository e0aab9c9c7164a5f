"""Population values of the compiled density: spreads, correlations and the optional terms.

Correlations are partial correlations on the tanh scale (Lewandowski, Kurowicka and Joe 2009). No
standard deviation has a long way to go to zero: those of programs and defenders are |t| with t
normal, the others have a coordinate with a normal tail (see `half_normal`).
"""

from __future__ import annotations

from math import atanh, erfc, exp, log, log1p, pi, sqrt, tanh
from typing import Any

from transfer.models.engine.loops import add_scaled, dot, fill, jit

__all__ = ["correlation", "correlation_back", "offsets", "offsets_back", "spread", "term_priors",
           "tilt"]  # fmt: skip

_RHO_LIMIT = 1 - 1e-10


@jit
def half_normal(t: float, scale: float) -> Any:
    """Log density, value scale E max(t + N(0, 1), 0), and their slopes (value's first)."""
    share = 0.5 * erfc(-t / sqrt(2.0))
    bell = exp(-0.5 * t * t) / sqrt(2.0 * pi)
    ratio = t * share + bell
    lp = log(share) - 0.5 * ratio * ratio
    return lp, scale * ratio, scale * share, bell / share - ratio * share


@jit
def spread(t: Any, family: int, scales: Any, log_sd: float, value: Any, grad: Any) -> float:
    """tau, its derivative and the direct part of the gradient, by family of prior."""
    total = 0.0
    for k in range(len(scales)):
        scale = scales[k]
        if family == 0:
            lp, value.tau[k], value.slope[k], grad[k] = half_normal(t[k], scale)
            total += lp
        elif family == 3:
            value.tau[k] = scale * exp(t[k] * log_sd)
            value.slope[k] = log_sd * value.tau[k]
            grad[k] = -t[k]
            total -= 0.5 * t[k] * t[k]
        elif family == 1:
            share = 1.0 / (1.0 + exp(-t[k]))
            value.tau[k] = scale * share
            value.slope[k] = scale * share * (1.0 - share)
            grad[k] = 1.0 - 2.0 * share
            total -= abs(t[k]) + 2.0 * log1p(exp(-abs(t[k])))
        else:
            precision = exp(t[k])
            value.tau[k] = exp(-0.5 * t[k])
            value.slope[k] = -0.5 * value.tau[k]
            grad[k] = scale - scale * precision
            total += scale * t[k] - scale * precision
    return total


@jit
def correlation(z: Any, eta: float, factor: Any, grad: Any) -> float:
    """Cholesky factor of Omega from partial correlations; LKJ density with the Jacobian."""
    total = 0.0
    at = 0
    size = len(factor.chol)
    for i in range(size):
        rest = 1.0
        for j in range(i):
            c = tanh(z[at])
            shape = eta + 0.5 * (size - 2 - j)
            far = abs(z[at])
            log_cosh = far + log1p(exp(-2.0 * far)) - log(2.0)
            total -= 2.0 * shape * log_cosh
            grad[at] = -2.0 * shape * c
            factor.partial[i, j] = c
            factor.sech[i, j] = exp(-log_cosh)
            factor.rest[i, j] = rest
            factor.chol[i, j] = c * rest
            rest *= factor.sech[i, j]
            at += 1
        factor.chol[i, i] = rest
    return total


@jit
def tilt(prior: Any, freedom: float, chol: Any, gchol: Any) -> float:
    """Normal or Student t factors on atanh(rho); adds to the gradient in the Cholesky factor.

    No degrees of `freedom` stand for the normal.
    """
    total = 0.0
    at = 0
    for i in range(len(chol)):
        for j in range(i):
            location, scale = prior[0, at], prior[1, at]
            at += 1
            rho = 0.0
            for m in range(j + 1):
                rho += chol[i, m] * chol[j, m]
            inside = abs(rho) < _RHO_LIMIT
            rho = min(max(rho, -_RHO_LIMIT), _RHO_LIMIT)
            e = (atanh(rho) - location) / scale
            slope = e
            if freedom > 0.0:
                total -= 0.5 * (freedom + 1.0) * log1p(e * e / freedom)
                slope = e * (freedom + 1.0) / (freedom + e * e)
            else:
                total -= 0.5 * e * e
            if inside:
                slope = -slope / scale / (1.0 - rho * rho)
                for m in range(j + 1):
                    gchol[i, m] += slope * chol[j, m]
                    gchol[j, m] += slope * chol[i, m]
    return total


@jit
def correlation_back(factor: Any, grad: Any) -> None:
    """Gradient in the partial correlations' coordinates from that in the Cholesky factor."""
    gchol = factor.gchol
    for i in range(1, len(gchol)):
        row = i * (i - 1) // 2
        grest = gchol[i, i]
        for j in range(i - 1, -1, -1):
            c, sech, rest = factor.partial[i, j], factor.sech[i, j], factor.rest[i, j]
            grad[row + j] += gchol[i, j] * rest * sech * sech - grest * rest * c * sech
            grest = grest * sech + gchol[i, j] * c


@jit
def term_priors(x: Any, at: Any, d: Any, term: Any, grad: Any) -> float:
    """Densities of the optional terms' coordinates; fills the effects of contest and defenders."""
    total = 0.0
    scales = d.prior.scales
    for q in range(at[6], at[9]):
        if q < at[7] or q == at[8]:
            total -= 0.5 * x[q] * x[q]
            grad[q] = -x[q]
    for j in range(at[10] - at[9]):
        noise = d.column.centre[j] + d.column.root[j] * x[at[9] + j]
        total -= 0.5 * noise * noise
        grad[at[9] + j] = -noise * d.column.root[j]
    term.effect[0] = 0.0
    for q in range(at[8] - at[7]):
        lp, step, _, grad[at[7] + q] = half_normal(x[at[7] + q], scales[1])
        total += lp
        term.effect[q + 1] = term.effect[q] - step
    if at[9] > at[8]:
        total += _defenders(x[at[8] : at[9]], scales[2], d.basis, term)
    return total


@jit
def _defenders(x: Any, scale: float, basis: Any, term: Any) -> float:
    """Effects of defenders, each direction of the basis drawn by what the records say of it."""
    s = scale * x[0]
    fill(term.defender, 0.0)
    total = 0.0
    for q in range(len(term.defender)):
        r = 1.0 / (1.0 + basis.precision[q] * s * s)
        w = s * basis.response[q] * r + x[1 + q] * sqrt(r)
        term.w[q], term.r[q] = w, r
        total += 0.5 * (log(r) - w * w)
        add_scaled(term.defender, s * w, basis.direction[q])
    return total


@jit
def _defenders_back(x: Any, scale: float, basis: Any, term: Any, grad: Any) -> None:
    s = scale * x[0]
    gs = 0.0
    for q in range(len(term.defender)):
        down = dot(basis.direction[q], term.gdefender)
        w, r, u = term.w[q], term.r[q], basis.response[q]
        root = sqrt(r)
        gw = s * down - w
        rr = gw * (s * u * r * r + 0.5 * x[1 + q] * root * r) + 0.5 * r
        grad[1 + q] = gw * root
        gs += gw * u * r + down * w - 2.0 * basis.precision[q] * s * rr
    grad[0] += gs * scale


@jit
def offsets(x: Any, at: Any, d: Any, term: Any, response: Any, offset: Any) -> None:
    """Distance, contest, defender and column terms of every cell, and what they leave."""
    for k in range(len(response)):
        fill(response[k], 0.0)
        add_scaled(response[k], 1.0, d.player.response[k])
    fill(offset, 0.0)
    if at[10] == at[6]:
        return
    cell, slopes, column = d.cell, d.prior.slope, d.column
    for j in range(at[10] - at[9]):
        along = column.mean[j] + column.centre[j] + column.root[j] * x[at[9] + j]
        add_scaled(offset, along, cell.columns[j])
    for i in range(len(offset)):
        k = cell.setting[i]
        o = offset[i]
        if at[7] > at[6]:
            o += (slopes[0, k] + slopes[1, k] * x[at[6] + k]) * cell.feet[i]
        if at[8] > at[7]:
            o += term.effect[cell.contest[i]]
        if at[9] > at[8] and cell.defender[i] >= 0:
            o += term.defender[cell.defender[i]]
        offset[i] = o
        response[k, cell.unit[i]] -= cell.weight[i] * o


@jit
def offsets_back(x: Any, at: Any, d: Any, st: Any, grad: Any) -> None:
    """Gradients of the optional terms, from those in the cells' logits and the responses."""
    if at[10] == at[6]:
        return
    cell, term, scales = d.cell, st.term, d.prior.scales
    for i in range(len(cell.n)):
        k = cell.setting[i]
        g = st.cell.goffset[i] - cell.weight[i] * st.player.gresponse[k, cell.unit[i]]
        if at[7] > at[6]:
            grad[at[6] + k] += g * d.prior.slope[1, k] * cell.feet[i]
        if at[8] > at[7]:
            term.geffect[cell.contest[i]] += g
        if at[9] > at[8] and cell.defender[i] >= 0:
            term.gdefender[cell.defender[i]] += g
        st.cell.goffset[i] = g
    for j in range(at[10] - at[9]):
        grad[at[9] + j] += d.column.root[j] * dot(st.cell.goffset, cell.columns[j])
    tail = 0.0
    for q in range(at[8] - at[7] - 1, -1, -1):
        tail += term.geffect[q + 1]
        grad[at[7] + q] -= tail * half_normal(x[at[7] + q], scales[1])[2]
    if at[9] > at[8]:
        _defenders_back(x[at[8] : at[9]], scales[2], d.basis, term, grad[at[8] : at[9]])
