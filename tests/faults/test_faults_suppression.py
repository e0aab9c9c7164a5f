"""Hidden small groups cannot be solved for from the figures that are shown."""

from __future__ import annotations

import itertools

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transfer.errors import ArgumentError
from transfer.page.disclosure import Figures, audit
from transfer.page.suppression import SMALLEST_GROUP, TOTAL, Published, suppress

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


def settings_table(frame, of, before=()):
    """A published table by another setting of the same records."""
    return suppress(
        frame.assign(shown_as=frame["setting"].map(of)),
        "program", "shown_as", "unit", ("n", "y"), fine="setting", before=before,
    )  # fmt: skip


def test_a_second_table_by_other_settings_gives_no_player_away():
    """One player of the fine setting would be the difference of two coarse ones."""
    frame = pd.DataFrame(
        [*squad("A", 8), *squad("A", 7, "live/front"), ("A", "live/light", "A/7", 406, 151)],
        columns=["program", "setting", "unit", "n", "y"],
    )
    fine = settings_table(frame, lambda s: s)
    coarse = {"rep": "rep", "live/front": "live", "live/light": "live"}.get
    shown = fine.table.set_index(["row", "column"])["shown"]
    assert shown["A", "live/front"]
    assert not shown["A", "live/light"]
    assert not shown["A", TOTAL]
    alone = settings_table(frame, coarse).table.set_index(["row", "column"])["shown"]
    assert not alone["A", "live"], "one player has more than half"
    evened = frame.assign(n=10, y=4)
    counts = settings_table(evened, lambda s: s).published.counts
    told = Published(counts, ((("A",), ("live/front",)),))
    first = settings_table(evened, coarse).table.set_index(["row", "column"])["shown"]
    second = settings_table(evened, coarse, (told,)).table.set_index(["row", "column"])["shown"]
    assert first["A", "live"]
    assert not second["A", "live"]
    assert not (second["A", TOTAL] and second["A", "rep"])


def test_one_player_more_is_not_the_difference_of_two_tables():
    before = pd.DataFrame(squad("A", 8), columns=["program", "setting", "unit", "n", "y"])
    after = pd.concat([before, before.iloc[:1].assign(unit="A/new", n=33, y=12)])
    first = hide(before)
    assert first.table["shown"].all()
    assert hide(after).table["shown"].all()
    second = suppress(after, "program", "setting", "unit", ("n", "y"), before=(first.published,))
    assert not second.table["shown"].any()


def test_a_later_table_in_which_everybody_has_more_is_shown():
    before = pd.DataFrame(squad("A", 8), columns=["program", "setting", "unit", "n", "y"])
    first = hide(before)
    second = suppress(
        before.assign(n=25, y=9), "program", "setting", "unit", ("n", "y"),
        before=(first.published,),
    )  # fmt: skip
    assert second.table["shown"].all()


def test_a_hidden_count_is_not_bounded_narrowly_by_what_is_shown():
    """Three players with few attempts in a row of many: the shown total would bound them."""
    frame, table = table_of(squad("A", 3), squad("A", 9, "live"), squad("B", 9), squad("B", 9, "x"))
    shown = table.set_index(["row", "column"])["shown"]
    assert not shown["A", "rep"]
    assert not (shown["A", TOTAL] and shown["A", "live"])
    assert leaks(frame, table) == []


def test_a_group_in_which_one_has_more_than_half_is_hidden():
    _, table = table_of(squad("A", 8), [("B", "rep", "B/0", 400, 100)], squad("B", 7))
    shown = table.set_index(["row", "column"])["shown"]
    assert not shown["B", "rep"]
    assert shown["A", "rep"] != shown[TOTAL, "rep"] or not shown["A", "rep"]


def test_the_audit_says_what_a_reader_can_work_out():
    """Two cells and their sum by hand: with the sum and one cell shown, the other is known."""
    people = (frozenset({"a", "b"}), frozenset("cdefg"))
    counts = np.array([[12.0, 5.0], [80.0, 30.0]])
    whole = Figures(np.array([[1.0, 1.0], [0.0, 1.0]]), counts, people, np.zeros(2, bool))
    told = audit(whole, SMALLEST_GROUP)
    assert (told.people, told.low, told.high, told.used) == (2, 12, 12, (0, 1))
    assert audit(whole.only([0]), SMALLEST_GROUP) is None
    low = Figures(
        np.array([[1.0, 1.0]]), np.array([[1.0, 1.0], [2.0, 1.0]]), people, np.zeros(2, bool)
    )
    narrow = audit(low, SMALLEST_GROUP)
    assert (narrow.low, narrow.high) == (0, 3)
