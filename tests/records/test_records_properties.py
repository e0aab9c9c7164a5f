"""Properties: totals kept, order irrelevant, both forms equal, mangled values never crash."""

from __future__ import annotations

import contextlib
import csv
import io

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from records_samples import GAMES, PRACTICE

from transfer.errors import RecordsError
from transfer.records.cells import build_cells, session_cells, weekly_cells
from transfer.records.problems import Problems
from transfer.records.reading import read_records
from transfer.records.text_file import _fast, _slow

QUICK = settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))

attempt = st.fixed_dictionaries(
    {
        "date": st.sampled_from(["2025-11-03", "2025-11-05", "2025-11-12"]),
        "session": st.sampled_from(["1", "2"]),
        "player": st.sampled_from(["P01", "P02", "P03"]),
        "program": st.sampled_from(["A", "B"]),
        "drill": st.sampled_from(["air", "screen"]),
        "mode": st.sampled_from(["rep", "live"]),
        "contest": st.sampled_from(["none", "light", "front"]),
        "spot": st.sampled_from(["", "left_block", "elbow"]),
        "made": st.integers(0, 1),
        "blocked": st.integers(0, 1),
        "fouled": st.integers(0, 1),
        "minutes": st.just(6.0),
    }
)
attempts = st.lists(attempt, min_size=1, max_size=60).map(
    lambda rows: pd.DataFrame(rows).assign(
        blocked=lambda f: f["blocked"] * (1 - f["made"]),
        fouled=lambda f: f["fouled"] * (1 - f["blocked"] * (1 - f["made"])),
    )
)


def counted(frame: pd.DataFrame) -> pd.DataFrame:
    """The same attempts as rows of counts, by the scoring convention, counted by pandas."""
    fouled_miss = frame["fouled"] * (1 - frame["made"])
    whole = frame.assign(
        attempts=1 - fouled_miss, makes=frame["made"], fouled=fouled_miss
    ).drop(columns=["made", "minutes"])  # fmt: skip
    counts = ["attempts", "makes", "blocked", "fouled"]
    keys = [c for c in whole.columns if c not in counts]
    return whole.groupby(keys, as_index=False)[counts].sum()


@QUICK
@given(attempts)
def test_cells_conserve_totals(frame):
    records = read_records(frame)
    expected = counted(frame)
    n, y = int(expected["attempts"].sum()), int(expected["makes"].sum())
    fouled = int(expected["fouled"].sum())
    if n == 0:
        with pytest.raises(RecordsError):
            build_cells(records)
        return
    for options in ({}, {"settings": ("mode",)}, {"defenders": True, "distance": True}):
        table = build_cells(records, **options).table
        assert (table["n"].sum(), table["y"].sum()) == (n, y)
        assert (table["y"] <= table["n"]).all()
    assert build_cells(records, fouled_miss_counts=True).table["n"].sum() == n + fouled
    sessions = session_cells(records)
    assert (sessions["n"].sum(), sessions["y"].sum()) == (n, y)
    weekly = weekly_cells(records).table
    assert (weekly["n"].sum(), weekly["y"].sum()) == (n, y)
    blocks = frame.drop_duplicates(["program", "date", "session", "player", "drill"])
    assert weekly["minutes"].sum() == pytest.approx(6.0 * len(blocks))


@QUICK
@given(attempts, st.randoms(use_true_random=False))
def test_row_order_is_irrelevant(frame, random):
    order = list(range(len(frame)))
    random.shuffle(order)
    frame = frame.drop(columns="minutes")
    one, two = read_records(frame), read_records(frame.iloc[order])
    assert one.data_hash == two.data_hash
    if one.practice["attempts"].sum():
        pd.testing.assert_frame_equal(build_cells(one).table, build_cells(two).table)


@QUICK
@given(attempts)
def test_both_forms_give_equal_records(frame):
    single = read_records(frame.drop(columns="minutes"))
    summed = read_records(counted(frame))
    assert single.data_hash == summed.data_hash


