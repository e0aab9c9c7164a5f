"""What a chosen mix may owe to the choosing: a bias of live minus rep, taken into the posterior.

Where the staff chose the mix, game shooting that moves with it may move because live work went to
whoever was getting hot. The gains that the records show are then ``h = g + b (-1/2, 1/2)`` with
``g`` what practice does and ``b`` the bias of live minus rep. No record tells the two apart, so
``b`` keeps its prior, and however many records there are a share of the starting uncertainty is
left. A lot makes ``b`` zero.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from transfer.models.growth_posterior import GrowthPosterior

__all__ = ["CHOSEN_MIX_BIAS", "MixBias", "allow_for_choice"]

#: How the bias enters the gains of rep and live work.
DIRECTION = np.array([-0.5, 0.5])


@dataclass(frozen=True)
class MixBias:
    """Normal prior of the bias of live minus rep, logits per typical week of practice.

    Parameters
    ----------
    mean, sd : float
    """

    mean: float = 0.2
    sd: float = 0.3


#: Own simulation: three teams whose live work follows form (weekly sd .15) gave +.3 to +.5 (100 and
#: 200 seasons). The prior also holds zero, for staffs that do not follow form.
CHOSEN_MIX_BIAS = MixBias()


def allow_for_choice(fit: GrowthPosterior, bias: MixBias = CHOSEN_MIX_BIAS) -> GrowthPosterior:
    """The posterior of the gains when the mix was chosen.

    The draws' mean and covariance less the prior are what the records say about ``h``; ``b`` is
    integrated out of that, the prior is put back, and the draws are moved to the new mean and
    covariance. Exact for a normal posterior, which that of the two gains very nearly is (a mixture
    of six similar normals).

    Parameters
    ----------
    fit : GrowthPosterior
        Fitted without the bias, with a prior on the gains.
    bias : MixBias

    Returns
    -------
    GrowthPosterior
        `fit` itself where the mix was assigned by lot or the gains have no prior.
    """
    priors = fit.settings.priors
    if fit.data.randomised or priors.is_flat:
        return fit
    mean, covariance = fit.gains.mean(axis=0), np.cov(fit.gains.T)
    before = np.eye(2) / priors.gain_sd**2
    centre = np.full(2, priors.gain_mean)
    precision = np.linalg.inv(covariance)
    told = _without_negative(precision - before)
    score = told @ mean + before @ (mean - centre)
    pull = told @ DIRECTION
    share = pull / (bias.sd**-2 + DIRECTION @ pull)
    left = told - np.outer(share, pull)
    after = np.linalg.inv(left + before)
    shifted = score - pull * bias.mean
    centre_after = after @ (shifted - share * (DIRECTION @ shifted) + before @ centre)
    factor = np.linalg.cholesky(after) @ np.linalg.inv(np.linalg.cholesky(covariance))
    return replace(
        fit,
        gains=centre_after + (fit.gains - mean) @ factor.T,
        provenance=replace(
            fit.provenance,
            settings={**fit.provenance.settings, "bias_mean": bias.mean, "bias_sd": bias.sd},
        ),
    )


def _without_negative(matrix: np.ndarray) -> np.ndarray:
    """Information cannot be negative; drawn noise can make it so where the records say nothing."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T)
