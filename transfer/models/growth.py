"""The game-only growth model in PyMC: the headline analysis of a trial.

::

    y ~ Binomial(n, logit^-1(eta))
    eta = a + c[team] + u[player] + w[team, week]
          + sum_k g_k (f_k - fbar_k) + sum_k gB_k (fbar_k - mean fbar_k)

``f`` is the response to carried exposure, ``fbar`` its attempts-weighted player mean; splitting the
dose keeps differences between players (who gets which practice) out of the gains ``g`` (Mundlak
1978, from memory). Team-weeks are free, so the season's own trend is not credited to practice. The
numpy twin is `transfer.models.growth_laplace`.

One compiled model serves every data set of the same size and priors: arrays are swapped.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from typing import Any

import numpy as np

from transfer.arguments import kinds_checked
from transfer.models.growth_data import GrowthData, check_identified, dose_of
from transfer.models.growth_posterior import GrowthPosterior, growth_provenance
from transfer.models.growth_settings import GrowthPriors, GrowthSettings

__all__ = ["compile_growth", "fit_growth", "growth_arrays", "growth_model"]

#: What the gate looks at.
REPORTED = ("g", "sd_u")
#: Lower than the sampler's default: no divergence was ever seen in this model, and it halves the
#: time (own simulation).
TARGET_ACCEPT = 0.8
#: Arrays that change between data sets of one size.
SWAPPED = ("n", "y", "team", "within", "between")
_KEPT_COMPILED = 8
_compiled: OrderedDict[tuple[Any, ...], Any] = OrderedDict()


def growth_model(arrays: dict[str, np.ndarray], priors: GrowthPriors, pooled: bool = False) -> Any:
    """Build the PyMC model.

    Parameters
    ----------
    arrays : dict
        See `growth_arrays`.
    priors : GrowthPriors
    pooled : bool
        One slope within and between players (randomised parallel groups).

    Returns
    -------
    pymc.Model
        With variables ``g`` (rep, live), ``sd_u`` and nuisance terms; every array is `pm.Data`.
    """
    import pymc as pm
    import pytensor.tensor as pt

    players, weeks = arrays["n"].shape
    teams = int(arrays["teams"])
    with pm.Model() as model:
        n, y = pm.Data("n", arrays["n"]), pm.Data("y", arrays["y"])
        team = pm.Data("team", arrays["team"])
        within, between = pm.Data("within", arrays["within"]), pm.Data("between", arrays["between"])
        a = pm.Normal("a", 0.0, priors.intercept_sd)
        c = pm.Normal("c", 0.0, priors.team_sd, shape=teams)
        sd_u = pm.HalfNormal("sd_u", priors.player_sd)
        z = pm.Normal("z", 0.0, 1.0, shape=players)
        w = pm.ZeroSumNormal("w", sigma=priors.week_sd, shape=(teams, weeks), n_zerosum_axes=1)
        if priors.is_flat:
            g = pm.Flat("g", shape=2)
        else:
            g = pm.Normal("g", priors.gain_mean, priors.gain_sd, shape=2)
        eta = (a + c[team] + sd_u * z)[:, None] + w[team]
        eta = eta + g[0] * within[0] + g[1] * within[1]
        if pooled:
            eta = eta + (g[0] * between[0] + g[1] * between[1])[:, None]
        else:
            gb = pm.Normal("gb", priors.between_mean, priors.between_sd, shape=2)
            eta = eta + (gb[0] * between[0] + gb[1] * between[1])[:, None]
        # the binomial without its constant, which would be worked out anew at every step: the
        # fit takes well under half the time
        pm.Potential("makes", pt.sum(y * eta - n * pt.softplus(eta)))
    return model


def growth_arrays(data: GrowthData, settings: GrowthSettings) -> dict[str, np.ndarray]:
    """Arrays of the model: ``n``, ``y``, ``team``, ``within``, ``between`` and ``teams``."""
    dose = dose_of(data, settings.half_life, settings.shape, settings.typical)
    return {
        "n": data.n.astype(np.float64),
        "y": data.y.astype(np.float64),
        "team": data.team.astype(np.int64),
        "within": np.ascontiguousarray(dose.within),
        "between": np.ascontiguousarray(dose.between),
        "teams": np.asarray(data.team_count),
    }


def compile_growth(
    data: GrowthData, settings: GrowthSettings, progress: Callable[[str], None] | None = None
) -> Any:
    """Compile the model once for a size and its priors; then only swap the arrays.

    Parameters
    ----------
    data : GrowthData
    settings : GrowthSettings
    progress : callable, optional
        Told when compiling starts, which can take half a minute.

    Returns
    -------
    object
        Compiled model of `transfer.models.sampling` that holds the arrays of `data`.
    """
    from transfer.models.sampling import compile_model

    arrays = growth_arrays(data, settings)
    pooled = settings.pooled(data.parallel)
    key = (data.players, data.weeks, data.team_count, settings.priors, pooled)
    if key not in _compiled:
        if progress is not None:
            progress("compiling the growth model (first fit of this size; up to half a minute)")
        _compiled[key] = compile_model(growth_model(arrays, settings.priors, pooled))
        while len(_compiled) > _KEPT_COMPILED:
            _compiled.popitem(last=False)
    _compiled.move_to_end(key)
    return _compiled[key].with_data(**{name: arrays[name] for name in SWAPPED})


@kinds_checked
def fit_growth(
    data: GrowthData,
    settings: GrowthSettings | None = None,
    *,
    seed: int = 1,
    draws: int = 1000,
    tune: int = 500,
    chains: int = 4,
    cores: int | None = None,
    progress: Callable[[str], None] | None = None,
) -> GrowthPosterior:
    """Fit the game-only growth model by sampling.

    Parameters
    ----------
    data : GrowthData
    settings : GrowthSettings, optional
    seed : int
    draws, tune, chains : int
        Sampler settings, per chain.
    cores : int, optional
        Chains at a time.
    progress : callable, optional
        Told when compiling starts.

    Raises
    ------
    IdentificationError
        See `transfer.models.growth_data.check_identified`.
    DiagnosticsError
        The sampler failed its gate twice.
    """
    from transfer.models.sampling import sample

    chosen = settings or GrowthSettings()
    checked = check_identified(data, chosen.half_life)
    compiled = compile_growth(checked, chosen, progress)
    options = {"draws": draws, "tune": tune, "chains": chains}
    drawn, diagnostics = sample(
        compiled,
        seed=seed,
        reported=REPORTED,
        cores=cores,
        draws=draws,
        tune=tune,
        chains=chains,
        target_accept=TARGET_ACCEPT,
    )
    gains = np.asarray(drawn["g"]).reshape(-1, 2)
    count = min(len(gains), 8000)
    return GrowthPosterior(
        gains=gains,
        prior_gains=None if chosen.priors.is_flat else chosen.priors.draw_gains(count, seed + 1),
        data=checked,
        settings=chosen,
        method="nuts",
        provenance=growth_provenance(checked, chosen, seed, {"method": "nuts", **options}),
        diagnostics=diagnostics,
    )
