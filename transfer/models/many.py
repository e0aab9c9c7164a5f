"""Many independent fits: on this machine by processes, on a cluster by Dask, same numbers.

Every job gets its own seed from its position, runs on one thread, and gives the same answer
wherever and however often it is run. So a worker that dies costs time, not numbers: its jobs are
run again by another one, on a cluster by the scheduler and on this machine by `stream_many`.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Iterator, Sequence, Sized
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from transfer.errors import (
    ArgumentError,
    DiagnosticsError,
    MissingPackageError,
    StorageError,
    TransferError,
)
from transfer.models.posterior import TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.models.sampling import SamplerSettings
from transfer.provenance import Provenance, hash_frames
from transfer.records.cells import GAME, Cells
from transfer.results import plain

__all__ = [
    "LeftOutPrograms",
    "cells_of_program",
    "fit_many",
    "leave_programs_out",
    "run_many",
    "stream_many",
]

#: Seconds to wait for a cluster to answer (judgement, no source).
_CLUSTER_WAIT = 20
#: Processes lost in a row, no job finished in between, before the jobs are given up (judgement).
_LOST_IN_A_ROW = 3


def _one_thread[T, R](task: Callable[[T], R], job: T) -> R:
    """Run one job with every numerical library, and the sampler, held to one thread."""
    # By the libraries' own calls: variables of the environment would outlive the job and clash
    # with threads that numba has started already.
    import numba
    import threadpoolctl

    from transfer.models.sampling import one_core

    before = numba.get_num_threads()
    numba.set_num_threads(1)
    try:
        with threadpoolctl.threadpool_limits(1), one_core():
            return task(job)
    finally:
        numba.set_num_threads(before)


def _numbered[T, R](task: Callable[[T], R], number: int, job: T) -> tuple[int, R]:
    return number, _one_thread(task, job)


@contextmanager
def _client_of(address: str) -> Iterator[Any]:
    """Client of the Dask scheduler at `address`, closed afterwards."""
    try:
        from distributed import Client
    except ImportError as error:
        raise MissingPackageError(
            "the package distributed is not installed",
            rule="--cluster sends the fits to a Dask cluster",
            next_step="install the extra: pip install 'practice-transfer[cluster]'",
        ) from error
    try:
        client = Client(address, timeout=_CLUSTER_WAIT, set_as_default=False)
    except (OSError, ValueError) as error:
        raise StorageError(
            f"no scheduler answers at {address!r}: {error}",
            rule="--cluster names a running Dask scheduler, as tcp://HOST:PORT",
            next_step="start one with `dask scheduler`, and workers with `dask worker`",
        ) from error
    try:
        yield client
    finally:
        client.close()


def _dask_backend(client: Any) -> Any:
    """Dask's own joblib backend, told of jobs that the scheduler gives up."""
    from joblib._dask import DaskDistributedBackend

    class Backend(DaskDistributedBackend):
        def submit(self, func: Any, callback: Any = None) -> Any:
            # joblib 1.6 hears of what a job raised, not of a job whose workers died too often,
            # and would wait for that one for ever.
            future = super().submit(func, callback)
            future.add_done_callback(lambda done: done.exception() and callback(done.exception()))
            return future

    return Backend(client=client)


def _on_cluster[T, R](
    task: Callable[[T], R], jobs: Iterable[T], address: str, ordered: bool
) -> Iterator[R]:
    """Results from the workers of a Dask cluster."""
    with _client_of(address) as client:
        from distributed.client import FutureCancelledError
        from distributed.scheduler import KilledWorker

        try:
            results = _parallel(task, enumerate(jobs), -1, ordered, _dask_backend(client))
            for _, result in results:
                yield result
        except FutureCancelledError as error:
            raise StorageError(
                f"the scheduler at {address} went away: {error}",
                rule="the scheduler runs until the last job is done",
                next_step="start it and its workers again, then run the same command again",
            ) from error
        except TimeoutError as error:
            raise StorageError(
                f"the cluster at {address} has no worker",
                rule="a scheduler hands the fits to workers",
                next_step=f"start some: dask worker {address} --nthreads 1",
            ) from error
        except KilledWorker as error:
            raise TransferError(
                f"the cluster gave up a job: {error}",
                rule="a job fits into the memory of a worker",
                next_step="start workers with more memory, or fewer on each machine",
            ) from error


