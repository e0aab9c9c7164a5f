"""The lot: balance, the same draw everywhere, refusals."""

from __future__ import annotations

import collections
import itertools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transfer.errors import ArgumentError
from transfer.trial.assignment import (
    FIRST_ARMS,
    Lot,
    draw_first_arms,
    make_units,
)

GOLDEN = Path(__file__).with_name("golden_trial_lot.csv")


def roster(players: int = 14, programs: int = 2) -> pd.DataFrame:
    rows = [
        {
            "program": f"C{g:02d}",
            "player": f"P{p:02d}",
            "position": ("guard", "wing", "big")[(p * 7 + g) % 3],
            "baseline": 0.30 + ((p * 37 + g * 11) % 17) / 100,
            "pair": f"D{(p + 1) // 2:02d}",
            "squad": f"S{p % 4}",
        }
        for g in range(1, programs + 1)
        for p in range(1, players + 1)
    ]
    return pd.DataFrame(rows)


def test_lot_is_the_same_on_every_platform():
    """Golden file: drawn once from the raw PCG64 stream, committed, never rewritten."""
    golden = pd.read_csv(GOLDEN)
    units = make_units(roster(), "player", ("position", "baseline"))
    drawn = draw_first_arms(units, Lot(20261102))
    found = [drawn[key] for key in zip(golden["program"], golden["player"], strict=True)]
    assert len(golden) == 28
    assert found == list(golden["first_arm"])


def test_raw_stream_of_the_lot():
    """PCG64 seeded with 0: first raw words as numpy 2 gives them on x86-64 (regression value)."""
    words = np.random.PCG64(0).random_raw(2)
    lot = Lot(0)
    assert [lot.below(1 << 64), lot.below(1 << 64)] == [int(w) for w in words]
    assert [int(w) for w in words] == [11749869230777074271, 4976686463289251617]


def test_lot_is_even_over_its_bound():
    lot = Lot(5)
    counts = collections.Counter(lot.below(6) for _ in range(6000))
    chi2 = sum((counts[face] - 1000) ** 2 / 1000 for face in range(6))
    assert chi2 < 20.5  # 99.9 % point of chi-square with 5 degrees of freedom


def test_shuffle_reaches_every_order_equally():
    lot = Lot(9)
    counts = collections.Counter(tuple(lot.shuffled("abc")) for _ in range(6000))
    assert set(counts) == set(itertools.permutations("abc"))
    assert sum((n - 1000) ** 2 / 1000 for n in counts.values()) < 20.5


players_strategy = st.lists(
    st.tuples(
        st.sampled_from(["A", "B", "C"]),
        st.sampled_from(["guard", "wing", "big"]),
        st.floats(-2, 2, allow_nan=False),
    ),
    min_size=2,
    max_size=60,
)


@settings(max_examples=60, deadline=None)
@given(
    players_strategy,
    st.integers(0, 2**63),
    st.sampled_from([(), ("position",), ("position", "baseline"), ("baseline", "position")]),
)
def test_arms_differ_by_at_most_one_everywhere(players, seed, strata):
    frame = pd.DataFrame(players, columns=["program", "position", "baseline"])
    frame["player"] = [f"P{i:03d}" for i in range(len(frame))]
    units = make_units(frame, "player", strata)
    drawn = draw_first_arms(units, Lot(seed))
    side = units.assign(
        sign=[
            1 if drawn[key] == FIRST_ARMS[0] else -1
            for key in zip(units["program"], units["unit"], strict=True)
        ]
    )
    labels = ["program", *[f"stratum_{name}" for name in strata]]
    assert abs(side["sign"].sum()) <= 1
    for depth in range(1, len(labels) + 1):
        assert side.groupby(labels[:depth])["sign"].sum().abs().max() <= 1


def test_each_player_has_an_even_chance_and_roster_order_does_not_matter():
    frame = roster(7, 1)
    starts = collections.Counter()
    units = make_units(frame, "player", ("position", "baseline"))
    for seed in range(600):
        drawn = draw_first_arms(units, Lot(seed))
        starts.update(unit for (_, unit), arm in drawn.items() if arm == FIRST_ARMS[0])
    # 600 draws at one half: standard deviation 12.2; 4.5 of them for 7 players together.
    assert all(abs(starts[player] - 300) < 55 for player in frame["player"])
    mixed = frame.sample(frac=1.0, random_state=1)
    again = draw_first_arms(make_units(mixed, "player", ("position", "baseline")), Lot(599))
    assert again == drawn


@pytest.mark.parametrize("unit", ["pair", "squad"])
def test_partners_stay_together(unit):
    frame = roster()
    units = make_units(frame, unit, ("position", "baseline"))
    drawn = draw_first_arms(units, Lot(3))
    assert len(units) == len(frame)
    assert set(drawn) == set(zip(frame["program"], frame[unit], strict=True))
    per_program = collections.Counter((program, arm) for (program, _), arm in drawn.items())
    for program in ("C01", "C02"):
        live, rep = per_program[program, FIRST_ARMS[0]], per_program[program, FIRST_ARMS[1]]
        assert abs(live - rep) <= 1


def test_baseline_is_cut_inside_program_and_position():
    units = make_units(roster(), "player", ("position", "baseline"))
    sizes = units.groupby(["program", "stratum_position", "stratum_baseline"]).size().unstack()
    assert (sizes["upper"] - sizes["lower"]).between(0, 1).all()
    merged = units.merge(roster(), on=["program", "player"])
    for _, group in merged.groupby(["program", "stratum_position"]):
        lower = group.loc[group["stratum_baseline"] == "lower", "baseline"].max()
        upper = group.loc[group["stratum_baseline"] == "upper", "baseline"].min()
        assert lower <= upper


@pytest.mark.parametrize(
    ("change", "arguments", "message"),
    [
        (lambda f: f.drop(columns="position"), {}, "no column position"),
        (lambda f: f.assign(baseline="high"), {}, "baseline 'high' of player 'P01'"),
        (lambda f: f.assign(position=[None, *f["position"][1:]]), {}, "row 1 has no position"),
        (lambda f: pd.concat([f, f.iloc[[0]]]), {}, "twice"),
        (lambda f: f.assign(player=["=A1", *f["player"][1:]]), {}, "formula"),
        (lambda f: f, {"unit": "team"}, "unit='team'"),
        (lambda f: f, {"strata": ("height",)}, "strata=('height',)"),
        (lambda f: f.iloc[:1], {}, "has 1 players"),
    ],
)
def test_refusals_name_the_place(change, arguments, message):
    call = {"unit": "player", "strata": ("position", "baseline"), **arguments}
    with pytest.raises(ArgumentError) as caught:
        make_units(change(roster()), call["unit"], call["strata"])
    assert message in str(caught.value)
    assert caught.value.rule
    assert caught.value.next_step


@pytest.mark.parametrize("seed", [-1, 1.5, "7", True, None])
def test_seed_is_a_whole_number(seed):
    with pytest.raises(ArgumentError, match="lot"):
        Lot(seed)
