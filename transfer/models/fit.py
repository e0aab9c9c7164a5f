"""Fit the transfer model to cells: one call, one posterior, with everything needed to redo it."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Literal, get_args

import numpy as np

from transfer.arguments import kinds_checked
from transfer.errors import ArgumentError
from transfer.models.engine.density import native_model
from transfer.models.overdispersion import design_effects
from transfer.models.population_prior import draw_population
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.models.roles import ROLE_TERMS, role_shifts
from transfer.models.sampling import STATISTICS, SamplerSettings, compile_model, sample
from transfer.models.transfer_design import TransferDesign, by_mode, design_from_cells
from transfer.models.transfer_model import (
    MODEL_VERSION,
    build_transfer_model,
    swap_arrays,
    uses_centred,
)
from transfer.provenance import Provenance
from transfer.rates.counts import check_columns
from transfer.records.cells import Cells

__all__ = ["Engine", "Purpose", "fit_design", "fit_transfer", "sampler_for"]

#: ``native`` is the compiled density of this package, ``pymc`` the model that it is tested against.
Engine = Literal["native", "pymc"]

#: What a fit is for. ``verdict`` has one rate a mode and a player, and a prior that favours neither
#: mode however often each is split; ``forecast`` has the settings as the cells have them and a
#: prior that makes better forecasts.
Purpose = Literal["forecast", "verdict"]

_PRIOR_DRAWS = 8000
#: From this number of units on, larger steps do not diverge (own measurement).
_MANY_UNITS = 60
#: From here on they end too soon: trajectories of 15 leapfrogs instead of 31 (own measurement at
#: 84 to 1,960 units).
_VERY_MANY_UNITS = 700
_KEPT_COMPILED = 8
_compiled: OrderedDict[tuple[Any, ...], Any] = OrderedDict()
_TERMS = (
    "beta_distance",
    "beta_contest",
    "defender_effect",
    "defender_sd",
    "program_effect",
    "program_sd",
    "season_effect",
    "season_sd",
    "persistence",
    "beta_covariate",
)


def sampler_for(design: TransferDesign, engine: Engine = "native") -> SamplerSettings:
    """Return the default sampler settings for a design (own measurements at 14 to 4,900 units)."""
    if engine == "native":
        if len(design.units) < _MANY_UNITS:
            # Seasons of the same few players hold the means up.
            draws, tune = (1000, 500) if design.player is None else (1500, 700)
            return SamplerSettings(draws=draws, tune=tune, target_accept=0.9, adaptation="diag")
        accept = 0.7 if len(design.units) < _VERY_MANY_UNITS else 0.8
        return SamplerSettings(draws=800, tune=300, target_accept=accept, adaptation="diag")
    if uses_centred(design):
        return SamplerSettings(draws=1500, tune=800, target_accept=0.9, adaptation="diag")
    return SamplerSettings(draws=1000, tune=600, target_accept=0.9, adaptation="low_rank")


def _shape_key(design: TransferDesign, priors: TransferPriors) -> tuple[Any, ...]:
    return (
        design.dims,
        len(design.n),
        len(design.programs),
        len(design.seasons),
        design.player is not None,
        design.distance is not None,
        design.contests if design.contest is not None else None,
        len(design.defenders) if design.defender is not None else None,
        design.covariate_priors,
        priors,
    )


def _compile(
    design: TransferDesign,
    priors: TransferPriors,
    engine: Engine,
    progress: Callable[[str], None],
) -> Any:
    """Return the compiled model with this design's data; PyMC compiles for each new shape."""
    if engine == "native":
        progress("preparing the model (the first fit on a machine compiles for half a minute)")
        return native_model(design, priors)
    key = _shape_key(design, priors)
    if key not in _compiled:
        progress("compiling the model (first fit of this shape; up to half a minute)")
        _compiled[key] = compile_model(build_transfer_model(design, priors))
        while len(_compiled) > _KEPT_COMPILED:
            _compiled.popitem(last=False)
    _compiled.move_to_end(key)
    return _compiled[key].with_data(**swap_arrays(design))