def _check_place(workers: int | None, cluster: str | None) -> None:
    if workers is not None and (workers < 1 or cluster is not None):
        raise ArgumentError(
            f"workers={workers!r} with cluster={cluster!r}",
            rule="at least one process, or the address of a cluster, not both",
            next_step="leave out one of the two",
        )


def stream_many[T, R](
    task: Callable[[T], R],
    jobs: Iterable[T],
    *,
    workers: int | None = None,
    cluster: str | None = None,
    ordered: bool = True,
) -> Iterator[R]:
    """Run independent jobs and yield each result when it is there.

    A process of this machine that dies (often: out of memory) is replaced and its jobs are run
    again, as a Dask scheduler does for its workers.

    Parameters
    ----------
    task : callable
        A function of a module. One of ``__main__`` goes to a cluster by its code.
    jobs : iterable
        One argument per job; it carries the job's own seed. It is asked for the next job only
        when a worker is about to be free, so it may stop early.
    workers, cluster
        As in `run_many`.
    ordered : bool
        In the order of the jobs; otherwise in the order in which they end, so that what was
        finished can be kept at once.

    Yields
    ------
    object
        Results.

    Raises
    ------
    ArgumentError, MissingPackageError, StorageError
        As in `run_many`.
    TransferError
        When processes die and none gets a job done any more, or the cluster gives a job up.
    """
    _check_place(workers, cluster)
    return _stream(task, jobs, workers, cluster, ordered)


def _stream[T, R](
    task: Callable[[T], R],
    jobs: Iterable[T],
    workers: int | None,
    cluster: str | None,
    ordered: bool,
) -> Iterator[R]:
    if cluster is not None:
        yield from _on_cluster(task, jobs, cluster, ordered)
        return
    from transfer.models.sampling import available_cores

    count = workers or available_cores()
    if isinstance(jobs, Sized):
        count = max(1, min(count, len(jobs)))
    if count == 1:
        for job in jobs:
            yield _one_thread(task, job)
        return
    yield from _by_processes(task, jobs, count, ordered)


def _parallel[T, R](
    task: Callable[[T], R],
    numbered: Iterable[tuple[int, T]],
    count: int,
    ordered: bool,
    backend: Any,
    **options: Any,
) -> Iterator[tuple[int, R]]:
    """Results with the numbers of their jobs, from one of joblib's backends."""
    import joblib

    how = "generator" if ordered else "generator_unordered"
    # The setting of the backend must not be seen by whoever takes the results.
    with joblib.parallel_config(backend, **options):
        pool = joblib.Parallel(n_jobs=count, batch_size=1, return_as=how)
    return pool(joblib.delayed(_numbered)(task, number, job) for number, job in numbered)


def _by_processes[T, R](
    task: Callable[[T], R], jobs: Iterable[T], count: int, ordered: bool
) -> Iterator[R]:
    """Results from processes of this machine; jobs of a process that died are run again."""
    from joblib.externals.loky.process_executor import BrokenProcessPool

    handed: dict[int, T] = {}
    fresh = enumerate(jobs)

    def taken(source: Iterable[tuple[int, T]]) -> Iterator[tuple[int, T]]:
        for number, job in source:
            handed[number] = job
            yield number, job

    lost = 0
    source: Iterable[tuple[int, T]] = fresh
    while True:
        results = _parallel(task, taken(source), count, ordered, "loky", inner_max_num_threads=1)
        try:
            for number, result in results:
                del handed[number]
                lost = 0
                yield result
            if not handed:
                return
        except BrokenProcessPool as error:
            lost += 1
            if lost >= _LOST_IN_A_ROW:
                raise TransferError(
                    f"{lost} times in a row a process died before any job was done: {error}",
                    rule="a job fits into the memory of this machine beside the others",
                    next_step="run fewer jobs at a time (--jobs 1)",
                ) from error
        source = itertools.chain(sorted(handed.items()), fresh)


