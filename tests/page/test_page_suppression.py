"""Small tables hidden by hand: which figures stay, and what is said of the others."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from transfer.errors import ArgumentError
from transfer.page import suppression
from transfer.page.suppression import SMALLEST_GROUP, TOTAL, suppress


def people(*groups):
    """Rows of one player each: program, setting, how many players, first player's number."""
    rows = [
        (program, setting, f"{program}{first + i}", 10, 4)
        for program, setting, size, *more in groups
        for first in (more or [0])
        for i in range(size)
    ]
    return pd.DataFrame(rows, columns=["program", "setting", "unit", "n", "y"])


def hide(frame, **options):
    return suppress(frame, "program", "setting", "unit", ("n", "y"), **options)


def players_shown(result):
    """Number of players by figure, None where hidden."""
    table = result.table.astype(object).where(result.table.notna(), None)
    return {(r, c): p for r, c, p in table[["row", "column", "players"]].itertuples(index=False)}


def test_a_group_of_five_is_shown_with_its_sums_and_totals():
    result = hide(people(("A", "rep", 5)))
    assert SMALLEST_GROUP == result.smallest == 5
    assert players_shown(result) == {
        ("A", "rep"): 5, ("A", TOTAL): 5, (TOTAL, "rep"): 5, (TOTAL, TOTAL): 5,
    }  # fmt: skip
    assert result.table["n"].tolist() == [50] * 4
    assert result.table["y"].tolist() == [20] * 4
    assert result.table["shown"].tolist() == [True] * 4
    assert result.text.startswith("0 of 4 figures are hidden: groups of fewer than 5 players")


def test_a_group_of_four_is_hidden_with_everything():
    result = hide(people(("A", "rep", 4)))
    assert set(players_shown(result).values()) == {None}
    assert result.table["n"].isna().all()
    assert not result.table["shown"].any()
    assert result.text.startswith("4 of 4 figures are hidden")


def test_another_smallest_group_may_be_asked_for():
    frame = people(("A", "rep", 4))
    assert hide(frame, smallest=4).table["shown"].all()
    assert not hide(frame, smallest=5).table["shown"].any()
    assert hide(people(("A", "rep", 1)), smallest=1).table["shown"].all()
    with pytest.raises(ArgumentError, match="smallest=0"):
        hide(frame, smallest=0)


@pytest.mark.parametrize(("b", "c", "kept"), [(8, 9, "C"), (9, 8, "B"), (8, 8, "C")])
def test_cells_go_before_totals_and_small_before_large_then_by_name(b, c, kept):
    # A follows from the total less B and C, each of which stands twice, as a cell and as the total
    # of its row. The cells go first, then the total of the smaller row; the larger one may stay.
    found = players_shown(hide(people(("A", "rep", 3), ("B", "rep", b), ("C", "rep", c))))
    shown = {key: players for key, players in found.items() if players}
    assert shown == {
        (kept, TOTAL): max(b, c), (TOTAL, "rep"): 3 + b + c, (TOTAL, TOTAL): 3 + b + c,
    }  # fmt: skip


def test_cells_of_the_same_small_group_are_hidden_as_one():
    # Program A: the same three players in both settings, so A's row total is a small group too.
    result = hide(people(("A", "live", 3), ("A", "rep", 3), ("B", "live", 6), ("B", "rep", 7)))
    found = players_shown(result)
    assert found["A", "live"] is found["A", "rep"] is found["A", TOTAL] is None
    assert found[TOTAL, TOTAL] is None or found["B", TOTAL] is None
    assert found[TOTAL, "live"] is None or found["B", "live"] is None
    assert found[TOTAL, "rep"] is None or found["B", "rep"] is None


def test_a_player_in_two_cells_counts_once_in_their_total():
    result = hide(people(("A", "live", 6), ("A", "rep", 8)))
    found = players_shown(result)
    assert (found["A", "live"], found["A", "rep"], found["A", TOTAL]) == (6, 8, 8)
    assert found[TOTAL, TOTAL] == 8
    table = result.table.set_index(["row", "column"])
    assert table.loc[("A", TOTAL), "n"] == 140
    assert table.loc[("A", TOTAL), "y"] == 56


def test_different_small_groups_that_are_large_together_may_be_summed():
    # Three players of A and three of B are six together: the total of both may be shown.
    result = hide(people(("A", "rep", 3), ("B", "rep", 3)))
    found = players_shown(result)
    assert found == {
        ("A", "rep"): None, ("B", "rep"): None, ("A", TOTAL): None, ("B", TOTAL): None,
        (TOTAL, "rep"): 6, (TOTAL, TOTAL): 6,
    }  # fmt: skip


