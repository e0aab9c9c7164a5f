"""Independent jobs: on this machine by processes, on a cluster by Dask, same numbers.

Every job carries its own seed, runs on one thread, and gives the same answer wherever and however
often it is run. So a worker that dies costs time, not numbers: its jobs are run again by another
one, on a cluster by the scheduler and on this machine by `stream_many`. Nothing here knows what a
job is, and no sampler is imported.
"""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable, Iterable, Iterator, Sized
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

from transfer.errors import ArgumentError, MissingPackageError, StorageError, TransferError

__all__ = ["available_cores", "one_core", "run_many", "stream_many"]

#: Seconds to wait for a cluster to answer (judgement, no source).
_CLUSTER_WAIT = 20
#: Processes lost in a row, no job finished in between, before the jobs are given up (judgement).
_LOST_IN_A_ROW = 3
#: Whether chains run one after another here, because other fits run beside this one.
_alone: ContextVar[bool] = ContextVar("one_core", default=False)


@contextmanager
def one_core() -> Iterator[None]:
    """Sample one chain after another while the block runs; the draws are the same."""
    before = _alone.set(True)
    try:
        yield
    finally:
        _alone.reset(before)


def available_cores() -> int:
    """Return the number of cores that this process may use; one inside `one_core`."""
    if _alone.get():
        return 1
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _one_thread[T, R](task: Callable[[T], R], job: T) -> R:
    """Run one job with every numerical library, and the sampler, held to one thread."""
    # By the libraries' own calls: variables of the environment would outlive the job and clash
    # with threads that numba has started already.
    import numba
    import threadpoolctl

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
