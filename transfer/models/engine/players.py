"""Programs and players of the compiled density, all players of a setting at a time.

Every deviation with a normal prior N(m, s^2) and an approximate normal likelihood of precision P
and response R (P times what it is centred at) is written as

    w = s (R - P m) r + x sqrt(r),   value = m + s w,   r = 1 / (1 + P s^2)

so that x is close to standard normal whatever s is: not centred where P is small, centred where
it is large, by degrees in between. Players, programs and the population mean all use it, each with
the likelihood of the level below. The density is exact for any P and R (the Jacobian is in it),
and for any order of the settings; they only decide how well the sampler moves. The idea of a
likelihood-informed reparametrisation is in Papaspiliopoulos, Roberts and Skoeld 2007 (from memory).
"""

from __future__ import annotations

from math import log, sqrt
from typing import Any

from transfer.models.engine.loops import (
    add_scaled,
    dot,
    exp_minus_abs,
    fill,
    jit,
    log1p_unit,
    multiply,
    shrink,
    wide,
)

__all__ = ["likelihood", "population", "population_back", "units", "units_back"]

#: A running product is turned into its logarithm before it leaves the range of numbers.
_SMALL = 1e-150


@jit
def _program_information(tau: Any, data: Any, player: Any, program: Any) -> None:
    """Precision and response of every program's centre, players summed out."""
    share, root = player.first, player.second
    for k in range(len(tau)):
        shrink(share, root, data.precision[k], tau[k])
        if len(program.precision) == 1:
            program.precision[0, k] = dot(data.precision[k], share)
            program.response[0, k] = dot(player.response[k], share)
        else:
            for p in range(len(share)):
                g = data.program[p]
                program.precision[g, k] += data.precision[k, p] * share[p]
                program.response[g, k] += player.response[k, p] * share[p]


@jit
def population(x: Any, at: Any, prior: Any, data: Any, st: Any, grad: Any) -> float:
    """Mean of every setting and centre of every program, drawn with the players summed out."""
    total = 0.0
    value, program = st.value, st.program
    programs, size = program.centre.shape
    _program_information(value.tau, data, st.player, program)
    many = programs > 1
    for k in range(size):
        value.sd[k] = 0.0
        if many:
            t = x[at[4] + k]
            value.sd[k], grad[at[4] + k] = prior.scales[1] * t, -t
            total -= 0.5 * t * t
        s = value.sd[k]
        precision = 1.0 / (prior.mu[1, k] * prior.mu[1, k])
        num = precision * prior.mu[0, k]
        known = precision
        for g in range(programs):
            e = 1.0 / (1.0 + program.precision[g, k] * s * s)
            precision += program.precision[g, k] * e
            num += program.response[g, k] * e
        mu = num / precision + x[k] / sqrt(precision)
        value.mu[k], value.mu_precision[k] = mu, precision
        gap = mu - prior.mu[0, k]
        total -= 0.5 * (log(precision) + known * gap * gap)
        for g in range(programs):
            program.centre[g, k] = mu
            if many:
                v = program.precision[g, k]
                r = 1.0 / (1.0 + v * s * s)
                w = s * (program.response[g, k] - v * mu) * r
                w += x[at[5] + g * size + k] * sqrt(r)
                program.w[g, k], program.r[g, k] = w, r
                program.centre[g, k] += s * w
                total += 0.5 * (log(r) - w * w)
    return total


@jit
def _programs_back(x: Any, at: Any, k: int, s: float, mu: float, program: Any, grad: Any) -> Any:
    """Gradients in setting k's mean and in the programs' spread, through the programs."""
    gmu, gsd = 0.0, 0.0
    programs, size = program.centre.shape
    for g in range(programs):
        down = program.gcentre[g, k]
        if programs > 1:
            v, w, r = program.precision[g, k], program.w[g, k], program.r[g, k]
            u = program.response[g, k] - v * mu
            xi = x[at[5] + g * size + k]
            q = sqrt(r)
            gw = s * down - w
            rr = gw * (s * u * r * r + 0.5 * xi * q * r) + 0.5 * r
            gu = gw * s * r
            gsd += gw * u * r + down * w - 2.0 * v * s * rr
            program.gprecision[g, k] -= gu * mu + s * s * rr
            program.gresponse[g, k] += gu
            grad[at[5] + g * size + k] = gw * q
            down -= gu * v
        gmu += down
    return gmu, gsd


