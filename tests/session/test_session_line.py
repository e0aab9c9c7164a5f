"""The floor: groups, lines, who shoots and defends how often, who meets whom, who stands."""

from collections import Counter
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from transfer.records.geometry import spot
from transfer.session.drills import DRILLS
from transfer.session.floor import MOST, idle_share, split_floor, working
from transfer.session.line import line_order
from transfer.session.pace import BASKET, DrillPace, drill_paces, line_shots
from transfer.session.plan import plan_session

DRILL = {drill.name: drill for drill in DRILLS}


def codes(count):
    return [f"P{i:02d}" for i in range(1, count + 1)]


@cache
def planned(count, baskets, minutes, seed, rep=None):
    """A session; `rep` is a measured pace of repetitions."""
    rates = None if rep is None else {"rep": rep}
    return plan_session(codes(count), baskets, minutes, seed, rates=rates)


SIZES = {
    "count": st.integers(6, 20),
    "baskets": st.integers(1, 4),
    "minutes": st.integers(20, 60),
    "seed": st.integers(0, 10_000),
    "rep": st.sampled_from([None, 0.3, 9.0]),
}


def every_property(count, baskets, minutes, seed, rep):
    plan = planned(count, baskets, minutes, seed, rep)
    groups_stay_and_are_even(plan)
    minutes_add_up(plan)
    everybody_shoots_and_defends_equally(plan)
    at_most_half_stand(plan)
    no_basket_is_faster_than_it_can_be(plan)
    match_ups_come_back_as_late_as_they_can(plan)
    calls_fit_their_drill(plan)
    targets_are_playable(plan)


@settings(max_examples=30, deadline=None)
@given(**SIZES)
def test_a_session_runs(count, baskets, minutes, seed, rep):
    every_property(count, baskets, minutes, seed, rep)


@pytest.mark.slow  # 200 seeds over all sizes: minutes
@pytest.mark.parametrize("seed", range(200))
def test_a_session_runs_in_200_seeds(seed):
    rng = np.random.default_rng(seed)
    count, baskets = int(rng.integers(6, 21)), int(rng.integers(1, 5))
    every_property(count, baskets, int(rng.integers(20, 61)), seed, [None, 0.3, 9.0][seed % 3])


def groups_stay_and_are_even(plan):
    held = [p for group in plan.floor.places.values() for p in group]
    assert sorted(held) == sorted(plan.players)
    low, high = plan.floor.sizes
    assert high - low <= 1
    for (_, squad, basket), order in plan.lines.items():
        assert set(order) == set(plan.floor.places[squad, basket])


def minutes_add_up(plan):
    blocks, floor = plan.blocks, plan.floor
    assert (blocks["minutes"] + blocks["pause"]).sum() == floor.squad_minutes
    assert floor.squads * floor.squad_minutes + floor.squads - 1 <= plan.minutes
    assert (blocks["pause"].iloc[:-1] >= 1).all()
    if floor.squad_minutes >= 30:
        assert (blocks["pause"] == 2).sum() == 1
    if floor.squad_minutes >= 20:
        assert len(blocks) in (4, 5)
    assert blocks["contest"].iloc[-1] == ""


def everybody_shoots_and_defends_equally(plan):
    """Whole rounds: exactly equal in a group, the bound that no plan can beat."""
    for _, rows in plan.reps.groupby(["block", "squad", "basket"]):
        group = plan.floor.places[rows["squad"].iloc[0], rows["basket"].iloc[0]]
        drill = DRILL[plan.blocks.set_index("block").loc[rows["block"].iloc[0], "drill"]]
        shots = Counter(rows["shooter"])
        assert set(shots) == set(group)
        assert len(set(shots.values())) == 1
        defends = Counter([*rows["defender"], *rows["second_defender"]])
        del defends[""]
        if drill.defenders:
            assert set(defends) == set(group)
            assert set(defends.values()) == {drill.defenders * shots[group[0]]}
        else:
            assert not defends
        for role in ("rebounder", "passer"):
            assert set(rows[role]) <= {*group, ""}
        assert (rows["rebounder"] != "").all()
        workers = rows[["shooter", "defender", "second_defender"]].to_numpy()
        for row in workers:
            present = [p for p in row if p]
            assert len(set(present)) == len(present)


