"""Rates must stay light: no sampler, not even through another module."""

from __future__ import annotations

import subprocess
import sys

CODE = """
import importlib, pkgutil, sys
import transfer.rates
names = [m.name for m in pkgutil.walk_packages(transfer.rates.__path__, 'transfer.rates.')]
for name in names:
    importlib.import_module(name)
heavy = {'pymc', 'pytensor', 'nutpie', 'arviz', 'numba', 'matplotlib', 'statsmodels'}
print(len(names), sorted(heavy & set(sys.modules)))
"""


def test_importing_rates_loads_no_sampler():
    done = subprocess.run([sys.executable, "-c", CODE], capture_output=True, text=True, check=True)
    count, loaded = done.stdout.split(maxsplit=1)
    assert int(count) >= 11
    assert loaded.strip() == "[]"