def run_many[T, R](
    task: Callable[[T], R],
    jobs: Iterable[T],
    *,
    workers: int | None = None,
    cluster: str | None = None,
) -> list[R]:
    """Run independent jobs and return their results in the order of the jobs.

    Parameters
    ----------
    task : callable
        A function of a module. One of ``__main__`` goes to a cluster by its code.
    jobs : iterable
        One argument per job; it carries the job's own seed.
    workers : int, optional
        Processes on this machine; its cores when omitted. 1 runs them here, one after another.
    cluster : str, optional
        Address of a Dask scheduler, such as ``tcp://HOST:8786``; its workers need this package
        in the same version, and should run one thread each.

    Returns
    -------
    list
        Results, in the order of the jobs whatever order they end in.

    Raises
    ------
    ArgumentError
        ``workers`` below 1, or together with `cluster`.
    MissingPackageError
        A cluster was named and Dask is not installed.
    StorageError
        No scheduler answers.
    TransferError
        Processes died, and none gets a job done any more, or the cluster gives a job up.
    """
    return list(stream_many(task, list(jobs), workers=workers, cluster=cluster))


@dataclass(frozen=True)
class _FitJob:
    """One fit: what goes over the wire to a worker."""

    name: str
    cells: Cells
    priors: TransferPriors | None
    sampler: SamplerSettings | None
    seed: int


def _fit(job: _FitJob) -> TransferPosterior | DiagnosticsError:
    """Fit one set of cells; a refused fit is an answer, not an end of the others."""
    from transfer.models.fit import fit_transfer

    try:
        return fit_transfer(job.cells, job.priors, seed=job.seed, sampler=job.sampler, cores=1)
    except DiagnosticsError as error:
        return error


def fit_many(
    cells: dict[str, Cells],
    priors: TransferPriors | None = None,
    *,
    seed: int = 20261125,
    sampler: SamplerSettings | None = None,
    workers: int | None = None,
    cluster: str | None = None,
) -> dict[str, TransferPosterior | DiagnosticsError]:
    """Fit the transfer model to each of many sets of cells.

    Parameters
    ----------
    cells : dict of str to Cells
        Sets by name, for example one per program.
    priors, sampler
        As in `transfer.models.fit.fit_transfer`.
    seed : int
        Every fit gets its own seed from this one and its place in `cells`.
    workers, cluster
        As in `run_many`.

    Returns
    -------
    dict
        By name: the posterior, or the error of a fit that failed its checks twice.
    """
    seeds = [int(s.generate_state(1)[0]) for s in np.random.SeedSequence(seed).spawn(len(cells))]
    jobs = [
        _FitJob(name, part, priors, sampler, own)
        for (name, part), own in zip(cells.items(), seeds, strict=True)
    ]
    found = run_many(_fit, jobs, workers=workers, cluster=cluster)
    return dict(zip(cells, found, strict=True))


def cells_of_program(cells: Cells, program: str, *, without: bool = False) -> Cells:
    """Return the cells of one program, or of all others.

    Parameters
    ----------
    cells : Cells
    program : str
        Code of the program.
    without : bool
        All programs but this one.

    Raises
    ------
    ArgumentError
        When no cell, or every cell, is the program's.
    """
    own = cells.table["program"] == program
    table = cells.table[~own if without else own].reset_index(drop=True)
    if not own.any() or table.empty:
        known = ", ".join(sorted(cells.table["program"].unique())[:8])
        raise ArgumentError(
            f"program={program!r} leaves no cells",
            rule="the records hold the program, and another one when it is left out",
            next_step=f"the programs are {known}",
        )
    held = set(table["setting"])
    kept = tuple(s for s in cells.settings if s in held)
    units = tuple(sorted(table["unit"].unique()))
    return replace(
        cells, table=table, settings=kept, units=units, data_hash=hash_frames(cells=table)
    )


