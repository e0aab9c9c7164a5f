"""Beta-binomial posterior on a grid: shrunken rates that carry the uncertainty of the spread.

Prior: p(a, b) proportional to (a + b)^(-5/2) (Gelman et al., Bayesian Data Analysis, 3rd ed.,
section 5.3), which is flat on the mean and on (a + b)^(-1/2). The posterior is proper as soon as
there are makes and misses, also when the players do not differ. The grid is deterministic.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.interpolate import PchipInterpolator
from scipy.special import betainc, betaincinv, betaln, expit, logit

from transfer.arguments import between
from transfer.rates.counts import FloatArray, check_counts, check_prob, distinct
from transfer.rates.shrinkage import check_units, log_likelihood
from transfer.results import Interval

__all__ = ["BDA3_KAPPA_POWER", "BetaBinomialPosterior", "beta_binomial_posterior"]

#: (a + b)^(-5/2) over (a, b) is kappa^(-3/2) over (mean, kappa = a + b).
BDA3_KAPPA_POWER = -1.5
#: Range of log(a + b). Rates do not notice the upper end; the mean of a + b itself is formally
#: infinite under this prior, so only its quantiles are reported.
_LOG_KAPPA = (-4.0, 14.0)
#: Log-density below the peak at which the grid ends.
_DEPTH = 16.0
#: Points on (logit mean, log kappa). The trapezoid rule on a smooth peak needs no more: the
#: published rat tumour numbers come out to their last digit.
_SHAPE = (33, 81)
#: Points while the grid is still looking for the peak.
_SEARCH_SHAPE = (21, 41)


@dataclass(frozen=True)
class BetaBinomialPosterior:
    """Posterior of the distribution of true rates over players.

    Parameters
    ----------
    a, b, weights : array, shape (G,)
        Grid points and their posterior probabilities (sum 1).
    y, n : array, shape (k,)
        The counts.
    """

    a: FloatArray
    b: FloatArray
    weights: FloatArray
    y: FloatArray
    n: FloatArray

    @property
    def kappa(self) -> FloatArray:
        """Sum of a and b at the grid points."""
        return self.a + self.b

    @property
    def mean(self) -> float:
        """Posterior mean of a / (a + b), the rate of the average player."""
        return float(self.weights @ (self.a / self.kappa))

    def quantile(self, values: FloatArray, probabilities: npt.ArrayLike) -> FloatArray:
        """Posterior quantiles of a function of (a, b) given by its values on the grid."""
        order = np.argsort(values, kind="stable")
        level = values[order]
        new = np.concatenate([[True], np.diff(level) > 1e-9 * (1.0 + np.abs(level[1:]))])
        first = np.flatnonzero(new)
        level, mass = level[first], np.add.reduceat(self.weights[order], first)
        if level.size == 1:
            return np.full(np.shape(probabilities), level[0])
        # Cumulated mass is exact at the edges of the cells; a monotone curve joins the edges.
        middle = (level[1:] + level[:-1]) / 2
        edges = np.concatenate([[2 * level[0] - middle[0]], middle, [2 * level[-1] - middle[-1]]])
        curve = PchipInterpolator(edges, np.concatenate([[0.0], np.cumsum(mass)]))
        fine = np.linspace(edges[:-1], edges[1:], 20, endpoint=False).T.ravel()
        fine = np.append(fine, edges[-1])
        return np.interp(np.asarray(probabilities, float), curve(fine), fine)

    def attempts_to_half(self, prob: float = 0.90) -> tuple[float, Interval]:
        """Posterior median and equal-tailed interval of a + b, the attempts to reliability 0.5."""
        tail = (1.0 - check_prob(prob)) / 2
        low, middle, high = np.exp(self.quantile(np.log(self.kappa), [tail, 0.5, 1.0 - tail]))
        return float(middle), Interval(float(low), float(high), prob, "eti", "parameter")

    def shrink(
        self, y: npt.ArrayLike | None = None, n: npt.ArrayLike | None = None, prob: float = 0.90
    ) -> pd.DataFrame:
        """Posterior of true rates, for the fitted players or others of the same population.

        Parameters
        ----------
        y, n : array_like, optional
            Counts; the fitted ones when left out.
        prob : float
            Content of the equal-tailed intervals.

        Returns
        -------
        DataFrame
            Columns n, y, raw, shrunken (posterior mean), sd, low, high, reliability (posterior
            mean of n / (n + a + b)).
        """
        makes, attempts = check_counts(
            self.y if y is None else np.atleast_1d(y), self.n if n is None else np.atleast_1d(n)
        )
        tail = (1.0 - check_prob(prob)) / 2
        alpha = self.a[:, None] + makes
        beta = self.b[:, None] + attempts - makes
        total = alpha + beta
        first = self.weights @ (alpha / total)
        second = self.weights @ (alpha / total * (alpha + 1.0) / (total + 1.0))
        sd = np.sqrt(second - first**2)
        limits = [
            _mixture_quantile(alpha, beta, self.weights, first, sd, level)
            for level in (tail, 1.0 - tail)
        ]
        return pd.DataFrame(
            {
                "n": attempts,
                "y": makes,
                "raw": makes / attempts,
                "shrunken": first,
                "sd": sd,
                "low": limits[0],
                "high": limits[1],
                "reliability": self.weights @ (attempts / (attempts + self.kappa[:, None])),
            }
        )

    def draws(self, count: int, seed: int) -> FloatArray:
        """Posterior draws of the fitted players' true rates, shape (count, k)."""
        rng = np.random.default_rng(seed)
        point = rng.choice(self.weights.size, size=count, p=self.weights)
        return rng.beta(self.a[point, None] + self.y, self.b[point, None] + self.n - self.y)