@jit
def population_back(x: Any, at: Any, prior: Any, data: Any, st: Any, grad: Any) -> None:
    """Gradients of the programs' and the population's coordinates, and what they leave in tau."""
    value, program = st.value, st.program
    programs, size = program.centre.shape
    for k in range(size):
        mu, precision, s = value.mu[k], value.mu_precision[k], value.sd[k]
        gmu, gsd = _programs_back(x, at, k, s, mu, program, grad)
        gmu -= (mu - prior.mu[0, k]) / (prior.mu[1, k] * prior.mu[1, k])
        root = sqrt(precision)
        gnum = gmu / precision
        gprec = -0.5 / precision - 0.5 * gmu * x[k] / (precision * root) - gnum * (mu - x[k] / root)
        grad[k] = gmu / root
        for g in range(programs):
            v = program.precision[g, k]
            e = 1.0 / (1.0 + v * s * s)
            ge = gprec * v + gnum * program.response[g, k]
            program.gprecision[g, k] += gprec * e - ge * e * e * s * s
            program.gresponse[g, k] += gnum * e
            gsd -= ge * e * e * 2.0 * v * s
        if programs > 1:
            grad[at[4] + k] += gsd * prior.scales[1]
    _information_back(value.tau, value.gtau, data, st.player, program)


@jit
def _information_back(tau: Any, gtau: Any, data: Any, player: Any, program: Any) -> None:
    """From the gradients in precision and response of the programs to tau and the responses."""
    share, root, part, slope = player.first, player.second, player.third, player.last
    for k in range(len(tau)):
        shrink(share, root, data.precision[k], tau[k])
        if len(program.precision) == 1:
            fill(part, program.gprecision[0, k])
            fill(slope, program.gresponse[0, k])
        else:
            for p in range(len(part)):
                g = data.program[p]
                part[p], slope[p] = program.gprecision[g, k], program.gresponse[g, k]
        multiply(root, slope, share)
        add_scaled(player.gresponse[k], 1.0, root)
        # d share / d tau is -2 tau P share^2.
        multiply(part, part, data.precision[k])
        multiply(slope, slope, player.response[k])
        add_scaled(part, 1.0, slope)
        multiply(part, part, share)
        multiply(root, share, data.precision[k])
        gtau[k] -= 2.0 * tau[k] * dot(part, root)


@wide
def _residual(gap: Any, response: Any, precision: Any, mean: Any) -> None:
    for p in range(len(gap)):
        gap[p] = response[p] - precision[p] * mean[p]


@wide
def _deviation(w: Any, s: float, gap: Any, r: Any, x: Any, root: Any) -> None:
    for p in range(len(w)):
        w[p] = s * gap[p] * r[p] + x[p] * root[p]


@wide
def _value(theta: Any, mean: Any, s: float, w: Any) -> None:
    for p in range(len(theta)):
        theta[p] = mean[p] + s * w[p]


@jit
def _given_before(k: int, tau: float, chol: Any, centre: Any, program: Any, player: Any) -> None:
    """Mean of setting k of every player given the settings before it."""
    before, mean = player.before[k], player.mean[k]
    fill(before, 0.0)
    for j in range(k):
        add_scaled(before, chol[k, j], player.w[j])
    if len(centre) == 1:
        fill(mean, centre[0, k])
    else:
        for p in range(len(mean)):
            mean[p] = centre[program[p], k]
    add_scaled(mean, tau, before)


