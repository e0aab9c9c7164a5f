"""The undocumented class of nutpie that the native engine fills has the fields that it fills."""

from __future__ import annotations

from dataclasses import MISSING, fields

import nutpie
from nutpie.compile_pymc import CompiledPyMCModel

from transfer.models.engine.nutpie_model import FIELDS, LEFT_OUT


def test_nutpie_asks_for_what_the_native_engine_gives():
    asked = {f.name: f for f in fields(CompiledPyMCModel)}
    gone = sorted(set(FIELDS) - set(asked))
    new = sorted(
        name
        for name, f in asked.items()
        if name not in FIELDS and f.default is MISSING and f.default_factory is MISSING
    )
    said = (
        f"nutpie {nutpie.__version__} changed CompiledPyMCModel: it no longer has {gone} and newly "
        f"needs {new}; adapt transfer/models/engine/nutpie_model.py, or hold nutpie back"
    )
    assert not gone, said
    assert not new, said
    assert set(LEFT_OUT) == set(asked) - set(FIELDS), said