def _mixture_quantile(
    alpha: FloatArray,
    beta: FloatArray,
    weights: FloatArray,
    mean: FloatArray,
    sd: FloatArray,
    level: float,
) -> FloatArray:
    """Quantiles of mixtures of beta distributions, one mixture per column.

    Newton steps from the quantile of the beta with the same mean and variance, kept inside a
    shrinking bracket; a step that leaves the bracket is replaced by halving it.
    """
    size = mean * (1.0 - mean) / sd**2 - 1.0
    at = np.clip(betaincinv(mean * size, (1.0 - mean) * size, level), 1e-300, 1.0 - 2.0**-53)
    low, high = np.zeros_like(at), np.ones_like(at)
    norm = betaln(alpha, beta)
    active = np.arange(at.size)
    for _ in range(60):
        a, b, x = alpha[:, active], beta[:, active], at[active]
        gap = weights @ betainc(a, b, x) - level
        low[active] = np.where(gap < 0, x, low[active])
        high[active] = np.where(gap > 0, x, high[active])
        open_ = np.abs(gap) > 1e-7
        if not open_.any():
            break
        active, a, b, x, gap = active[open_], a[:, open_], b[:, open_], x[open_], gap[open_]
        log_density = (a - 1.0) * np.log(x) + (b - 1.0) * np.log1p(-x) - norm[:, active]
        step = x - gap / np.maximum(weights @ np.exp(log_density), 1e-300)
        inside = (step > low[active]) & (step < high[active])
        step = np.where(inside, step, 0.5 * (low[active] + high[active]))
        at[active] = np.clip(step, 1e-300, 1.0 - 2.0**-53)
    return at


def _log_density(
    position: FloatArray,
    log_kappa: FloatArray,
    pairs: tuple[FloatArray, FloatArray, FloatArray],
    kappa_power: float,
) -> FloatArray:
    """Log posterior density over (logit mean, log kappa), shape (positions, kappas)."""
    mean, kappa = expit(position)[:, None], np.exp(log_kappa)[None, :]
    jacobian = np.log(mean) + np.log1p(-mean) + (kappa_power + 1.0) * log_kappa[None, :]
    return log_likelihood(mean * kappa, (1.0 - mean) * kappa, *pairs) + jacobian


def beta_binomial_posterior(
    y: npt.ArrayLike,
    n: npt.ArrayLike,
    *,
    kappa_power: float = BDA3_KAPPA_POWER,
    kappa_min: float | None = None,
) -> BetaBinomialPosterior:
    """Posterior of the beta distribution of true rates over players.

    Parameters
    ----------
    y, n : array_like, shape (k,)
        Makes and attempts of each player, k >= 3.
    kappa_power : float
        Prior kappa^power on kappa = a + b with a flat prior on the mean; -1.5 is the prior of
        Bayesian Data Analysis section 5.3. At or above -1 the posterior is improper.
    kappa_min : float, optional
        Least a + b allowed (a Pareto prior starts at its scale).

    Raises
    ------
    ArgumentError
        For impossible counts or an improper prior power.
    IdentificationError
        When there are too few players or only makes or misses.
    """
    makes, attempts = check_units(y, n)
    between(
        "kappa_power",
        kappa_power,
        "gives an improper posterior",
        below=-1,
        rule="kappa_power < -1, because the likelihood does not vanish as a + b grows",
        next_step="leave kappa_power at its default",
    )
    pairs = distinct(makes, attempts)
    floor = _LOG_KAPPA[0] if kappa_min is None else float(np.log(kappa_min))
    centre = float(logit(makes.sum() / attempts.sum()))
    box = [(centre - 5.0, centre + 5.0), (floor, _LOG_KAPPA[1])]
    edges = list(box)
    for _ in range(4):
        axes = [np.linspace(*edge, size) for edge, size in zip(box, _SEARCH_SHAPE, strict=True)]
        density = _log_density(axes[0], axes[1], pairs, kappa_power)
        inside = density > density.max() - _DEPTH
        box = [
            _trim(axis, inside.any(axis=1 - side), edges[side]) for side, axis in enumerate(axes)
        ]
    axes = [np.linspace(*edge, size) for edge, size in zip(box, _SHAPE, strict=True)]
    density = _log_density(axes[0], axes[1], pairs, kappa_power)
    weights = np.exp(density - density.max())
    # Trapezoid rule: half weight on the edges, which matters where the prior is cut off.
    weights[[0, -1], :] *= 0.5
    weights[:, [0, -1]] *= 0.5
    mean, kappa = np.broadcast_arrays(expit(axes[0])[:, None], np.exp(axes[1])[None, :])
    flat = weights.ravel() / weights.sum()
    order = np.argsort(flat)[::-1]
    kept = order[: int(np.searchsorted(np.cumsum(flat[order]), 1.0 - 1e-6)) + 1]
    probabilities = flat[kept] / flat[kept].sum()
    a = (mean * kappa).ravel()[kept]
    b = ((1.0 - mean) * kappa).ravel()[kept]
    return BetaBinomialPosterior(a, b, probabilities, makes, attempts)


def _trim(
    axis: FloatArray, inside: npt.NDArray[np.bool_], edge: tuple[float, float]
) -> tuple[float, float]:
    """Ends of the part of an axis that holds the mass, one step wider, within its edges."""
    hits = np.flatnonzero(inside)
    step = axis[1] - axis[0]
    return (
        float(max(axis[hits[0]] - step, edge[0])),
        float(min(axis[hits[-1]] + step, edge[1])),
    )
