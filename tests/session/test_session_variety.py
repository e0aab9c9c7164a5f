"""The variety score."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from transfer.errors import ArgumentError
from transfer.session.variety import POSSIBLE, TRAITS, entropy_bits, variety


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
