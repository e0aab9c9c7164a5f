"""Every reader on bytes made to harm: an answer or a refusal that helps, never a traceback."""

from __future__ import annotations

import random

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from readers import mangle, meets, targets

NAMES = (
    "CSV", "Parquet", "xlsx", "plan.json", "saved fit", "transfer.toml", "priors file",
    "roster of a trial", "saved forecast", "run manifest", "key of pseudonyms",
)  # fmt: skip


@pytest.fixture(scope="module")
def readers(tmp_path_factory):
    return targets(tmp_path_factory.mktemp("fuzz"))


def place(tmp_path_factory, name, file):
    return tmp_path_factory.getbasetemp() / name.replace(" ", "_").replace(".", "_") / file


def test_every_reader_is_here(readers):
    assert tuple(readers) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_the_good_file_is_read(readers, tmp_path, name):
    file, good, read = readers[name]
    assert meets(name, good, tmp_path / file, read)


@pytest.mark.parametrize("name", NAMES)
def test_mangled_files(readers, tmp_path, name):
    file, good, read = readers[name]
    rng = random.Random(f"quick {name}")
    tries = 20 if name in ("xlsx", "saved fit", "roster of a trial") else 60
    met = [meets(name, mangle(good, rng), tmp_path / file, read) for _ in range(tries)]
    assert not all(met), "no mangled file was refused"


@pytest.mark.parametrize("name", ["CSV", "plan.json", "transfer.toml", "priors file"])
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(
    lambda t: t.encode("utf-8", "surrogatepass"))))  # fmt: skip
def test_anything_at_all(readers, tmp_path, name, data):
    file, _, read = readers[name]
    meets(name, data, tmp_path / file, read)


def test_the_check_can_fail(tmp_path):
    def broken(path):
        raise KeyError("x")

    with pytest.raises(AssertionError, match="KeyError"):
        meets("broken", b"x", tmp_path / "x", broken)