def at_most_half_stand(plan):
    sizes = [len(group) for group in plan.floor.places.values()]
    for row in plan.blocks.itertuples():
        drill = DRILL[row.drill]
        assert row.idle == max(1 - working(drill, n) / n for n in sizes)
        assert row.idle <= 0.5
    for row in plan.reps.itertuples():
        named = {row.shooter, row.defender, row.second_defender, row.helper, row.rebounder,
                 row.passer} - {""}  # fmt: skip
        size = len(plan.floor.places[row.squad, row.basket])
        drill = DRILL[plan.blocks["drill"].iloc[row.block - 1]]
        on_the_way = drill.mode == "rep" and size > len(named)
        assert len(named) + on_the_way == working(drill, size)


def no_basket_is_faster_than_it_can_be(plan):
    counts = plan.reps.groupby(["block", "squad", "basket"]).size()
    blocks = plan.blocks.set_index("block")
    for (block, _, _), shots in counts.items():
        most = BASKET[blocks.loc[block, "mode"]] * blocks.loc[block, "minutes"]
        assert shots <= most + 1e-9
    assert (blocks["attempts"] <= blocks["minutes"] * 9.0).all()


def match_ups_come_back_as_late_as_they_can(plan):
    """Five in a line: no two meet twice in two blocks; four: not in the same roles."""
    blocks = plan.blocks.set_index("block")
    for (squad, basket), group in plan.floor.places.items():
        facing = []
        for (number, s, b), order in plan.lines.items():
            if (s, b) == (squad, basket) and DRILL[blocks.loc[number, "drill"]].defenders == 1:
                facing.append({(p, order[at - 1]) for at, p in enumerate(order)})
        for one, two in pairwise(facing):
            if len(group) >= 3:
                assert not one & two
            if len(group) >= 5:
                assert not {frozenset(pair) for pair in one} & {frozenset(pair) for pair in two}


def calls_fit_their_drill(plan):
    for block, calls in plan.calls.groupby("block"):
        drill = DRILL[plan.blocks["drill"].iloc[block - 1]]
        assert set(calls["entry"]) <= set(drill.entries)
        for name in calls["spot"]:
            assert (name == "") == (drill.ending == "ladder")
            assert name == "" or name in drill.spots
        for name in drill.spots:
            assert 4.0 <= spot(name).distance_ft <= 14.0
            assert spot(f"left_{name}").side == "left"  # a middle spot would contradict the side
        for trait in ("hand", "footwork", "entry", "spot", "side"):
            counts = Counter(calls[trait])
            assert max(counts.values()) - min(counts.values()) <= 1
    for (block, _, _, _), rows in plan.reps.groupby(["block", "squad", "basket", "shooter"]):
        sides = rows["side"].tolist()
        assert set(sides) <= {"left", "right"}
        if DRILL[plan.blocks["drill"].iloc[block - 1]].alternate:
            assert all(a != b for a, b in pairwise(sides))


def targets_are_playable(plan):
    blocks = plan.blocks.set_index("block")
    for block, found in plan.targets.items():
        assert 1 <= found.race.target <= 15
        assert found.race.probability >= 0.8
        assert found.race.minutes * found.sets == pytest.approx(blocks.loc[block, "minutes"])
        shots = plan.reps[plan.reps["block"] == block].groupby(["squad", "basket"]).size().max()
        assert max(found.race.goals.values()) <= shots // found.sets


@pytest.mark.parametrize(("size", "blocks"), [(3, 2), (4, 2), (5, 4), (6, 3), (7, 4), (8, 4)])
def test_no_match_up_returns_while_an_order_without_it_is_left(size, blocks):
    """A directed line of n has n - 1 orders without a common pair, but 2 for n = 4, 4 for 6.

    (Decompositions of the complete directed graph into circles: from memory, Tillson 1980.) The
    orders are taken one after the other, so that six players are asked for three of their four.
    """
    rng, met = np.random.default_rng(5), Counter()
    for _ in range(blocks):
        order = line_order(codes(size), 1, met, {}, rng)
        met.update((p, order[at - 1]) for at, p in enumerate(order))
    assert set(met.values()) == {1}


