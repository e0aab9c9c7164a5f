"""The loops of the compiled density against numpy, over lengths with and without a rest."""

from __future__ import annotations

import numba
import numpy as np
import pytest
from scipy.special import expit

from transfer.models.engine.kernel import _fingerprint
from transfer.models.engine.loops import dot, exp_minus_abs, log1p_unit, shrink

LENGTHS = [1, 3, 16, 17, 70, 337]


@numba.njit(error_model="numpy")
def series(x, e, y, power):
    """exp(-|x|) and log(1 + exp(-|x|))."""
    exp_minus_abs(e, power, power.view(np.int64), x)
    log1p_unit(y, e)


@numba.njit(error_model="numpy")
def sums(a, b, r, root, spread):
    """Sum of products and shrinkage."""
    shrink(r, root, a, spread)
    return dot(a, b)


@pytest.mark.parametrize("length", LENGTHS)
def test_exp_and_log_agree_with_numpy_to_the_last_places(length):
    x = np.random.default_rng(length).normal(0, 1, length) * np.logspace(-9, 2.5, length)
    e, y, power = np.zeros((3, length))
    series(x, e, y, power)
    np.testing.assert_allclose(e, np.exp(-np.abs(x)), rtol=1e-15, atol=1e-300)
    np.testing.assert_allclose(y, np.log1p(np.exp(-np.abs(x))), rtol=1e-15, atol=1e-300)


@pytest.mark.parametrize("x", [0.0, -0.0, 1e-320, 36.7, -700.0, 1e4, -1e300])
def test_exp_and_log_at_the_edges(x):
    e, y, power = np.zeros((3, 1))
    series(np.array([x]), e, y, power)
    np.testing.assert_allclose(e, np.exp(-abs(x)), rtol=1e-15, atol=1e-300)
    np.testing.assert_allclose(y, np.log1p(np.exp(-abs(x))), rtol=1e-15, atol=1e-300)


@pytest.mark.parametrize("length", LENGTHS)
def test_sums_and_shrinkage_agree_with_numpy(length):
    rng = np.random.default_rng(length)
    a, b = rng.uniform(0, 300, length), rng.normal(size=length)
    r, root = np.zeros((2, length))
    assert sums(a, b, r, root, 0.3) == pytest.approx(a @ b, rel=1e-12, abs=1e-10)
    np.testing.assert_allclose(r, expit(-np.log(a * 0.09)), rtol=1e-12)
    np.testing.assert_allclose(root, np.sqrt(1 / (1 + a * 0.09)), rtol=1e-14)


def test_the_key_of_the_kept_code_follows_every_file_that_it_holds(tmp_path, monkeypatch):
    from transfer.models.engine import layout as native_layout
    from transfer.models.engine import loops as native_loops
    from transfer.models.engine import players as native_units
    from transfer.models.engine import population as native_terms

    before = _fingerprint()
    for module in (native_layout, native_loops, native_terms, native_units):
        changed = tmp_path / "changed.py"
        with open(module.__file__, encoding="utf-8") as file:
            changed.write_text(file.read() + "\n", encoding="utf-8")
        with monkeypatch.context() as patched:
            patched.setattr(module, "__file__", str(changed))
            assert _fingerprint() != before
    assert _fingerprint() == before
