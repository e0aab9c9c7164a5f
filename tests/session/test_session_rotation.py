"""Rotation of defenders and the variety score."""

from collections import Counter

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from transfer.errors import ArgumentError
from transfer.session.rotation import one_against_two, one_on_one, round_robin
from transfer.session.variety import POSSIBLE, TRAITS, entropy_bits, variety


def codes(count):
    return [f"P{i:02d}" for i in range(count)]


@settings(max_examples=60, deadline=None)
@given(
    count=st.integers(2, 20),
    baskets=st.integers(1, 4),
    turns=st.integers(1, 40),
    seed=st.integers(0, 99),
)
def test_pairs_repeat_only_when_all_have_met_and_defending_is_even(count, baskets, turns, seed):
    table = one_on_one(codes(count), baskets, turns, seed)
    pairs = Counter(frozenset(p) for p in zip(table["shooter"], table["defender"], strict=True))
    every = count * (count - 1) // 2
    least = min(pairs.values()) if len(pairs) == every else 0
    assert max(pairs.values()) - least <= 1
    for _, rows in table.groupby("turn"):
        people = [*rows["shooter"], *rows["defender"]]
        assert len(set(people)) == len(people)
        assert len(rows) <= baskets
        assert rows["basket"].is_unique
    defends = table["defender"].value_counts().reindex(codes(count), fill_value=0)
    shots = table["shooter"].value_counts().reindex(codes(count), fill_value=0)
    assert (defends - shots).abs().max() <= 1
    assert defends.max() - defends.min() <= 2
    assert table["turn"].nunique() == turns


def test_a_pair_that_meets_again_changes_roles():
    table = one_on_one(codes(4), 2, 6, 1)
    seen = Counter(zip(table["shooter"], table["defender"], strict=True))
    assert len(seen) == 12
    assert set(seen.values()) == {1}


def test_round_robin_uses_every_pair_once_and_close_ratings_first():
    pairs = round_robin(codes(7))
    assert len({frozenset(p) for p in pairs}) == len(pairs) == 21
    rating = dict(zip(codes(6), [-0.5, -0.4, 0.0, 0.0, 0.4, 0.5], strict=True))
    ordered = round_robin(codes(6), rating)
    gap = [sum(abs(rating[a] - rating[b]) for a, b in ordered[i : i + 3]) for i in range(0, 15, 3)]
    assert gap == sorted(gap)


@pytest.mark.parametrize(
    ("count", "baskets", "turns"), [(3, 1, 9), (6, 2, 10), (16, 3, 8), (20, 4, 6)]
)
def test_one_against_two_is_even(count, baskets, turns):
    table = one_against_two(codes(count), baskets, turns, 3)
    assert len(table) == turns * min(baskets, count // 3)
    for _, rows in table.groupby("turn"):
        people = rows[["shooter", "defender", "second_defender"]].to_numpy().ravel()
        assert len(set(people)) == people.size
    shots = table["shooter"].value_counts().reindex(codes(count), fill_value=0)
    defends = pd.concat([table["defender"], table["second_defender"]]).value_counts()
    defends = defends.reindex(codes(count), fill_value=0)
    assert shots.max() - shots.min() <= 1
    assert defends.max() - defends.min() <= 1
    met = Counter(zip(table["shooter"], table["defender"], strict=True))
    met += Counter(zip(table["shooter"], table["second_defender"], strict=True))
    if turns * min(baskets, count // 3) * 2 <= count * (count - 1) // 2:
        assert max(met.values()) == 1


def test_rotation_refuses_nonsense():
    with pytest.raises(ArgumentError, match="1 players"):
        one_on_one(["P1"], 1, 1, 1)
    with pytest.raises(ArgumentError, match="2 players, 1 different"):
        one_on_one(["P1", "P1"], 1, 1, 1)
    with pytest.raises(ArgumentError, match="baskets=0"):
        one_on_one(codes(3), 0, 1, 1)
    with pytest.raises(ArgumentError, match="at least 3"):
        one_against_two(codes(2), 1, 1, 1)


def test_entropy_equals_scipy_and_its_limits():
    counts = np.array([12, 7, 0, 3, 1])
    assert entropy_bits(counts) == pytest.approx(stats.entropy(counts, base=2))
    same = pd.DataFrame([["catch", "one_foot", "left", "block", 40]], columns=[*TRAITS, "n"])
    assert variety(same).score == 0.0
    rows = [
        [e, f, s, "block", 5]
        for e in ("catch", "turn")
        for f in ("one_foot", "two_foot")
        for s in ("left", "right")
    ]
    even = variety(pd.DataFrame(rows, columns=[*TRAITS, "n"]))
    assert even.bits == pytest.approx(3.0)
    assert even.score == pytest.approx(3.0 / np.log2(40))
    assert even.combinations == 8
    unlike = pd.DataFrame(
        [[f"e{i}", "one_foot", "left", "block", 1] for i in range(16)], columns=[*TRAITS, "n"]
    )
    assert variety(unlike).score == pytest.approx(1.0)
    many = pd.concat([unlike.assign(n=1000)])
    assert variety(many).score == pytest.approx(4 / np.log2(POSSIBLE))


def test_uncharted_attempts_are_counted_apart():
    table = pd.DataFrame(
        [["catch", None, "left", "block", 9], ["catch", "one_foot", "left", "block", 4]],
        columns=[*TRAITS, "n"],
    )
    found = variety(table)
    assert (found.attempts, found.uncharted) == (4, 9)
    with pytest.raises(ArgumentError, match="columns spot are missing"):
        variety(table.drop(columns="spot"))
