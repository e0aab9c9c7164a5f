"""Empirical-Bayes shrinkage of make rates: players' true rates follow a beta distribution.

Makes are binomial given a player's true rate, and true rates are Beta(a, b) over players. The
type-II maximum likelihood of (a, b) gives the shrunken rate (a + y) / (a + b + n) and the
reliability n / (n + a + b). When the players differ by no more than chance explains, the best
a + b is infinite: the fit says so and gives no intervals, instead of returning a huge number.
`transfer.rates.full_bayes` carries the uncertainty of a and b along and has no such edge.
The moments alone need no optimiser; the optimiser loads only where the likelihood is maximised.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import betaincinv, betaln, digamma, expit, logit, xlogy

from transfer.arguments import choice
from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.counts import FloatArray, check_counts, check_prob, distinct, percent
from transfer.rates.reliability import reliability
from transfer.results import Estimates, Interval, Result, plain

__all__ = [
    "MIN_UNITS",
    "BetaBinomialFit",
    "beta_from_moments",
    "check_units",
    "fit_beta_binomial",
    "log_likelihood",
    "moment_start",
]

#: Fewest players whose spread is estimated (judgement: two rates have one difference).
MIN_UNITS = 3
#: Search range of log(a + b); the upper end stands for "no differences between players".
_LOG_KAPPA = (-6.0, 13.0)
#: Gain in log-likelihood over the binomial below which no over-dispersion is claimed.
_LEAST_GAIN = 1e-4


@dataclass(frozen=True)
class BetaBinomialFit(Result):
    """Distribution of true rates over players, estimated from their counts.

    Parameters
    ----------
    a, b : float
        Parameters of the beta distribution; both ``inf`` at the boundary.
    mean : float
        a / (a + b), the rate of the average player.
    kappa : float
        a + b: attempts to reliability 0.5; ``inf`` at the boundary.
    overdispersed : bool
        False when the players differ by no more than chance explains.
    log_likelihood, binomial_log_likelihood : float
        Of the fit and of one common rate, both without the binomial constants.
    method : {"ml", "moments"}
        How a and b were found.
    y, n : array, shape (k,)
        The counts.
    """

    _estimates = Estimates("shrunken", "low", "high", "raw")

    a: float
    b: float
    mean: float
    kappa: float
    overdispersed: bool
    log_likelihood: float
    binomial_log_likelihood: float
    method: Literal["ml", "moments"]
    y: FloatArray
    n: FloatArray

    @property
    def spread(self) -> float:
        """Standard deviation of true rates between players, in rate units."""
        if not self.overdispersed:
            return 0.0
        return math.sqrt(self.mean * (1.0 - self.mean) / (self.kappa + 1.0))

    def shrink(
        self, y: npt.ArrayLike | None = None, n: npt.ArrayLike | None = None, prob: float = 0.90
    ) -> pd.DataFrame:
        """Shrunken rates of the fitted players, or of others from the same population.

        Parameters
        ----------
        y, n : array_like, optional
            Counts; the fitted ones when left out.
        prob : float
            Content of the equal-tailed intervals. They treat a and b as known, so they are too
            narrow with few players; see `transfer.rates.full_bayes`.

        Returns
        -------
        DataFrame
            Columns n, y, raw, shrunken, low, high, reliability. At the boundary every player has
            the common rate, reliability 0 and no interval (NaN).
        """
        makes, attempts = check_counts(
            self.y if y is None else np.atleast_1d(y), self.n if n is None else np.atleast_1d(n)
        )
        tail = (1.0 - check_prob(prob)) / 2
        weight = reliability(attempts, self.kappa)
        raw = makes / attempts
        low = high = np.full_like(raw, np.nan)
        if self.overdispersed:
            low = betaincinv(self.a + makes, self.b + attempts - makes, tail)
            high = betaincinv(self.a + makes, self.b + attempts - makes, 1.0 - tail)
        return pd.DataFrame(
            {
                "n": attempts,
                "y": makes,
                "raw": raw,
                "shrunken": self.mean + weight * (raw - self.mean),
                "low": low,
                "high": high,
                "reliability": weight,
            }
        )

    def attempts_to_half(self, prob: float = 0.90) -> Interval:
        """Profile-likelihood interval of a + b, the attempts to reliability 0.5.

        Parameters
        ----------
        prob : float
            Content, by the chi-squared distribution with 1 df.

        Returns
        -------
        Interval
            Upper limit ``inf`` when the records do not rule out that all players are equal; lower
            limit 0 when they do not rule out any spread.
        """
        from scipy.optimize import brentq
        from scipy.stats import chi2

        drop = float(chi2.ppf(check_prob(prob), 1)) / 2
        pairs = distinct(self.y, self.n)
        peak = fit_beta_binomial(self.y, self.n) if self.method == "moments" else self
        top = peak.log_likelihood

        def excess(log_kappa: float) -> float:
            return _profile(log_kappa, *pairs) - (top - drop)

        best = math.log(peak.kappa) if peak.overdispersed else _LOG_KAPPA[1]
        low, high = 0.0, math.inf
        if excess(_LOG_KAPPA[0]) < 0.0:
            low = math.exp(brentq(excess, _LOG_KAPPA[0], best, xtol=1e-6))
        if self.binomial_log_likelihood < top - drop and excess(_LOG_KAPPA[1]) < 0.0:
            high = math.exp(brentq(excess, best, _LOG_KAPPA[1], xtol=1e-6))
        return Interval(low, high, prob, "profile_likelihood", "parameter")

    @property
    def table(self) -> pd.DataFrame:
        """Shrunken rates of the fitted players, see `shrink`; ``prob`` and ``kind`` of limits."""
        return self.shrink(prob=0.90).assign(prob=0.90, kind="eti")

    @property
    def text(self) -> str:
        """What the spread between players is, as a sentence."""
        band = self.attempts_to_half()
        upper = "no upper limit" if math.isinf(band.high) else f"{band.high:.0f}"
        head = f"{self.y.size} players, {self.n.sum():.0f} attempts, mean rate {percent(self.mean)}"
        if not self.overdispersed:
            return (
                f"{head}: the players differ by no more than chance explains, so these counts give "
                f"no spread of true rates and no ranking; half of a player's rate is still chance "
                f"at {band.low:.0f} attempts or more (90% profile-likelihood limit)."
            )
        return (
            f"{head}, true rates spread by {100 * self.spread:.1f} points (standard deviation). "
            f"Half of the variance of a raw rate is chance at {self.kappa:.0f} attempts (90% "
            f"profile-likelihood interval {band.low:.0f} to {upper})."
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for JSON; infinite values become null."""
        return {
            "mean": self.mean,
            "a": plain(self.a),
            "b": plain(self.b),
            "attempts_to_half": plain(self.kappa),
            "attempts_to_half_interval": plain(self.attempts_to_half()),
            "overdispersed": self.overdispersed,
            "spread": self.spread,
            "method": self.method,
            "players": plain(self.table),
            "text": self.text,
        }