def test_players_without_attempts_count_for_nothing():
    frame = people(("A", "rep", 6))
    frame.loc[frame["unit"].isin(["A0", "A1"]), ["n", "y"]] = 0
    assert set(players_shown(hide(frame)).values()) == {None}
    frame.loc[frame["unit"] == "A0", "n"] = 1
    assert players_shown(hide(frame))["A", "rep"] == 5


@pytest.mark.parametrize("column", ["program", "setting"])
def test_a_label_like_that_of_the_totals_is_refused_on_both_sides(column):
    frame = people(("A", "rep", 6))
    with pytest.raises(ArgumentError, match="'all' is the label of a row or column"):
        hide(frame.assign(**{column: TOTAL}))


@pytest.mark.parametrize("column", ["program", "setting", "unit", "n", "y"])
def test_a_missing_column_is_named(column):
    with pytest.raises(ArgumentError, match=rf"columns missing: \['{column}'\]"):
        hide(people(("A", "rep", 6)).drop(columns=column))


def test_plain_values_hold_none_where_hidden():
    told = hide(people(("A", "rep", 3), ("B", "rep", 3))).to_dict()
    assert (told["smallest"], len(told["cells"])) == (5, 6)
    assert told["text"].startswith("4 of 6 figures are hidden")
    first, last = told["cells"][0], told["cells"][-1]
    assert first == {
        "row": "A", "column": "rep", "players": None, "n": None, "y": None, "shown": False,
    }  # fmt: skip
    assert last == {
        "row": TOTAL, "column": TOTAL, "players": 6, "n": 60, "y": 24, "shown": True,
    }  # fmt: skip


def test_rows_and_columns_stand_in_order_whatever_the_order_of_the_records():
    frame = people(("B", "rep", 6), ("A", "live", 7), ("A", "rep", 6), ("B", "live", 7))
    table = hide(frame).table
    assert table["row"].tolist() == ["A", "A", "B", "B", "A", "B", TOTAL, TOTAL, TOTAL]
    assert table["column"].tolist()[:4] == ["live", "rep"] * 2
    assert table["column"].tolist()[4:] == [TOTAL, TOTAL, "live", "rep", TOTAL]
    assert table["n"].tolist() == [70, 60, 70, 60, 130, 130, 140, 120, 260]


def test_labels_that_no_record_has_are_no_figures():
    frame = people(("A", "rep", 6), ("B", "rep", 7))
    labels = pd.CategoricalDtype(["A", "B", "C"])
    result = hide(frame.astype({"program": labels}))
    assert result.table["row"].tolist() == ["A", "B", "A", "B", TOTAL, TOTAL]
    assert result.table["n"].tolist() == [60, 70, 60, 70, 130, 130]


def test_small_groups_that_are_five_together_may_be_summed():
    found = players_shown(hide(people(("A", "rep", 3), ("B", "rep", 2))))
    assert (found["A", "rep"], found["B", "rep"]) == (None, None)
    assert found[TOTAL, TOTAL] == found[TOTAL, "rep"] == 5


@pytest.mark.parametrize(("most", "dominated"), [(30, False), (31, True)])
def test_counts_that_no_figure_tells_apart_are_added_up(most, dominated):
    # Three counts under the same figures, two of them one person's; a fourth under another figure.
    together, apart = np.array([1.0, 1.0]), np.array([0.0, 1.0])
    columns = [together, together, together, apart]
    values = [np.array([most - 10, 0.0]), np.array([10, 1.0]), np.array([30, 30.0]), np.ones(2)]
    found = suppression._merged(columns, values, ["P1", "P1", "P2", "P3"])
    # Atoms in the order of their weights: apart first. Whether one person has more than half is a
    # matter of the first measure, of which P1 has `most` of `most` + 30.
    assert found.weights.tolist() == [[0.0, 1.0], [1.0, 1.0]]
    assert found.values.tolist() == [[1.0, 1.0], [most + 30.0, 31.0]]
    assert found.people == (frozenset({"P3"}), frozenset({"P1", "P2"}))
    assert found.dominated.tolist() == [True, dominated]


def test_no_counts_give_no_atoms():
    found = suppression._merged([], [], [])
    assert (found.weights.size, len(found.people), found.dominated.size) == (0, 0, 0)


@pytest.mark.parametrize(("most", "shown"), [(40, True), (41, False)])
def test_a_group_in_which_one_player_has_more_than_half_is_hidden(most, shown):
    frame = people(("A", "rep", 5))
    frame.loc[0, "n"] = most  # the four others have forty together
    assert (players_shown(hide(frame))["A", "rep"] == 5) is shown
