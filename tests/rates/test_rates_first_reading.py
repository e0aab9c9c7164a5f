"""The first reading against arithmetic by hand, and what it says when it cannot say anything."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells

from transfer.provenance import hash_frames
from transfer.rates.first_reading import first_reading
from transfer.records.cells import GAME, Cells


def cells_of(counts: dict[str, list[tuple[int, int]]], program: str = "A") -> Cells:
    """Cells from (makes, attempts) by setting; player i is the i-th pair."""
    rows = [
        {"unit": f"{program}/P{i:02d}", "program": program, "setting": setting, "n": n, "y": y}
        for setting, pairs in counts.items()
        for i, (y, n) in enumerate(pairs)
    ]
    table = pd.DataFrame(rows)
    settings = tuple(s for s in counts if s != GAME)
    return Cells(table, settings, tuple(sorted(set(table["unit"]))), hash_frames(cells=table))


#: Four players. Practice rates .2 .4 .6 .8 of 10, game rates .2 .6 .2 .6 of 20.
FOUR = {
    "rep/none": [(2, 10), (4, 10), (6, 10), (8, 10)],
    GAME: [(4, 20), (12, 20), (4, 20), (12, 20)],
}


def test_rates_spreads_and_correlation_are_those_of_a_calculation_by_hand():
    found = first_reading(cells_of(FOUR))
    practice, game = (found.table.set_index("setting").loc[s] for s in ("rep/none", GAME))
    # Intraclass correlation by moments at equal n: (n S / (m (1-m)) - (k-1)) / ((k-1) (n-1)), S
    # the sum of squares about the mean m. Practice: S = .2, (8 - 3) / (3 * 9) = 5/27; games:
    # S = .16, (40/3 - 3) / (3 * 19) = 31/171. The spread is sqrt(m (1-m) * that).
    assert practice["rate"] == pytest.approx(0.5)
    assert practice["spread"] == pytest.approx(math.sqrt(0.25 * 5 / 27))
    assert game["rate"] == pytest.approx(0.4)
    assert game["spread"] == pytest.approx(math.sqrt(0.24 * 31 / 171))
    # Weight of a player's own rate n / (n + 27/5 - 1) = 10 / 14.4, so .2 becomes .5 - .3 * 10/14.4.
    first = found.players.set_index(["setting", "unit"]).loc[("rep/none", "A/P00")]
    assert first["raw"] == pytest.approx(0.2)
    assert first["shrunken"] == pytest.approx(7 / 24)
    # Covariance (.06 - .02 - .02 + .06) / 3; variances .2/3 and .16/3, less the mean chance
    # p (1-p) / (n-1): .2/9 and .2/19.
    by_hand = (0.08 / 3) / math.sqrt((0.2 / 3 - 0.2 / 9) * (0.16 / 3 - 0.2 / 19))
    assert practice["correlation"] == pytest.approx(by_hand)
    assert (practice["players"], practice["attempts"], practice["both"]) == (4, 40, 4)


def test_the_sentence_carries_the_numbers_and_its_label():
    # .6114, .2086 and the games' shrunken ends .4 -+ .2 * 20 / (20 + 171/31 - 1), all from above.
    assert first_reading(cells_of(FOUR)).text == (
        "First reading, from the counts alone, one setting at a time; the full model replaces it. "
        "Games: 4 player-seasons, mean rate 40%, true rates spread by 20.9 points (standard "
        "deviation), shrunken rates from 24% to 56%. True rates go with game rates, by moments: "
        "rep/none 0.61 (no interval)."
    )


def test_cells_of_one_player_are_added_up_first():
    split = cells_of(FOUR)
    half = split.table.assign(n=split.table["n"] // 2, y=split.table["y"] // 2)
    doubled = Cells(pd.concat([half, half]), split.settings, split.units, "x")
    pd.testing.assert_frame_equal(first_reading(doubled).table, first_reading(split).table)


def test_same_seed_same_interval_and_the_interval_holds_the_estimate():
    cells = drawn(150)
    one, two = first_reading(cells, seed=3), first_reading(cells, seed=3)
    pd.testing.assert_frame_equal(one.table, two.table)
    told = one.table.dropna(subset=["low"])
    assert told["setting"].tolist() == ["rep/none"]
    assert ((told["low"] < told["correlation"]) & (told["correlation"] < told["high"])).all()
    assert "90% bootstrap interval" in one.text
    assert json.dumps(one.to_dict(), allow_nan=False)
    assert one.to_dict()["settings"][-1]["correlation"] is None


def drawn(players: int) -> Cells:
    """True rates .45 with sd .08 and correlation .6; 400 practice and 70 game attempts each."""
    rng = np.random.default_rng(4)
    z = rng.multivariate_normal([0.0, 0.0], [[1.0, 0.6], [0.6, 1.0]], players)
    n = np.array([400, 70])
    y = rng.binomial(n, 0.45 + 0.08 * z)
    return cells_of(
        {s: [(int(v), int(n[k])) for v in y[:, k]] for k, s in enumerate(("rep/none", GAME))}
    )


def test_a_known_correlation_is_found_among_many_players():
    found = first_reading(drawn(3000)).table.set_index("setting")
    # Standard error of the correlation of true rates about .02 here (own simulation).
    assert found.loc["rep/none", "correlation"] == pytest.approx(0.6, abs=0.08)
    assert found["spread"].tolist() == pytest.approx([0.08, 0.08], abs=0.008)


def test_programs_together_are_named():
    assert "2 programs together" in first_reading(invented_cells(programs=("A", "B"))).text


@pytest.mark.parametrize(
    ("counts", "setting", "said"),
    [
        ({"rep/none": FOUR["rep/none"][:2], GAME: FOUR[GAME]}, "rep/none", "from 2 player(s)"),
        (
            {"rep/none": [(5, 10)] * 4, GAME: FOUR[GAME]},
            "rep/none",
            "no correlation with games: the differences between players are no larger than chance",
        ),
        (
            {"rep/none": FOUR["rep/none"], GAME: [(0, 1)] * 3 + [(1, 1)]},
            "rep/none",
            "0 player-season(s) with two attempts or more in both",
        ),
    ],
)
def test_what_cannot_be_read_is_said_and_left_blank(counts, setting, said):
    found = first_reading(cells_of(counts))
    row = found.table.set_index("setting").loc[setting]
    assert math.isnan(row["correlation"])
    assert said in row["note"]
    assert said in found.text


def test_games_alone_have_no_correlation():
    found = first_reading(cells_of({GAME: FOUR[GAME]}))
    assert found.table["setting"].tolist() == [GAME]
    assert "by moments" not in found.text
