"""Compile once, swap data, sample, and let nothing through that the diagnostics gate refuses.

nutpie compiles a PyMC model to native code. Compiling dominates a first fit, so callers keep the
compiled model and swap its data with ``compiled.with_data``.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

import numpy as np

from transfer.errors import DiagnosticsError
from transfer.models.jobs import available_cores
from transfer.models.posterior import Diagnostics

__all__ = ["SamplerSettings", "available_cores", "compile_model", "gate", "sample"]

#: Conventions of Vehtari, Gelman, Simpson, Carpenter and Buerkner 2021 (from memory).
RHAT_LIMIT = 1.01
ESS_LIMIT = 400.0
_TAIL_QUANTILES = (0.05, 0.95)
#: What the sampler notes of each draw: name in ArviZ -> name in nutpie.
STATISTICS = {
    "lp": "logp",
    "energy": "energy",
    "diverging": "diverging",
    "tree_depth": "depth",
    "n_steps": "n_steps",
    "step_size": "step_size",
    "acceptance_rate": "mean_tree_accept",
}
#: A range of draws below this is rounding, not movement.
_STILL = 1e-12


@dataclass(frozen=True)
class SamplerSettings:
    """What the sampler was told.

    Parameters
    ----------
    draws, tune, chains : int
        Per chain: kept draws and warm-up; number of chains.
    target_accept : float
        Acceptance rate that the step size aims at.
    adaptation : {"diag", "low_rank"}
        Mass matrix. ``low_rank`` also learns the directions in which parameters move together.
    """

    draws: int = 1000
    tune: int = 800
    chains: int = 4
    target_accept: float = 0.9
    adaptation: str = "diag"

    def harder(self) -> SamplerSettings:
        """Return the settings of the automatic second try."""
        return replace(
            self,
            draws=2 * self.draws,
            tune=2 * self.tune,
            target_accept=1 - (1 - self.target_accept) / 5,
        )

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {"sampler": "nutpie", **asdict(self)}


def compile_model(model: Any) -> Any:
    """Compile a PyMC model with nutpie.

    Parameters
    ----------
    model : pymc.Model
        With every array as `pymc.Data`, so that data can be swapped.
    """
    import nutpie

    with warnings.catch_warnings():
        # numba and pytensor announce their own internals while compiling; none concerns the user.
        warnings.simplefilter("ignore")
        return nutpie.compile_pymc_model(model, freeze_model=False)


def _moving(
    drawn: dict[str, np.ndarray], reported: Sequence[str]
) -> tuple[list[np.ndarray], list[str]]:
    """Elements that move in every chain, by name, and a sentence on each name that has others."""
    kept, failures = [], []
    for name in reported:
        values = drawn[name].reshape(*drawn[name].shape[:2], -1)
        if not np.isfinite(values).all():
            failures.append(f"{name} holds draws that are not finite numbers")
            continue
        values = values[:, :, np.ptp(values, axis=(0, 1)) > _STILL]
        still = (np.ptp(values, axis=1) <= _STILL).any(axis=1)
        if still.any():
            failures.append(f"{name} does not move in {int(still.sum())} of {len(still)} chains")
        elif values.shape[-1]:
            kept.append(values)
    if not kept and not failures:
        failures.append("no reported quantity moves in any chain")
    return kept, failures


def gate(drawn: dict[str, np.ndarray], divergences: int, reported: Sequence[str]) -> Diagnostics:
    """Judge draws by finite numbers, movement, R-hat, effective sample size and divergences.

    Parameters
    ----------
    drawn : dict of array, shape (chains, draws, ...)
    divergences : int
        Divergent transitions after warm-up.
    reported : sequence of str
        Names whose every element must pass. Elements with one value in all draws of all chains are
        passed over: a correlation matrix has such a diagonal. Some element must move.
    """
    from arviz_stats.base import array_stats

    axes = {"chain_axis": 0, "draw_axis": 1}
    kept, failures = _moving(drawn, reported)
    # A statistic that cannot be computed is NaN: it is handed on, and no limit holds for it.
    rhat = bulk = tail = np.nan
    if kept:
        values = np.concatenate(kept, axis=2)
        rhat = float(np.max(array_stats.rhat(values, method="rank", **axes)))
        bulk = float(np.min(array_stats.ess(values, method="bulk", **axes)))
        tails = array_stats.ess(values, method="tail", prob=_TAIL_QUANTILES, **axes)
        tail = float(np.min(tails))
        if not rhat < RHAT_LIMIT:
            failures.append(f"R-hat is {rhat:.3f}, the limit is {RHAT_LIMIT}")
        for kind, size in (("bulk", bulk), ("tail", tail)):
            if not size > ESS_LIMIT:
                failures.append(
                    f"{kind} effective sample size is {size:.0f}, "
                    f"the least allowed is {ESS_LIMIT:.0f}"
                )
    if divergences:
        failures.append(f"{divergences} divergent transitions, none is allowed")
    return Diagnostics(rhat, bulk, tail, divergences, not failures, False, tuple(failures))


def _run(
    compiled: Any,
    settings: SamplerSettings,
    seed: int,
    cores: int | None,
    names: Sequence[str],
    statistics: Sequence[str],
) -> tuple[dict[str, np.ndarray], int]:
    """Sample and return numpy draws by name, with the number of divergences."""
    import nutpie

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        sampler = nutpie.sample(
            compiled,
            draws=settings.draws,
            tune=settings.tune,
            chains=settings.chains,
            cores=min(settings.chains, cores or available_cores()),
            seed=seed,
            save_warmup=False,
            progress_bar=False,
            target_accept=settings.target_accept,
            adaptation=settings.adaptation,
            blocking=False,
        )
        # When nutpie waits itself it answers Ctrl-C with the draws so far, which would be taken for
        # a fit, or for a failed first try that is then followed by a longer one.
        try:
            trace = sampler.wait()
        except BaseException:
            sampler.cancel()
            raise
    posterior = trace["posterior"]
    noted = trace["sample_stats"]
    drawn = {name: np.asarray(posterior[name]) for name in names}
    drawn |= {name: np.asarray(noted[STATISTICS[name]]) for name in statistics}
    return drawn, int(np.asarray(noted["diverging"]).sum())


def sample(
    compiled: Any,
    *,
    seed: int,
    reported: Sequence[str],
    also: Sequence[str] = (),
    statistics: Sequence[str] = (),
    draws: int = 1000,
    tune: int = 800,
    chains: int = 4,
    cores: int | None = None,
    target_accept: float = 0.9,
    adaptation: str = "diag",
    on_retry: Callable[[Diagnostics], None] | None = None,
) -> tuple[dict[str, np.ndarray], Diagnostics]:
    """Sample, gate, try once more with harder settings, then refuse.

    Parameters
    ----------
    compiled : nutpie.CompiledPyMCModel
    seed : int
    reported : sequence of str
        Variables that the gate judges.
    also : sequence of str
        Further variables to return, not judged.
    statistics : sequence of str
        What the sampler noted of each draw, to return as well: any of `STATISTICS`.
    draws, tune, chains, target_accept, adaptation
        See `SamplerSettings`.
    cores : int, optional
        Chains at a time; all cores of this process when omitted.
    on_retry : callable, optional
        Told the diagnostics of the first try before the second starts.

    Returns
    -------
    drawn : dict of array, shape (chains, draws, ...)
    diagnostics : Diagnostics

    Raises
    ------
    DiagnosticsError
        When the second try fails the gate as well; the message says what failed.
    """
    settings = SamplerSettings(draws, tune, chains, target_accept, adaptation)
    names = [*reported, *also]
    drawn, divergences = _run(compiled, settings, seed, cores, names, statistics)
    first = gate(drawn, divergences, reported)
    if first.passed:
        return drawn, first
    if on_retry is not None:
        on_retry(first)
    drawn, divergences = _run(compiled, settings.harder(), seed + 1, cores, names, statistics)
    second = replace(gate(drawn, divergences, reported), retried=True)
    if second.passed:
        return drawn, second
    raise DiagnosticsError(
        "the sampler failed its checks twice: " + "; ".join(second.failures),
        rule=f"R-hat < {RHAT_LIMIT}, effective sample sizes > {ESS_LIMIT:.0f}, no divergences",
        next_step="merge settings that hold few attempts (--settings mode), or record more; "
        "no estimate is given from draws that did not settle",
    )