def _flat(values: np.ndarray) -> np.ndarray:
    """Join chains: (chains, draws, ...) to (chains * draws, ...)."""
    return np.ascontiguousarray(values.reshape(-1, *values.shape[2:]))


def _retry_note(progress: Callable[[str], None]) -> Callable[[Diagnostics], None]:
    def note(first: Diagnostics) -> None:
        progress(f"second try with smaller steps: {'; '.join(first.failures)}")

    return note


@kinds_checked
def fit_transfer(
    cells: Cells,
    priors: TransferPriors | None = None,
    *,
    purpose: Purpose = "forecast",
    seed: int = 1,
    sampler: SamplerSettings | None = None,
    cores: int | None = None,
    engine: Engine = "native",
    progress: Callable[[str], None] | None = None,
) -> TransferPosterior:
    """Fit the transfer model.

    Parameters
    ----------
    cells : Cells
        Attempts and makes by player and setting. Where their sessions vary by more than chance,
        attempts enter as fewer (`transfer.models.overdispersion`).
    priors : TransferPriors, optional
        Those of `transfer.records.season.DEFAULT_LEVEL` when omitted.
    purpose : {"forecast", "verdict"}
        ``forecast``: the settings of the cells, for forecasts, conversions and the table of
        settings. ``verdict``: one practice rate a mode, the other parts of a setting shifting its
        mean, under `TransferPriors.for_verdict`: for live against rep. Its settings are the modes.
    seed : int
        Same seed, data, settings and versions give the same draws.
    sampler : SamplerSettings, optional
        By the number of units when omitted.
    cores : int, optional
        Chains at a time.
    engine : {"native", "pymc"}
        Which implementation of the same posterior to sample. ``pymc`` compiles for up to a minute
        and is there for comparison.
    progress : callable, optional
        Told in words what is going on.

    Raises
    ------
    ArgumentError
        When the cells hold no attempts.
    DiagnosticsError
        When the sampler failed its gate twice.
    """
    chosen = priors or TransferPriors()
    if purpose not in get_args(Purpose):
        raise ArgumentError(
            f"purpose={purpose!r} is not known",
            rule=f"one of {', '.join(get_args(Purpose))}",
            next_step="pass 'verdict' for live against rep, 'forecast' for everything else",
        )
    check_columns(cells.table, ("unit", "player", "program", "setting", "n", "y"), "cells.table")
    counted = by_mode(cells) if purpose == "verdict" else cells
    effects = {} if cells.sessions is None else design_effects(cells.sessions)
    return fit_design(
        design_from_cells(counted, chosen, effects),
        # The hash stays that of the counts as they were given: by it a saved fit is known again.
        replace(counted, data_hash=cells.data_hash, sessions=None),
        chosen.for_verdict() if purpose == "verdict" else chosen,
        purpose=purpose,
        effects=effects,
        seed=seed,
        sampler=sampler,
        cores=cores,
        engine=engine,
        progress=progress,
    )