@dataclass(frozen=True)
class LeftOutPrograms:
    """What the pooled answer owes to each single program.

    Parameters
    ----------
    table : DataFrame
        One row per program left out and quantity (``mu_game``, ``tau_game``, ``rho SETTING``):
        ``mean`` and ``sd`` without the program, ``whole`` with all, ``shift`` (mean without
        minus whole, in posterior sds of the whole).
    refused : tuple of str
        Programs whose fit failed its checks twice; they have no rows.
    provenance : Provenance
    """

    table: pd.DataFrame
    refused: tuple[str, ...]
    provenance: Provenance

    @property
    def text(self) -> str:
        """The sentence a person may quote."""
        if self.table.empty:
            return "No fit without a program passed its checks."
        worst = self.table.iloc[int(np.argmax(np.abs(self.table["shift"].to_numpy())))]
        said = (
            f"Leaving out one program at a time moves no answer by more than "
            f"{abs(worst['shift']):.1f} posterior standard deviations "
            f"({worst['quantity']}, without program {worst['program']})."
        )
        if self.refused:
            said += f" The fits without {', '.join(self.refused)} failed their checks."
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "table": plain(self.table),
            "refused": list(self.refused),
            "text": self.text,
            "provenance": self.provenance.to_dict(),
        }


def _answers(fit: TransferPosterior) -> dict[str, np.ndarray]:
    """Draws of what the pooled reading is about."""
    population = fit.population
    return {
        "mu_game": population.mu[:, -1],
        "tau_game": population.tau[:, -1],
        **{f"rho {s}": population.omega[:, -1, k] for k, s in enumerate(fit.settings)},
    }


def leave_programs_out(
    cells: Cells,
    whole: TransferPosterior | Callable[[], TransferPosterior],
    priors: TransferPriors | None = None,
    *,
    programs: Sequence[str] | None = None,
    seed: int = 20261125,
    sampler: SamplerSettings | None = None,
    workers: int | None = None,
    cluster: str | None = None,
) -> LeftOutPrograms:
    """Refit without each program in turn and say how far the answers move.

    Parameters
    ----------
    cells : Cells
        Of at least two programs with game attempts.
    whole : TransferPosterior, or callable that returns it
        Fit of all cells; a callable is asked after the programs were counted.
    priors, sampler, seed
        As in `fit_many`.
    programs : sequence of str, optional
        Programs to leave out; all when omitted.
    workers, cluster
        As in `run_many`.

    Returns
    -------
    LeftOutPrograms

    Raises
    ------
    ArgumentError
        When there is only one program.
    """
    chosen = list(
        programs or sorted(cells.table.loc[cells.table["setting"] == GAME, "program"].unique())
    )
    if len(set(cells.table["program"])) < 2:
        raise ArgumentError(
            "the records hold one program",
            rule="a program can be left out when another one stays",
            next_step="read the records of several programs together, with the column program",
        )
    parts = {p: cells_of_program(cells, p, without=True) for p in chosen}
    everything = whole() if callable(whole) else whole
    fits = fit_many(parts, priors, seed=seed, sampler=sampler, workers=workers, cluster=cluster)
    base = _answers(everything)
    rows = []
    for program, fit in fits.items():
        if isinstance(fit, DiagnosticsError):
            continue
        for name, draws in _answers(fit).items():
            mean, all_mean = float(draws.mean()), float(base[name].mean())
            rows.append(
                {
                    "program": program,
                    "quantity": name,
                    "mean": mean,
                    "sd": float(draws.std(ddof=1)),
                    "whole": all_mean,
                    "shift": (mean - all_mean) / float(base[name].std(ddof=1)),
                }
            )
    refused = tuple(p for p, fit in fits.items() if isinstance(fit, DiagnosticsError))
    settings = {"left_out": chosen, "whole": everything.provenance.to_dict()}
    return LeftOutPrograms(
        pd.DataFrame(rows), refused, Provenance(seed, cells.data_hash, settings=settings)
    )
