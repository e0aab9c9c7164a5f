"""Programs, seasons and players of the compiled density, all players of a setting at a time.

Every deviation with a normal prior N(m, s^2) and an approximate normal likelihood of precision P
and response R (P times what it is centred at) is written as

    w = s (R - P m) r + x sqrt(r),   value = m + s w,   r = 1 / (1 + P s^2)

so that x is close to standard normal whatever s is: not centred where P is small, centred where
it is large, by degrees in between. Players, their seasons, programs and the population mean all
use it, each with the likelihood of the level below. The density is exact for any P and R (the
Jacobian is in it), and for any order of the settings; they only decide how well the sampler moves.
The idea of a likelihood-informed reparametrisation is in Papaspiliopoulos, Roberts and Skoeld 2007
(from memory).
"""

from __future__ import annotations

from math import exp, log, log1p, sqrt
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

__all__ = ["likelihood", "population", "population_back", "seasons", "seasons_back", "units",
           "units_back"]  # fmt: skip

#: A running product is turned into its logarithm before it leaves the range of numbers.
_SMALL = 1e-150


@jit
def _group_information(tau: Any, data: Any, player: Any, group: Any) -> None:
    """Precision and response of every group's centre, players summed out."""
    share, root = player.first, player.second
    for k in range(len(tau)):
        shrink(share, root, data.precision[k], tau[k])
        if len(group.precision) == 1:
            group.precision[0, k] = dot(data.precision[k], share)
            group.response[0, k] = dot(player.response[k], share)
        else:
            for p in range(len(share)):
                g = data.group[p]
                group.precision[g, k] += data.precision[k, p] * share[p]
                group.response[g, k] += player.response[k, p] * share[p]


@jit
def _drawn(level: Any, g: int, k: int, s: float, above: float, x: float) -> float:
    """Centre of one group about the mean `above` it; return its log density."""
    v = level.precision[g, k]
    r = 1.0 / (1.0 + v * s * s)
    w = s * (level.response[g, k] - v * above) * r + x * sqrt(r)
    level.w[g, k], level.r[g, k] = w, r
    level.centre[g, k] = above + s * w
    return 0.5 * (log(r) - w * w)


@jit
def _drawn_back(level: Any, g: int, k: int, s: float, above: float, x: float) -> Any:
    """Gradients in the mean above a group, in the spread and in the group's coordinate."""
    down, v = level.gcentre[g, k], level.precision[g, k]
    w, r = level.w[g, k], level.r[g, k]
    u = level.response[g, k] - v * above
    q = sqrt(r)
    gw = s * down - w
    rr = gw * (s * u * r * r + 0.5 * x * q * r) + 0.5 * r
    gu = gw * s * r
    level.gprecision[g, k] -= gu * above + s * s * rr
    level.gresponse[g, k] += gu
    return down - gu * v, gw * u * r + down * w - 2.0 * v * s * rr, gw * q


@jit
def _told_back(level: Any, g: int, k: int, s: float, gprecision: float, gresponse: float) -> float:
    """From what a group told the level above it to the group; return the gradient in the spread."""
    v = level.precision[g, k]
    e = 1.0 / (1.0 + v * s * s)
    ge = gprecision * v + gresponse * level.response[g, k]
    level.gprecision[g, k] += gprecision * e - ge * e * e * s * s
    level.gresponse[g, k] += gresponse * e
    return -ge * e * e * 2.0 * v * s


@jit
def _told(level: Any, k: int, s: float, precision: float, response: float) -> Any:
    """Add what the groups of a level tell the mean above them."""
    for g in range(len(level.precision)):
        e = 1.0 / (1.0 + level.precision[g, k] * s * s)
        precision += level.precision[g, k] * e
        response += level.response[g, k] * e
    return precision, response


@jit
def _upward(k: int, s: float, group: Any, program: Any, of: Any) -> None:
    """Precision and response of every program's centre, its groups summed out."""
    for g in range(len(group.precision)):
        e = 1.0 / (1.0 + group.precision[g, k] * s * s)
        program.precision[of[g], k] += group.precision[g, k] * e
        program.response[of[g], k] += group.response[g, k] * e