def fit_design(
    design: TransferDesign,
    cells: Cells,
    priors: TransferPriors | None = None,
    *,
    purpose: Purpose = "forecast",
    effects: Mapping[str, float] | None = None,
    seed: int = 1,
    sampler: SamplerSettings | None = None,
    cores: int | None = None,
    engine: Engine = "native",
    progress: Callable[[str], None] | None = None,
) -> TransferPosterior:
    """Fit the transfer model to prepared arrays, under `priors` as they are; see `fit_transfer`.

    `purpose` and the design `effects` by which counts were divided are only noted here.
    """
    if seed < 0:
        raise ArgumentError(
            f"seed={seed!r} is negative",
            rule="a seed is a whole number >= 0",
            next_step="pass e.g. --seed 1",
        )
    say = progress or (lambda message: None)
    if engine not in get_args(Engine):
        raise ArgumentError(
            f"engine={engine!r} is not known",
            rule=f"one of {', '.join(get_args(Engine))}",
            next_step="leave engine out",
        )
    chosen = priors or TransferPriors()
    settings = sampler or sampler_for(design, engine)
    compiled = _compile(design, chosen, engine, say)
    say(f"sampling {settings.chains} chains for {len(design.units)} player-seasons")
    k = len(design.settings)
    terms = [name for name in _TERMS if name in _present(design)]
    reported = ["mu", "tau", *(["omega"] if k else []), *terms]
    drawn, diagnostics = sample(
        compiled,
        seed=seed,
        reported=reported,
        also=["theta"],
        statistics=list(STATISTICS),
        draws=settings.draws,
        tune=settings.tune,
        chains=settings.chains,
        cores=cores,
        target_accept=settings.target_accept,
        adaptation=settings.adaptation,
        on_retry=_retry_note(say),
    )
    mu = _flat(drawn["mu"])
    omega = _flat(drawn["omega"]) if k else np.ones((len(mu), 1, 1))
    posterior = TransferPosterior(
        settings=design.settings,
        modes=cells.modes,
        units=design.units,
        population=PopulationDraws(mu, _flat(drawn["tau"]), omega),
        prior=draw_population(k, chosen, _PRIOR_DRAWS, seed),
        theta=_flat(drawn["theta"]),
        diagnostics=diagnostics,
        provenance=Provenance(
            seed=seed,
            data_hash=cells.data_hash,
            settings={
                "model": "transfer",
                "model_version": MODEL_VERSION,
                "purpose": purpose,
                "design_effects": dict(effects or {}),
                "sampler": settings.to_dict(),
                "priors": chosen.to_dict(),
                "engine": engine,
                "centred": uses_centred(design) if engine == "pymc" else "by information",
            },
        ),
        cells=cells,
        terms=_terms(design, {name: _flat(drawn[name]) for name in terms}),
        labels={
            "programs": design.programs,
            "seasons": design.seasons,
            "contests": design.contests,
            "defenders": design.defenders,
            **_column_labels(design),
        },
        chains=len(drawn["mu"]),
        sample_stats={name: _flat(drawn[name]) for name in STATISTICS},
    )
    # The density knows a player's rate without his role; the posterior with it.
    return replace(posterior, theta=posterior.theta + role_shifts(posterior))


def _column_labels(design: TransferDesign) -> dict[str, tuple[str, ...]]:
    """Names of the columns of each term that has some."""
    terms = dict.fromkeys(term for term, _ in design.covariate_names)
    labels = {t: tuple(name for term, name in design.covariate_names if term == t) for t in terms}
    for term in set(terms) & set(ROLE_TERMS):
        # A column per setting each: the level stands before the setting.
        levels = [name.rsplit(" in ", 1)[0] for name in labels[term]]
        labels[term] = tuple(dict.fromkeys(levels))
    return labels


def _terms(design: TransferDesign, drawn: dict[str, np.ndarray]) -> dict[str, np.ndarray]:
    """Draws of the optional terms, slopes of columns by the term that these belong to."""
    if not design.covariate_names:
        return drawn
    slopes = drawn.pop("beta_covariate")
    of = np.array([term for term, _ in design.covariate_names])
    found = {term: slopes[:, of == term] for term in _column_labels(design)}
    for term in set(found) & set(ROLE_TERMS):
        found[term] = found[term].reshape(len(slopes), -1, design.dims[1])
    return drawn | found


def _present(design: TransferDesign) -> set[str]:
    """Names of the optional terms that a design brings into the model."""
    names: set[str] = set()
    if len(design.programs) > 1:
        names |= {"program_effect", "program_sd"}
    if design.season is not None:
        names |= {"season_effect", "season_sd"}
    if design.player is not None:
        names |= {"persistence"}
    if design.distance is not None:
        names |= {"beta_distance"}
    if design.contest is not None:
        names |= {"beta_contest"}
    if design.defender is not None:
        names |= {"defender_effect", "defender_sd"}
    if design.covariates is not None:
        names |= {"beta_covariate"}
    return names