def outcome(source):
    """(records, ()) or (None, problems); any other error is a crash and fails the test."""
    try:
        return read_records(source), ()
    except RecordsError as error:
        return None, error.problems


cells_of_practice = st.tuples(
    st.integers(0, PRACTICE.count("\n") - 1), st.integers(0, 7), st.text(max_size=12)
)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(cells_of_practice)
def test_a_mangled_cell_is_read_or_reported(tmp_path, mangled):
    row, column, text = mangled
    rows = [line.split(",") for line in PRACTICE.splitlines()]
    rows[row][column] = text
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    path = tmp_path / "p.csv"
    path.write_bytes(out.getvalue().encode("utf-8", "surrogatepass"))
    records, problems = outcome(path)
    if records is None:
        assert problems
        assert all(p["rule"] and p["next_step"] for p in problems)
    else:
        assert (records.practice["makes"] <= records.practice["attempts"]).all()


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=200), st.integers(0, len(GAMES)), st.sampled_from(
    ["g.csv", "g.xlsx", "g.parquet"]))  # fmt: skip
def test_mangled_bytes_never_crash(tmp_path, junk, at, name):
    data = GAMES.encode()
    path = tmp_path / name
    path.write_bytes(data[:at] + junk + data[at:])
    with contextlib.suppress(RecordsError):
        read_records(games=path)
    assert path.exists()


COLUMNS = "date session player attempts makes mode minutes spot target".split()  # noqa: SIM905
pieces = st.lists(
    st.sampled_from(["a", "b c", ",", "\n", '"x,y"', '"l\nm"', '"', " ", "1", "é"]), max_size=14
)


@settings(max_examples=200, deadline=None)
@given(pieces)
def test_the_fast_reader_agrees_with_the_standard_librarys(texts):
    body = "".join(texts) + "\n1,2,3\n"
    fast = _fast(body.encode(), 0, ["h1", "h2", "h3"], ",")
    if fast is None:  # it stumbled, and the slow reader takes over
        return
    problems = Problems()
    slow = _slow(body, ["h1", "h2", "h3"], ",", 0, ("f", ""), problems)
    assert slow is not None
    assert problems.found == []
    rows = [[[c.values[k] for k in c.codes] for c in columns] for columns in (fast[0], slow[0])]
    quick, sure = (list(zip(*columns, strict=True)) for columns in rows)
    assert [r for r in quick if any(cell.strip() for cell in r)] == sure


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=5),
       st.sampled_from(["parquet", "xlsx"]))  # fmt: skip
def test_broken_workbooks_and_parquet_never_crash(tmp_path, changes, kind):
    path = tmp_path / f"p.{kind}"
    table = pd.read_csv(io.StringIO(PRACTICE))
    if kind == "xlsx":
        table.to_excel(path, index=False)
    else:
        table.to_parquet(path)
    data = bytearray(path.read_bytes())
    for where, byte in changes:
        data[int(where * len(data))] = byte
    path.write_bytes(data)
    records, problems = outcome(path)
    assert (records is None) == any(p["severity"] == "error" for p in problems)


values = st.one_of(
    st.none(), st.booleans(), st.integers(-5, 10**20), st.floats(), st.text(max_size=8),
    st.lists(st.integers(), max_size=2), st.dates(), st.datetimes(),
)  # fmt: skip


@settings(max_examples=50, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(values, min_size=1, max_size=4), st.sampled_from(COLUMNS))
def test_odd_objects_in_a_frame_are_read_or_reported(odd, column):
    base = pd.read_csv(io.StringIO(PRACTICE)).head(len(odd)).astype(object)
    series = np.empty(len(odd), dtype=object)
    series[:] = odd
    base[column] = series
    records, problems = outcome(base)
    if records is None:
        assert problems
    else:
        assert records.practice["attempts"].ge(0).all()