@jit
def population(x: Any, at: Any, prior: Any, data: Any, st: Any, grad: Any) -> float:
    """Mean of every setting and centre of every group, drawn with the players summed out."""
    total = 0.0
    value, group, program = st.value, st.group, st.program
    groups, size = group.centre.shape
    programs = len(program.centre)
    _group_information(value.tau, data, st.player, group)
    for k in range(size):
        value.sd[k], value.program_sd[k] = 0.0, 0.0
        if groups > 1:
            t = x[at[4] + k]
            value.sd[k], grad[at[4] + k] = prior.group[k] * t, -t
            total -= 0.5 * t * t
        s, top = value.sd[k], value.sd[k]
        known = 1.0 / (prior.mu[1, k] * prior.mu[1, k])
        if programs > 0:
            t = x[at[10] + k]
            value.program_sd[k], grad[at[10] + k] = prior.program[k] * t, -t
            total -= 0.5 * t * t
            top = value.program_sd[k]
            _upward(k, s, group, program, data.program)
            precision, num = _told(program, k, top, known, known * prior.mu[0, k])
        else:
            precision, num = _told(group, k, top, known, known * prior.mu[0, k])
        mu = num / precision + x[k] / sqrt(precision)
        value.mu[k], value.mu_precision[k] = mu, precision
        gap = mu - prior.mu[0, k]
        total -= 0.5 * (log(precision) + known * gap * gap)
        for h in range(programs):
            total += _drawn(program, h, k, top, mu, x[at[11] + h * size + k])
        for g in range(groups):
            above = program.centre[data.program[g], k] if programs > 0 else mu
            if groups > 1:
                total += _drawn(group, g, k, s, above, x[at[5] + g * size + k])
            else:
                group.centre[g, k] = above
    return total


@jit
def _levels_back(x: Any, at: Any, k: int, data: Any, st: Any, grad: Any) -> Any:
    """Gradients in setting k's mean and in the spreads, through groups and programs."""
    value, group, program = st.value, st.group, st.program
    groups, size = group.centre.shape
    programs = len(program.centre)
    gmu, gsd, gtop = 0.0, 0.0, 0.0
    for g in range(groups):
        down = group.gcentre[g, k]
        above = program.centre[data.program[g], k] if programs > 0 else value.mu[k]
        if groups > 1:
            q = at[5] + g * size + k
            down, more, grad[q] = _drawn_back(group, g, k, value.sd[k], above, x[q])
            gsd += more
        if programs > 0:
            program.gcentre[data.program[g], k] += down
        else:
            gmu += down
    for h in range(programs):
        q = at[11] + h * size + k
        down, more, grad[q] = _drawn_back(program, h, k, value.program_sd[k], value.mu[k], x[q])
        gmu += down
        gtop += more
    return gmu, gsd, gtop


@jit
def population_back(x: Any, at: Any, prior: Any, data: Any, st: Any, grad: Any) -> None:
    """Gradients of the groups' and the population's coordinates, and what they leave in tau."""
    value, group, program = st.value, st.group, st.program
    groups, size = group.centre.shape
    programs = len(program.centre)
    for k in range(size):
        mu, precision, s = value.mu[k], value.mu_precision[k], value.sd[k]
        gmu, gsd, gtop = _levels_back(x, at, k, data, st, grad)
        gmu -= (mu - prior.mu[0, k]) / (prior.mu[1, k] * prior.mu[1, k])
        root = sqrt(precision)
        gnum = gmu / precision
        gprec = -0.5 / precision - 0.5 * gmu * x[k] / (precision * root) - gnum * (mu - x[k] / root)
        grad[k] = gmu / root
        for h in range(programs):
            gtop += _told_back(program, h, k, value.program_sd[k], gprec, gnum)
        for g in range(groups):
            h = data.program[g]
            down = program.gprecision[h, k] if programs > 0 else gprec
            heard = program.gresponse[h, k] if programs > 0 else gnum
            gsd += _told_back(group, g, k, s, down, heard)
        if groups > 1:
            grad[at[4] + k] += gsd * prior.group[k]
        if programs > 0:
            grad[at[10] + k] += gtop * prior.program[k]
    _information_back(value.tau, value.gtau, data, st.player, group)