def beta_from_moments(mean: float, variance: float) -> tuple[float, float]:
    """Beta parameters with a given mean and variance.

    Raises
    ------
    ArgumentError
        When no beta distribution has them: 0 < variance < mean (1 - mean).
    """
    if not (0.0 < mean < 1.0 and 0.0 < variance < mean * (1.0 - mean)):
        raise ArgumentError(
            f"mean={mean!r}, variance={variance!r} belong to no beta distribution",
            rule="0 < mean < 1 and 0 < variance < mean (1 - mean)",
            next_step="pass moments of rates, not of percentages",
        )
    kappa = mean * (1.0 - mean) / variance - 1.0
    return mean * kappa, (1.0 - mean) * kappa


def check_units(y: npt.ArrayLike, n: npt.ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Check that a spread between players can be estimated from these counts.

    Raises
    ------
    ArgumentError
        For impossible counts.
    IdentificationError
        For fewer than `MIN_UNITS` players, no player with two attempts, only makes or only misses.
    """
    makes, attempts = check_counts(y, n)
    makes, attempts = makes.ravel(), attempts.ravel()
    reason = ""
    if makes.size < MIN_UNITS:
        reason = f"{makes.size} player(s)"
    elif not (attempts > 1).any():
        reason = "no player with more than one attempt"
    elif makes.sum() == 0 or makes.sum() == attempts.sum():
        reason = "only misses" if makes.sum() == 0 else "only makes"
    if reason:
        raise IdentificationError(
            f"the spread between players cannot be estimated from {reason}",
            rule=f"at least {MIN_UNITS} players, some with two attempts, makes and misses",
            next_step="chart more attempts or more players; show raw rates with intervals",
        )
    return makes, attempts


def log_likelihood(
    a: npt.ArrayLike, b: npt.ArrayLike, y: FloatArray, n: FloatArray, times: FloatArray
) -> FloatArray:
    """Beta-binomial log-likelihood without the binomial constants.

    Parameters
    ----------
    a, b : array_like, shape (...,)
        Parameters.
    y, n, times : array, shape (k,)
        Counts and how often each pair occurs.

    Returns
    -------
    array, shape (...,)
    """
    alpha, beta = np.asarray(a, float)[..., None], np.asarray(b, float)[..., None]
    terms = betaln(alpha + y, beta + n - y) - betaln(alpha, beta)
    return terms @ times


def moment_start(y: npt.ArrayLike, n: npt.ArrayLike) -> tuple[float, float]:
    """Mean and a + b by weighted moments (Kleinman 1973, JASA 68:46-54, from memory).

    Returns
    -------
    mean, kappa : float
        ``kappa`` is ``inf`` when the weighted variance is no larger than chance makes it.
    """
    makes, attempts = check_units(y, n)
    total = attempts.sum()
    mean = makes.sum() / total
    deviation = (attempts * (makes / attempts - mean) ** 2).sum() / (mean * (1 - mean))
    share = 1.0 - attempts / total
    correlation = (deviation - (makes.size - 1)) / (share * (attempts - 1.0)).sum()
    if correlation <= 0.0:
        return float(mean), math.inf
    return float(mean), 1.0 / min(float(correlation), 1.0 - 1e-6) - 1.0


def _binomial(y: FloatArray, n: FloatArray) -> float:
    """Log-likelihood of one common rate, without the binomial constants."""
    mean = y.sum() / n.sum()
    return float(xlogy(y.sum(), mean) + xlogy((n - y).sum(), 1.0 - mean))


def _profile(log_kappa: float, y: FloatArray, n: FloatArray, times: FloatArray) -> float:
    """Log-likelihood at a + b, maximised over the mean."""
    from scipy.optimize import minimize_scalar

    kappa = math.exp(log_kappa)
    centre = float(logit((y @ times) / (n @ times)))

    def loss(position: float) -> float:
        mean = float(expit(position))
        return -float(log_likelihood(kappa * mean, kappa * (1 - mean), y, n, times))

    # The weighted mean of rates always lies between the smallest and the largest rate; 4 logits
    # on either side of the pooled one hold it for any record of shooting.
    found = minimize_scalar(
        loss, bounds=(centre - 4.0, centre + 4.0), method="bounded", options={"xatol": 1e-5}
    )
    return -float(found.fun)


def _maximise(y: FloatArray, n: FloatArray, start: tuple[float, float]) -> tuple[float, float]:
    """Mean and log(a + b) of the highest likelihood, inside the search range."""
    from scipy.optimize import minimize

    makes, attempts, times = distinct(y, n)

    def loss(position: FloatArray) -> tuple[float, FloatArray]:
        mean, kappa = float(expit(position[0])), math.exp(position[1])
        a, b = kappa * mean, kappa * (1.0 - mean)
        shared = digamma(kappa) - digamma(kappa + attempts)
        slope_a = (digamma(a + makes) - digamma(a) + shared) @ times
        slope_b = (digamma(b + attempts - makes) - digamma(b) + shared) @ times
        gradient = np.array(
            [kappa * mean * (1 - mean) * (slope_a - slope_b), a * slope_a + b * slope_b]
        )
        return -float(log_likelihood(a, b, makes, attempts, times)), -gradient

    # The likelihood can have a ridge toward infinity beside an inner peak: look everywhere first.
    centre = float(logit(makes @ times / (attempts @ times)))
    first = np.linspace(centre - 3.0, centre + 3.0, 25)
    second = np.linspace(*_LOG_KAPPA, 39)
    if math.isfinite(start[1]):
        first = np.append(first, float(logit(start[0])))
        second = np.sort(np.append(second, np.clip(math.log(start[1]), *_LOG_KAPPA)))
    mean, kappa = expit(first)[:, None], np.exp(second)[None, :]
    height = log_likelihood(mean * kappa, (1.0 - mean) * kappa, makes, attempts, times)
    row, column = np.unravel_index(int(height.argmax()), height.shape)
    found = minimize(
        loss,
        np.array([first[row], second[column]]),
        jac=True,
        method="L-BFGS-B",
        bounds=[(-15.0, 15.0), _LOG_KAPPA],
        options={"ftol": 1e-13, "gtol": 1e-8, "maxiter": 200},
    )
    return float(expit(found.x[0])), float(found.x[1])


def fit_beta_binomial(
    y: npt.ArrayLike, n: npt.ArrayLike, method: Literal["ml", "moments"] = "ml"
) -> BetaBinomialFit:
    """Estimate the distribution of true rates over players.

    Parameters
    ----------
    y, n : array_like, shape (k,)
        Makes and attempts of each player, k >= 3.
    method : {"ml", "moments"}
        Type-II maximum likelihood (started at the moments), or the moments alone.

    Raises
    ------
    ArgumentError
        For impossible counts or an unknown method.
    IdentificationError
        When no spread can be estimated, see `check_units`.
    """
    makes, attempts = check_units(y, n)
    wrong = "does not fit a beta distribution"
    choice("method", method, ("ml", "moments"), wrong, next_step="use method='ml'")
    common = _binomial(makes, attempts)
    pooled = float(makes.sum() / attempts.sum())
    mean, kappa = moment_start(makes, attempts)
    if method == "ml":
        mean, log_kappa = _maximise(makes, attempts, (mean, kappa))
        kappa = math.exp(log_kappa)
    found = common
    if math.isfinite(kappa):
        ones = np.ones_like(makes)
        found = float(log_likelihood(kappa * mean, kappa * (1 - mean), makes, attempts, ones))
    flat = method == "ml" and (found - common < _LEAST_GAIN or kappa > math.exp(12.9))
    if flat or math.isinf(kappa):
        return BetaBinomialFit(
            math.inf, math.inf, pooled, math.inf, False, common, common, method, makes, attempts
        )
    return BetaBinomialFit(
        kappa * mean, kappa * (1 - mean), mean, kappa, True, found, common, method, makes, attempts
    )
