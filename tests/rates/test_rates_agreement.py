"""Cohen's kappa against a printed SAS example."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.agreement import agreement_from_counts, cohen_agreement

SAS = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]


def test_sas_simple_kappa():
    # SAS printout quoted in statsmodels test_inter_rater.py: kappa .4842, ASE .1380, 95 % limits
    # .2137 and .7547.
    found = agreement_from_counts(SAS, prob=0.95)
    assert (found.kappa, found.se) == pytest.approx((0.4842, 0.1380), abs=5.1e-5)
    assert (found.interval.low, found.interval.high) == pytest.approx((0.2137, 0.7547), abs=5.1e-5)


def test_sas_weighted_kappa():
    # Same printout, linear weights: .4701, ASE .1457, limits .1845 and .7558.
    found = agreement_from_counts(SAS, weights="linear", prob=0.95)
    assert (found.kappa, found.se) == pytest.approx((0.4701, 0.1457), abs=5.1e-5)
    assert (found.interval.low, found.interval.high) == pytest.approx((0.1845, 0.7558), abs=5.1e-5)


def test_kappa_by_its_definition():
    # Cohen 1960: (observed - chance) / (1 - chance).
    counts = np.array([[20, 5], [10, 15]])
    observed, chance = 35 / 50, (25 * 30 + 25 * 20) / 2500
    found = agreement_from_counts(counts)
    assert found.kappa == pytest.approx((observed - chance) / (1 - chance))
    assert found.agreement == pytest.approx(0.7)
    assert found.agreement_interval.kind == "wilson"


@settings(max_examples=40)
@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from("abc")), min_size=4, max_size=80))
def test_raters_can_be_swapped(pairs):
    first, second = zip(*pairs, strict=True)
    assume(len(set(first)) > 1)
    assume(len(set(second)) > 1)
    there = cohen_agreement(first, second)
    back = cohen_agreement(second, first)
    assert there.kappa == pytest.approx(back.kappa)
    assert there.kappa <= 1 + 1e-12
    assert there.interval.high <= 1
    assert there.agreement == pytest.approx(np.mean([a == b for a, b in pairs]))


def test_full_agreement_is_one():
    found = cohen_agreement(list("aabbc"), list("aabbc"))
    assert found.kappa == pytest.approx(1)
    assert "100% of cases" in found.text
    assert "read the Wilson interval instead" in found.text


def test_labels_levels_and_table():
    levels = ["none", "light", "trailing"]
    found = cohen_agreement(
        ["none", "light", "light"], ["none", "light", "none"], levels, weights="quadratic"
    )
    assert list(found.table["label"]) == levels
    assert np.isnan(found.table["share_of_either"].iloc[2])
    assert found.to_dict()["labels"][2]["share_of_either"] is None
    assert "quadratic weighted kappa" in found.text


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        (lambda: cohen_agreement(["a"], ["a", "b"]), ArgumentError, "1 and 2 labels"),
        (lambda: cohen_agreement(["a", None], ["a", "b"]), ArgumentError, "1 missing"),
        (lambda: cohen_agreement(["a", "b"], ["a", "b"], weights="linear"), ArgumentError, "order"),
        (lambda: cohen_agreement(["a", "x"], ["a", "b"], ["a", "b"]), ArgumentError, "x are not"),
        (lambda: cohen_agreement(["a", "a"], ["a", "a"]), IdentificationError, "two labels"),
        (lambda: agreement_from_counts([[5, 0], [0, 0]]), IdentificationError, "same label"),
        (lambda: agreement_from_counts([[5, 3], [0, 0]]), IdentificationError, "same label"),
        (lambda: agreement_from_counts([[5, 0, 1], [0, 0, 1]]), ArgumentError, "square"),
        (lambda: agreement_from_counts([[5, 1], [1, 5]], weights="cubic"), ArgumentError, "linear"),
    ],
)
def test_refusals(call, error, words):
    with pytest.raises(error, match=words):
        call()