def test_close_ratings_meet_first():
    level = dict(zip(codes(6), [-0.5, -0.4, -0.3, 0.3, 0.4, 0.5], strict=True))
    order = line_order(codes(6), 1, Counter(), level, np.random.default_rng(1))
    gap = sum(abs(level[p] - level[order[at - 1]]) for at, p in enumerate(order))
    assert gap == pytest.approx(2.0)  # up the scale and down again: twice its range
    assert set(order) == set(level)


def test_against_two_everybody_trails_and_protects_the_rim_as_often_as_he_shoots():
    plan = plan_session(codes(10), 2, 40, 3, settings=["live/front_and_trailing"], live_share=1.0)
    block = plan.blocks.loc[plan.blocks["contest"] == "front_and_trailing", "block"].item()
    rows = plan.reps[plan.reps["block"] == block]
    for role in ("shooter", "defender", "second_defender"):
        assert set(Counter(rows[role]).values()) == {len(rows) // 10}


@pytest.mark.parametrize(
    ("count", "baskets", "minutes", "squads", "used"),
    [(14, 2, 40, 1, 2), (8, 1, 40, 1, 1), (9, 1, 40, 2, 1), (20, 1, 20, 3, 1), (20, 1, 60, 3, 1),
     (20, 4, 60, 1, 4), (24, 2, 60, 2, 2), (12, 4, 40, 1, 3), (6, 4, 40, 1, 2), (3, 2, 40, 1, 1)],
)  # fmt: skip
def test_squads_and_baskets(count, baskets, minutes, squads, used):
    floor = split_floor(codes(count), baskets, minutes, 1)
    assert (floor.squads, floor.used) == (squads, used)
    assert floor.sizes[1] <= MOST
    text = planned(count, baskets, minutes, 1).headline
    assert ("squads" in text) == (squads > 1)
    assert ("not needed" in text) == (used < baskets)


def test_too_many_for_the_time_are_not_refused_and_the_line_is_named():
    plan = plan_session(codes(60), 1, 20, 1)
    assert plan.floor.wanted == 8
    assert plan.floor.squads == 3
    assert plan.floor.sizes == (20, 20)
    assert "of 20 stand in line; more baskets or minutes would change that" in plan.headline
    assert plan.blocks["idle"].max() > 0.5


def test_pace_is_the_smaller_of_player_and_basket_whatever_its_source():
    for rates, source in ((None, "assumed"), ({"rep": 9.0}, "stated"), ({"rep": 0.5}, "stated")):
        for size in (1, 2, 5, 8):
            pace = drill_paces(DRILLS, [size], rates)["transition_sides", size]
            own = 5.0 if rates is None else rates["rep"]
            assert pace.rate == min(own, 10.0 / size)
            assert pace.capped == (own > 10.0 / size)
            assert pace.source == source


@given(pace=st.floats(0.05, 5), size=st.integers(2, 30), minutes=st.integers(2, 20))
def test_reps_are_whole_rounds_and_no_more_than_pace_and_basket_allow(pace, size, minutes):
    drill = DRILL["screen_drop_live"]
    shots = line_shots(drill, DrillPace(min(pace, 4 / size), "stated", False), size, minutes)
    assert shots <= 4 * minutes
    assert shots <= max(size, pace * size * minutes + 1e-6)
    assert shots % size == 0 or shots == 4 * minutes < size


def test_standing_is_counted_from_who_works():
    live = DRILL["screen_drop_live"]
    assert [working(live, n) for n in (2, 3, 4, 8)] == [2, 3, 4, 4]
    assert idle_share(live, 8) == 0.5
    assert working(DRILL["drive_and_rim_live"], 8) == 5
    assert working(DRILL["closeout_hand_up"], 8) == 5
    assert working(DRILL["kick_and_drive_live"], 8) == 8
