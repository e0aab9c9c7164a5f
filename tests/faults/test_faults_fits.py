"""Saved fits that are damaged or old, a fit that is stopped, and equal answers on any core."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import subprocess
import sys
import time

import numpy as np
import pytest

from transfer.errors import StorageError
from transfer.models.storage import load_fit

STARTED = "from transfer.cli import main; import sys; main(sys.argv[1:])"


@pytest.mark.fault("corrupted or truncated saved fit")
@pytest.mark.parametrize("share", [0.0, 0.001, 0.1, 0.5, 0.9, 0.999])
def test_a_truncated_fit_is_refused(fitted, tmp_path, share):
    whole = (fitted / "fit.nc").read_bytes()
    cut = tmp_path / "cut.nc"
    cut.write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(StorageError, match="damaged") as caught:
        load_fit(cut)
    assert "fit the records again" in caught.value.next_step


def stored(path):
    """Places and lengths of the numbers of every array in the file."""
    import h5py

    found = []
    with h5py.File(path) as held:

        def note(name, item):
            if not isinstance(item, h5py.Dataset) or item.dtype.kind != "f" or not item.size:
                return
            if item.chunks is None:
                found.append((item.id.get_offset(), item.id.get_storage_size()))
            for number in range(item.id.get_num_chunks() if item.chunks else 0):
                chunk = item.id.get_chunk_info(number)
                found.append((chunk.byte_offset, chunk.size))

        held.visititems(note)
    return [(at, size) for at, size in found if at is not None]


@pytest.mark.fault("corrupted or truncated saved fit")
def test_a_changed_bit_of_a_number_is_refused(fitted, tmp_path, record_property):
    places = stored(fitted / "fit.nc")
    assert len(places) > 5
    whole, rng = (fitted / "fit.nc").read_bytes(), np.random.default_rng(1)
    record_property("tries", 2 * len(places))
    path = tmp_path / "bit.nc"
    for at, size in places * 2:
        changed = bytearray(whole)
        changed[at + int(rng.integers(size))] ^= 1 << int(rng.integers(8))
        path.write_bytes(changed)
        with pytest.raises(StorageError, match="damaged"):
            load_fit(path)


@pytest.mark.fault("corrupted or truncated saved fit")
def test_no_changed_bit_anywhere_changes_an_estimate(fitted, tmp_path, record_property):
    """Bits outside the numbers may be padding; whatever is read then is what was saved."""
    record_property("tries", 40)
    whole, truth = (fitted / "fit.nc").read_bytes(), load_fit(fitted / "fit.nc")
    rng = np.random.default_rng(1)
    read = []
    for _ in range(40):
        changed = bytearray(whole)
        changed[int(rng.integers(len(changed)))] ^= 1 << int(rng.integers(8))
        path = tmp_path / "bit.nc"
        path.write_bytes(changed)
        with contextlib.suppress(StorageError):
            read.append(load_fit(path))
    for found in read:
        for one, other in zip(
            (found.theta, found.population.mu, found.population.omega, found.prior.omega),
            (truth.theta, truth.population.mu, truth.population.omega, truth.prior.omega),
            strict=True,
        ):
            np.testing.assert_array_equal(one, other)
    assert 0 < len(read) < 20, "the seed gives both kinds, so that each is looked at"


@pytest.mark.fault("corrupted or truncated saved fit")
def test_a_command_that_meets_a_damaged_fit_says_so(fitted, run):
    (fitted / "fit.nc").write_bytes(b"\x89HDF\r\n\x1a\n" + b"\0" * 500)
    code, _, err = run("compare")
    assert code == 4
    assert "damaged" in err
    assert "Next:" in err


@pytest.mark.fault("fit saved by another version")
def test_an_older_fit_is_refused_by_its_version(fitted, tmp_path):
    import xarray as xr

    with xr.open_datatree(fitted / "fit.nc", engine="h5netcdf") as opened:
        tree = opened.load()
    tree.attrs["model_version"] = 0
    old = tmp_path / "old.nc"
    tree.to_netcdf(old, engine="h5netcdf")
    with pytest.raises(StorageError, match="model version 0") as caught:
        load_fit(old)
    assert "again" in caught.value.next_step


@pytest.mark.fault("interrupted fit (Ctrl-C)")
def test_ctrl_c_while_fitting_leaves_nothing(season, run, monkeypatch):
    from transfer.terminal import inputs

    def stopped(cells, request, purpose="forecast"):
        raise KeyboardInterrupt

    monkeypatch.setattr(inputs, "fit_cells", stopped)
    before = sorted(season.rglob("*"))
    code, _, err = run("fit")
    assert code == 130
    assert "nothing half-made" in err
    assert sorted(season.rglob("*")) == before


#: The command with so many draws that no machine is through with them when Ctrl-C comes.
ENDLESS = (
    "import signal, sys, nutpie, transfer.models.fit as fit\n"
    # Jobs that a shell starts in the background are born deaf to Ctrl-C.
    "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
    "from transfer.models.sampling import SamplerSettings\n"
    "fit.sampler_for = lambda *_, **__: SamplerSettings(draws=1_000_000, tune=500)\n"
    "sample = nutpie.sample\n"
    "def told(*words, **more):\n"
    "    print('sampling', file=sys.stderr, flush=True)\n"
    "    return sample(*words, **more)\n"
    "nutpie.sample = told\n"
    "from transfer.cli import main; main(sys.argv[1:])"
)


@pytest.mark.fit
@pytest.mark.fault("interrupted fit (Ctrl-C)")
def test_ctrl_c_in_a_running_fit(season):
    before = sorted(season.rglob("*"))
    words = [sys.executable, "-c", ENDLESS, "fit", "--seed", "3"]
    worker = subprocess.Popen(words, cwd=season, stderr=subprocess.PIPE, text=True)
    try:
        lines = iter(worker.stderr.readline, "")
        assert "sampling\n" in lines  # reads up to this line
        time.sleep(1)
        assert worker.poll() is None, "the fit is still at work"
        worker.send_signal(signal.SIGINT)
        _, err = worker.communicate(timeout=60)
    finally:
        worker.kill()
        worker.wait()
        worker.stderr.close()
    assert worker.returncode == 130, err
    assert "nothing half-made" in err
    assert sorted(season.rglob("*")) == before


@pytest.mark.fit
@pytest.mark.fault("same inputs and seed on 1 and 2 cores")
@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="cores are chosen on Linux only")
def test_the_same_answer_on_one_core_and_on_all(season, tmp_path, run):
    told, every = [], os.sched_getaffinity(0)
    try:
        for number, cores in enumerate(({min(every)}, every)):
            os.sched_setaffinity(0, cores)
            words = ("compare", "--json", "--settings", "mode", "--out", tmp_path / str(number))
            code, out, err = run(*words)
            assert code == 0, err
            told.append(out)
    finally:
        os.sched_setaffinity(0, every)
    assert told[0] == told[1]
    assert json.loads(told[0])["players"] == 6
    fits = [load_fit(tmp_path / str(number) / "fit.nc") for number in (0, 1)]
    np.testing.assert_array_equal(fits[0].theta, fits[1].theta)


@pytest.mark.slow
@pytest.mark.fit
@pytest.mark.fault("same inputs and seed on 1 and 2 cores")
def test_the_same_answer_again_and_on_other_numbers_of_cores(season, tmp_path):
    told = []
    for number, cores in enumerate(("1", "1", "2")):
        threads = dict.fromkeys(
            ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "NUMBA_NUM_THREADS"), cores
        )
        words = ["compare", "--json", "--settings", "mode", "--out", str(tmp_path / str(number))]
        available = sorted(os.sched_getaffinity(0))[: int(cores)]
        done = subprocess.run(
            [sys.executable, "-c", f"import os; os.sched_setaffinity(0, {available}); {STARTED}",
             *words],
            cwd=season, env={**os.environ, **threads}, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        told.append(json.loads(done.stdout))
    assert told[0] == told[1] == told[2]
