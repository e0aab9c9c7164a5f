"""Saved fits that are damaged or old, a fit that is stopped, and equal answers on any core."""

from __future__ import annotations

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


@pytest.mark.fault("corrupted or truncated saved fit")
def test_a_changed_bit_never_changes_an_estimate(fitted, tmp_path, record_property):
    record_property("tries", 40)
    whole, truth = (fitted / "fit.nc").read_bytes(), load_fit(fitted / "fit.nc")
    rng = np.random.default_rng(1)
    refused = 0
    for _ in range(40):
        changed = bytearray(whole)
        changed[int(rng.integers(len(changed)))] ^= 1 << int(rng.integers(8))
        path = tmp_path / "bit.nc"
        path.write_bytes(changed)
        try:
            found = load_fit(path)
        except StorageError:
            refused += 1
            continue
        for one, other in zip(
            (found.theta, found.population.mu, found.population.omega, found.prior.omega),
            (truth.theta, truth.population.mu, truth.population.omega, truth.prior.omega),
            strict=True,
        ):
            np.testing.assert_array_equal(one, other)
    assert refused > 20


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

    with xr.open_dataset(fitted / "fit.nc", engine="h5netcdf") as opened:
        data = opened.load()
    data.attrs["model_version"] = 0
    old = tmp_path / "old.nc"
    data.to_netcdf(old, engine="h5netcdf")
    with pytest.raises(StorageError, match="model version 0") as caught:
        load_fit(old)
    assert "again" in caught.value.next_step


@pytest.mark.fault("interrupted fit (Ctrl-C)")
def test_ctrl_c_while_fitting_leaves_nothing(season, run, monkeypatch):
    from transfer.cli import inputs

    def stopped(cells, request):
        raise KeyboardInterrupt

    monkeypatch.setattr(inputs, "fit_cells", stopped)
    before = sorted(season.rglob("*"))
    code, _, err = run("fit")
    assert code == 130
    assert "nothing half-made" in err
    assert sorted(season.rglob("*")) == before


@pytest.mark.fit
@pytest.mark.fault("interrupted fit (Ctrl-C)")
def test_ctrl_c_in_a_running_fit(season):
    before = sorted(season.rglob("*"))
    words = [sys.executable, "-c", STARTED, "fit", "--seed", "3"]
    worker = subprocess.Popen(words, cwd=season, stderr=subprocess.PIPE, text=True)
    time.sleep(4)
    worker.send_signal(signal.SIGINT)
    _, err = worker.communicate(timeout=120)
    left = [p for p in sorted(season.rglob("*")) if p not in before]
    if worker.returncode == 0:  # the fit was quicker
        assert any(p.name == "fit.nc" for p in left)
        return
    assert worker.returncode == 130, err
    assert "nothing half-made" in err
    assert left == []


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
        assert done.returncode in (0, 3), done.stderr
        told.append(json.loads(done.stdout))
    assert told[0] == told[1] == told[2]