@jit
def _information_back(tau: Any, gtau: Any, data: Any, player: Any, group: Any) -> None:
    """From the gradients in precision and response of the groups to tau and the responses."""
    share, root, part, slope = player.first, player.second, player.third, player.last
    for k in range(len(tau)):
        shrink(share, root, data.precision[k], tau[k])
        if len(group.precision) == 1:
            fill(part, group.gprecision[0, k])
            fill(slope, group.gresponse[0, k])
        else:
            for p in range(len(part)):
                g = data.group[p]
                part[p], slope[p] = group.gprecision[g, k], group.gresponse[g, k]
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
def _given_before(k: int, tau: float, chol: Any, centre: Any, group: Any, player: Any) -> None:
    """Mean of setting k of every player given the settings before it."""
    before, mean = player.before[k], player.mean[k]
    fill(before, 0.0)
    for j in range(k):
        add_scaled(before, chol[k, j], player.w[j])
    if len(centre) == 1:
        fill(mean, centre[0, k])
    else:
        for p in range(len(mean)):
            mean[p] = centre[group[p], k]
    add_scaled(mean, tau, before)


@jit
def seasons(t: float, scales: Any, season: Any, grad: Any) -> float:
    """Log density of the persistence on the logit scale; weights by number of earlier seasons.

    Deviations of a player's seasons have correlation phi, so given the sum of t earlier ones the
    next has mean phi / (1 - phi + t phi) times it.
    """
    phi = 1.0 / (1.0 + exp(-t))
    first, second = scales[5], scales[6]
    for q in range(len(season.share)):
        rest = 1.0 - phi + q * phi
        season.share[q] = phi / rest
        season.root[q] = sqrt((1.0 - phi) * (1.0 + q * phi) / rest)
    grad[0] = first * (1.0 - phi) - second * phi
    return first * log(phi) + second * log1p(-phi)


@jit
def seasons_back(t: float, season: Any, grad: Any) -> None:
    """Gradient of the persistence through the weights of earlier seasons."""
    phi = 1.0 / (1.0 + exp(-t))
    total = 0.0
    for q in range(1, len(season.share)):
        rest = 1.0 - phi + q * phi
        slope = ((1.0 - phi) * q - 1.0 - q * phi) * rest - (1.0 - phi) * (1.0 + q * phi) * (q - 1)
        total += season.gshare[q] / (rest * rest)
        total += season.groot[q] * slope / (2.0 * season.root[q] * rest * rest)
    grad[0] += total * phi * (1.0 - phi)


@jit
def _given_earlier(k: int, s: float, data: Any, player: Any, season: Any) -> None:
    """Rates of setting k where players have several seasons, each given the earlier ones."""
    for p in range(len(player.first)):
        t, earlier = data.rank[p], 0.0
        if t > 0:
            q = data.previous[p]
            earlier = player.sum[k, q] + player.w[k, q]
        scale, mean = s * season.root[t], player.mean[k, p]
        gap = player.response[k, p] - data.precision[k, p] * (mean + s * season.share[t] * earlier)
        r = 1.0 / (1.0 + data.precision[k, p] * scale * scale)
        root = sqrt(r)
        own = scale * gap * r + player.x[k, p] * root
        w = season.share[t] * earlier + season.root[t] * own
        player.sum[k, p], player.own[k, p], player.w[k, p] = earlier, own, w
        player.gap[k, p], player.r[k, p], player.root[k, p] = gap, r, root
        player.theta[k, p] = mean + s * w


