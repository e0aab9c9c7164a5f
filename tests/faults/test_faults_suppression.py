"""Hidden small groups cannot be solved for from the figures that are shown."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transfer.errors import ArgumentError
from transfer.page.suppression import SMALLEST_GROUP, TOTAL, suppress

COLUMNS = ("game", "live", "rep")


@st.composite
def people(draw):
    """Up to four programs of up to nine players, each charted in some settings."""
    rows = []
    for program in range(draw(st.integers(1, 4))):
        for player in range(draw(st.integers(1, 9))):
            charted = draw(st.sets(st.sampled_from(COLUMNS), min_size=1))
            for setting in sorted(charted):
                n = draw(st.integers(1, 40))
                rows.append((f"A{program}", setting, f"A{program}/{player}", n, n // 2))
    return pd.DataFrame(rows, columns=["program", "setting", "unit", "n", "y"])


def hide(frame):
    return suppress(frame, "program", "setting", "unit", ("n", "y"))


def equations(frame, table):
    """Cells, their people, and one equation per shown figure: which cells it adds up."""
    keys = sorted({tuple(k) for k in frame[["program", "setting"]].to_numpy()})
    members = {k: set(p["unit"]) for k, p in frame.groupby(["program", "setting"])}
    shown = [
        [float(r in (k[0], TOTAL) and c in (k[1], TOTAL)) for k in keys]
        for r, c, seen in table[["row", "column", "shown"]].itertuples(index=False)
        if seen
    ]
    return keys, members, np.array(shown).reshape(-1, len(keys))


def solvable(matrix, which):
    """Whether the sum over these cells follows from the shown figures (least squares)."""
    goal = np.zeros(matrix.shape[1])
    goal[list(which)] = 1.0
    if not len(matrix):
        return False
    found, *_ = np.linalg.lstsq(matrix.T, goal, rcond=None)
    return bool(np.abs(matrix.T @ found - goal).max() < 1e-8)


def leaks(frame, table):
    """Groups of cells of too few people whose sum can be solved for."""
    keys, members, matrix = equations(frame, table)
    small = [i for i, k in enumerate(keys) if len(members[k]) < SMALLEST_GROUP]
    found = []
    for size in (1, 2, 3):
        for which in itertools.combinations(small, size):
            together = set().union(*(members[keys[i]] for i in which))
            if len(together) < SMALLEST_GROUP and solvable(matrix, which):
                found.append([keys[i] for i in which])
    return found


@settings(max_examples=60, deadline=None)
@given(people())
def test_no_small_group_can_be_solved_for(frame):
    result = hide(frame)
    assert leaks(frame, result.table) == []
    shown = result.table[result.table["shown"]]
    assert (shown["players"] >= SMALLEST_GROUP).all()


@settings(max_examples=40, deadline=None)
@given(people())
def test_shown_figures_are_the_true_sums(frame):
    for r, c, players, n, y, seen in hide(frame).table.itertuples(index=False):
        part = frame[
            (frame["program"].eq(r) | (r == TOTAL)) & (frame["setting"].eq(c) | (c == TOTAL))
        ]
        if seen:
            assert (players, n, y) == (part["unit"].nunique(), part["n"].sum(), part["y"].sum())
        else:
            assert pd.isna(players)
            assert pd.isna(n)
            assert pd.isna(y)


def squad(program, size, setting="rep"):
    return [(program, setting, f"{program}/{i}", 10, 4) for i in range(size)]


def table_of(*rows):
    frame = pd.DataFrame(
        [r for part in rows for r in part], columns=["program", "setting", "unit", "n", "y"]
    )
    return frame, hide(frame).table


def test_hiding_the_small_cell_alone_would_be_undone():
    """The attack works where only the small cell is hidden; so the test above can fail."""
    frame, table = table_of(squad("A", 3), squad("B", 8), squad("C", 9))
    assert leaks(frame, table) == []
    naive = table.assign(shown=[r != "A" for r in table["row"]])
    assert leaks(frame, naive) == [[("A", "rep")]]


def test_two_small_cells_that_are_small_together_take_a_third():
    _, table = table_of(squad("A", 1), squad("B", 1), squad("C", 8), squad("D", 9))
    shown = set(table.loc[table["shown"], "row"])
    assert not {"A", "B", "C"} & shown
    assert {"D", TOTAL} <= shown


def test_nothing_is_hidden_where_every_group_is_large():
    _, table = table_of(squad("A", 5), squad("B", 8))
    assert table["shown"].all()
    assert table.set_index(["row", "column"]).loc[("A", "rep"), "n"] == 50


def test_a_row_named_like_the_totals_is_refused():
    with pytest.raises(ArgumentError, match="label"):
        table_of(squad(TOTAL, 6))


def test_nobody_charted_gives_an_empty_table():
    frame = pd.DataFrame(squad("A", 3), columns=["program", "setting", "unit", "n", "y"])
    assert hide(frame.assign(n=0)).table.empty
