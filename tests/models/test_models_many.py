"""Many independent fits: by processes, and on a real cluster of two workers, one of them killed."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from dask_processes import dask_of_two, wait_for

from transfer.errors import ArgumentError, DiagnosticsError, StorageError, TransferError
from transfer.models.fit import fit_transfer
from transfer.models.jobs import available_cores, one_core, run_many, stream_many
from transfer.models.many import cells_of_program, fit_many, leave_programs_out
from transfer.models.sampling import SamplerSettings
from transfer.simulation.schedules import Crossover
from transfer.simulation.seasons import operating_truth, simulate_cells
from transfer.trial.assurance import assurance
from transfer.trial.design import Scenario

JOBS = 12
QUICK = SamplerSettings(draws=500, tune=300, chains=4, target_accept=0.85)


def seasons_of(job: tuple[int, str]) -> tuple[int, np.ndarray]:
    """Fit two invented seasons of seed `job[0]`, leaving a mark of the process while it runs."""
    seed, folder = job
    if folder:
        (Path(folder) / f"{os.getpid()}-{seed}").touch()
        time.sleep(0.4)
    found = assurance(Crossover(6, 0.8), Scenario(teams=1), seasons=2, seed=seed)
    return os.getpid(), np.stack([found.estimate, found.sd])


def threads_of(job: int) -> tuple[int, int, int]:
    """Threads that numba and the linear algebra may use inside a job, and chains at a time."""
    import numba
    import threadpoolctl

    pools = [p["num_threads"] for p in threadpoolctl.threadpool_info()]
    return numba.get_num_threads(), max(pools, default=1), available_cores()


def dies_once(job: tuple[int, str]) -> int:
    """End the own process the first time that job 3 is run, as a machine without memory does."""
    number, folder = job
    mark = Path(folder) / "died"
    if number == 3 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return number * number


def dies_always(job: int) -> int:
    """End the own process."""
    os.kill(os.getpid(), signal.SIGKILL)
    return job


def first_waits(job: tuple[int, str]) -> int:
    """The first job ends only when the third has begun, so after the second has ended."""
    number, folder = job
    (Path(folder) / str(number)).touch()
    if number == 0:
        wait_for((Path(folder) / "2").exists)
    return number


@pytest.fixture
def cluster(tmp_path):
    """Address of a scheduler, and the handles of its two workers."""
    with dask_of_two(tmp_path) as found:
        yield found


@pytest.mark.filterwarnings("ignore")
def test_a_killed_worker_costs_time_and_no_numbers(cluster, tmp_path):
    address, workers = cluster
    marks = tmp_path / "marks"
    marks.mkdir()
    killed: list[subprocess.Popen[bytes]] = []

    def kill_while_it_works() -> None:
        # Its second job has begun, so that one result of it is known and one job is lost with it.
        def busy() -> list[subprocess.Popen[bytes]]:
            return [w for w in workers if len(list(marks.glob(f"{w.pid}-*"))) >= 2]

        wait_for(lambda: bool(busy()))
        killed.extend(busy()[:1])
        killed[0].send_signal(signal.SIGKILL)

    killer = threading.Thread(target=kill_while_it_works, daemon=True)
    killer.start()
    there = run_many(seasons_of, [(s, str(marks)) for s in range(JOBS)], cluster=address)
    killer.join(5.0)
    assert killed[0].wait(5.0) == -signal.SIGKILL
    here = [seasons_of((s, ""))[1] for s in range(JOBS)]
    assert len(there) == JOBS
    for (_, got), wanted in zip(there, here, strict=True):
        np.testing.assert_array_equal(got, wanted)
    begun = [int(path.name.split("-")[1]) for path in marks.iterdir()]
    assert len(begun) > JOBS  # at least one job was begun twice, by different workers
    assert sorted(set(begun)) == list(range(JOBS))
    assert {w.pid for w in workers} - {killed[0].pid} <= {pid for pid, _ in there}


@pytest.mark.filterwarnings("ignore")
def test_a_job_that_the_cluster_gives_up_is_said_and_not_waited_for(tmp_path):
    with (
        dask_of_two(tmp_path, allowed_failures=0) as (address, _),
        pytest.raises(TransferError, match="the cluster gave up a job"),
    ):
        run_many(dies_always, [1], cluster=address)


def test_no_scheduler_is_said():
    pytest.importorskip("distributed")
    with pytest.raises(StorageError, match="no scheduler answers"):
        run_many(abs, [1], cluster="nowhere://x")


@pytest.mark.parametrize("workers", [1, 2])
def test_every_job_has_one_thread_and_one_chain_at_a_time(workers):
    assert set(run_many(threads_of, range(3), workers=workers)) == {(1, 1, 1)}


@pytest.mark.filterwarnings("ignore:A worker stopped")
def test_jobs_of_a_process_that_died_are_run_again(tmp_path):
    found = list(stream_many(dies_once, [(i, str(tmp_path)) for i in range(9)], workers=2))
    assert (tmp_path / "died").exists()
    assert found == [i * i for i in range(9)]


@pytest.mark.filterwarnings("ignore:A worker stopped")
def test_jobs_that_always_kill_their_process_end_in_a_readable_error(monkeypatch):
    monkeypatch.setattr("transfer.models.jobs._LOST_IN_A_ROW", 2)
    with pytest.raises(TransferError, match="2 times in a row a process died"):
        run_many(dies_always, range(3), workers=2)


@pytest.mark.parametrize("ordered", [True, False])
def test_results_come_in_the_order_of_the_jobs_or_as_they_end(tmp_path, ordered):
    jobs = [(i, str(tmp_path)) for i in range(4)]
    found = list(stream_many(first_waits, jobs, workers=2, ordered=ordered))
    assert sorted(found) == [0, 1, 2, 3]
    assert (found.index(0) < found.index(1)) is ordered


def test_jobs_are_taken_only_when_a_worker_will_be_free():
    taken = []

    def jobs():
        for number in range(100):
            taken.append(number)
            yield number

    results = stream_many(abs, jobs(), workers=1)
    assert [next(results), next(results)] == [0, 1]
    assert taken == [0, 1]


@pytest.mark.parametrize("options", [{"workers": 0}, {"workers": 2, "cluster": "tcp://x:1"}])
def test_contradicting_places_are_refused(options):
    with pytest.raises(ArgumentError, match="workers="):
        run_many(abs, [1], **options)


def three_programs():
    truth = replace(operating_truth(0.3), program_sd=0.15)
    return simulate_cells(truth, 36, 5, programs=3)[0]


def test_cells_of_a_program_and_of_the_others_are_all_cells():
    cells = three_programs()
    name = cells.table["program"].iloc[0]
    own, others = cells_of_program(cells, name), cells_of_program(cells, name, without=True)
    assert set(own.table["program"]) == {name}
    assert name not in set(others.table["program"])
    assert own.table["n"].sum() + others.table["n"].sum() == cells.table["n"].sum()
    assert {*own.units, *others.units} == set(cells.units)
    with pytest.raises(ArgumentError, match="leaves no cells"):
        cells_of_program(cells, "nobody")


@pytest.mark.fit
def test_programs_left_out_by_two_processes_as_by_one():
    cells = three_programs()
    whole = fit_transfer(cells, seed=1, sampler=QUICK)
    with one_core():
        again = fit_transfer(cells, seed=1, sampler=QUICK)
    np.testing.assert_array_equal(again.theta, whole.theta)  # chains side by side or one by one
    names = sorted(cells.table["program"].unique())[:1]
    parts = {p: cells_of_program(cells, p, without=True) for p in names}
    by_two = fit_many(parts, seed=3, sampler=QUICK, workers=2)
    found = leave_programs_out(cells, whole, programs=names, seed=3, sampler=QUICK, workers=1)
    for name, fit in by_two.items():
        assert not isinstance(fit, DiagnosticsError)
        rows = found.table[found.table["program"] == name].set_index("quantity")
        assert rows.loc["mu_game", "mean"] == float(fit.population.mu[:, -1].mean())
    gap = found.table["mean"] - found.table["whole"]
    assert np.sign(found.table["shift"]).tolist() == np.sign(gap).tolist()
    # Two of three programs are left: no answer may move by many posterior sds (own simulation).
    assert found.table["shift"].abs().max() < 3.0
    assert "Leaving out one program" in found.text