@jit
def units(x: Any, tau: Any, chol: Any, centre: Any, data: Any, st: Any) -> float:
    """Logit rates of every player, one setting after the other given those before."""
    total = 0.0
    player = st.player
    for k in range(len(tau)):
        for p in range(x.shape[1]):
            player.x[k, p] = x[k, p]
    product = player.first
    fill(product, 1.0)
    for k in range(len(tau)):
        _given_before(k, tau[k], chol, centre, data.group, player)
        s = tau[k] * chol[k, k]
        w, r, root, gap = player.w[k], player.r[k], player.root[k], player.gap[k]
        if len(st.season.share) > 1:
            _given_earlier(k, s, data, player, st.season)
        else:
            shrink(r, root, data.precision[k], s)
            _residual(gap, player.response[k], data.precision[k], player.mean[k])
            _deviation(w, s, gap, r, player.x[k], root)
            _value(player.theta[k], player.mean[k], s, w)
        multiply(product, product, r)
        total -= dot(player.own[k], player.own[k])
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
def _alone_back(k: int, s: float, data: Any, player: Any, grad: Any) -> float:
    """Gradients of setting k where no player has two seasons; return that of the spread."""
    gw, rr = player.first, player.second
    down, gmean, w = player.gtheta[k], player.gmean[k], player.w[k]
    r, root, gap = player.r[k], player.root[k], player.gap[k]
    _deviation_back(gw, player.extra[k], s, down, w)
    _shrinkage_back(rr, gw, s, gap, r, player.x[k], root)
    _response_back(player.gresponse[k], gw, s, r)
    _residual(gmean, down, data.precision[k], player.gresponse[k])
    multiply(grad[k], gw, root)
    gs = dot(down, w) - 2.0 * s * dot(data.precision[k], rr)
    multiply(rr, gap, r)
    return gs + dot(gw, rr)


@jit
def _earlier_back(k: int, s: float, data: Any, player: Any, season: Any, grad: Any) -> float:
    """Gradients of setting k through the earlier seasons; return that of the spread."""
    later = player.first
    fill(later, 0.0)
    gs = 0.0
    for p in range(len(later) - 1, -1, -1):
        t, earlier, own = data.rank[p], player.sum[k, p], player.own[k, p]
        share, part = season.share[t], season.root[t]
        scale, precision, down = s * part, data.precision[k, p], player.gtheta[k, p]
        r, root, gap, x = player.r[k, p], player.root[k, p], player.gap[k, p], player.x[k, p]
        gw = player.extra[k, p] + s * down + later[p]
        gown = gw * part - own
        rr = r * (gown * (scale * gap * r + 0.5 * x * root) + 0.5)
        gresponse = gown * scale * r
        gscale = gown * gap * r - 2.0 * scale * precision * rr
        gmean = -precision * gresponse
        gs += down * player.w[k, p] + gmean * share * earlier + gscale * part
        season.gshare[t] += gw * earlier + gmean * s * earlier
        season.groot[t] += gw * own + gscale * s
        if t > 0:
            later[data.previous[p]] = later[p] + (gw + gmean * s) * share
        player.gresponse[k, p], player.gmean[k, p] = gresponse, down + gmean
        if p < grad.shape[1]:
            grad[k, p] = gown * root
    return gs


@jit
def units_back(st: Any, data: Any, grad: Any) -> None:
    """Gradients of the players' coordinates, and what they leave in centres, tau and the factor."""
    value, factor, player = st.value, st.factor, st.player
    for k in range(len(value.tau) - 1, -1, -1):
        tau, gmean = value.tau[k], player.gmean[k]
        s = tau * factor.chol[k, k]
        if len(st.season.share) > 1:
            gs = _earlier_back(k, s, data, player, st.season, grad)
        else:
            gs = _alone_back(k, s, data, player, grad)
        value.gtau[k] += dot(gmean, player.before[k]) + gs * factor.chol[k, k]
        factor.gchol[k, k] += gs * tau
        for j in range(k):
            factor.gchol[k, j] += tau * dot(gmean, player.w[j])
            add_scaled(player.extra[j], tau * factor.chol[k, j], gmean)
        for p in range(len(gmean)):
            st.group.gcentre[data.group[p], k] += gmean[p]


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