@jit
def units(x: Any, tau: Any, chol: Any, centre: Any, data: Any, player: Any) -> float:
    """Logit rates of every player, one setting after the other given those before."""
    total = 0.0
    for k in range(len(tau)):
        for p in range(x.shape[1]):
            player.x[k, p] = x[k, p]
    product = player.first
    fill(product, 1.0)
    for k in range(len(tau)):
        _given_before(k, tau[k], chol, centre, data.program, player)
        s = tau[k] * chol[k, k]
        w, r, root, gap = player.w[k], player.r[k], player.root[k], player.gap[k]
        shrink(r, root, data.precision[k], s)
        _residual(gap, player.response[k], data.precision[k], player.mean[k])
        _deviation(w, s, gap, r, player.x[k], root)
        _value(player.theta[k], player.mean[k], s, w)
        multiply(product, product, r)
        total -= dot(w, w)
    run = 1.0
    for p in range(len(product)):
        run *= product[p]
        if run < _SMALL:
            total += log(run)
            run = 1.0
    return 0.5 * (total + log(run))


@wide
def _deviation_back(gw: Any, extra: Any, s: float, down: Any, w: Any) -> None:
    for p in range(len(gw)):
        gw[p] = extra[p] + s * down[p] - w[p]


@wide
def _shrinkage_back(rr: Any, gw: Any, s: float, gap: Any, r: Any, x: Any, root: Any) -> None:
    """Gradient in r, times r^2: all that the precision and the spread need of it."""
    for p in range(len(rr)):
        rr[p] = r[p] * (gw[p] * (s * gap[p] * r[p] + 0.5 * x[p] * root[p]) + 0.5)


@wide
def _response_back(gresponse: Any, gw: Any, s: float, r: Any) -> None:
    for p in range(len(gresponse)):
        gresponse[p] = gw[p] * s * r[p]


@jit
def units_back(value: Any, factor: Any, gcentre: Any, data: Any, player: Any, grad: Any) -> None:
    """Gradients of the players' coordinates, and what they leave in centres, tau and the factor."""
    gw, rr = player.first, player.second
    for k in range(len(value.tau) - 1, -1, -1):
        tau, down, gmean, w = value.tau[k], player.gtheta[k], player.gmean[k], player.w[k]
        r, root, gap = player.r[k], player.root[k], player.gap[k]
        s = tau * factor.chol[k, k]
        _deviation_back(gw, player.extra[k], s, down, w)
        _shrinkage_back(rr, gw, s, gap, r, player.x[k], root)
        _response_back(player.gresponse[k], gw, s, r)
        _residual(gmean, down, data.precision[k], player.gresponse[k])
        multiply(grad[k], gw, root)
        gs = dot(down, w) - 2.0 * s * dot(data.precision[k], rr)
        multiply(rr, gap, r)
        gs += dot(gw, rr)
        value.gtau[k] += dot(gmean, player.before[k]) + gs * factor.chol[k, k]
        factor.gchol[k, k] += gs * tau
        for j in range(k):
            factor.gchol[k, j] += tau * dot(gmean, player.w[j])
            add_scaled(player.extra[j], tau * factor.chol[k, j], gmean)
        for p in range(len(gmean)):
            gcentre[data.program[p], k] += gmean[p]


@wide
def _minus_log_miss(miss: Any, eta: Any) -> None:
    """Turn log(1 + exp(-|eta|)) into minus the log of the chance of a miss."""
    for i in range(len(miss)):
        miss[i] += max(eta[i], 0.0)


@wide
def _slope(slope: Any, y: Any, n: Any, eta: Any, e: Any) -> None:
    for i in range(len(slope)):
        share = 1.0 / (1.0 + e[i])
        slope[i] = y[i] - n[i] * (share if eta[i] >= 0.0 else e[i] * share)


@jit
def likelihood(data: Any, cell: Any, theta: Any, gtheta: Any) -> float:
    """Binomial log likelihood without its constant."""
    eta, e, miss = cell.eta, cell.e, cell.power
    for i in range(len(eta)):
        eta[i] = theta[data.setting[i], data.unit[i]] + cell.offset[i]
    exp_minus_abs(e, cell.power, cell.bits, eta)
    log1p_unit(miss, e)
    _minus_log_miss(miss, eta)
    total = dot(data.y, eta) - dot(data.n, miss)
    _slope(cell.goffset, data.y, data.n, eta, e)
    for i in range(len(eta)):
        gtheta[data.setting[i], data.unit[i]] += cell.goffset[i]
    return total
