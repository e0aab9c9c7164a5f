"""Mix: two solvers and HiGHS agree, limits are named, the rule for the trial holds."""

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize

from transfer.errors import ArgumentError, InfeasibleError
from transfer.mix import choose as mix_module
from transfer.mix.choose import advise_mix
from transfer.mix.limits import MixLimits, clashing, limit_rows
from transfer.mix.solve import solve_slsqp
from transfer.provenance import Provenance
from transfer.rates.exposure import response
from transfer.results import plain

PROVENANCE = Provenance(1, "none", {})
CURRENT = {"rep/none": 30.0, "rep/light": 15.0, "live/trailing": 15.0, "live/front": 10.0}
RATES = {"rep/none": 5.0, "rep/light": 4.0, "live/trailing": 1.0, "live/front": 0.8}
PRIOR = np.random.default_rng(0).normal(0.10, 0.15, (4000, 2))
WIDE = {"explore": True, "floors": {"rep": 5.0, "live": 5.0}}


def draws(mean, sd=0.05, count=4000, seed=2):
    return np.random.default_rng(seed).normal(mean, sd, (count, 2))


def advise(growth, limits, **options):
    return advise_mix(growth, PRIOR, CURRENT, RATES, limits, 0.40, PROVENANCE, **options)


@pytest.mark.parametrize(
    "mean", [(0.10, 0.10), (0.10, 0.16), (0.20, 0.12), (0.05, 0.25), (0.2, -0.1)]
)
@pytest.mark.parametrize("limits", [MixLimits(70, **WIDE), MixLimits(70), MixLimits(60, **WIDE)])
def test_scan_and_scaled_slsqp_agree(mean, limits):
    growth = draws(mean)
    advice = advise(growth, limits)
    other = advice.problem.totals @ solve_slsqp(advice.problem, growth.mean(axis=0))
    assert advice.problem.totals @ advice.best == pytest.approx(other, abs=0.5)


def test_interior_optimum_meets_its_closed_form():
    # d/dx of g log(M0 + r^h M + (1 - r^h) x) equal for both modes, h = 8 and H = 4: r^h = 1/4.
    growth = draws((0.10, 0.14))
    g = growth.mean(axis=0)
    limits = MixLimits(70, **WIDE)
    advice = advise(growth, limits)
    carried, share = 35.0 + 0.25 * np.array([45.0, 25.0]), 0.75
    total = carried.sum() + share * 70.0
    live = (total * g[1] / g.sum() - carried[1]) / share
    assert not advice.at_bound
    assert (advice.problem.totals @ advice.best)[1] == pytest.approx(live, abs=0.05)


def test_linear_shape_equals_highs():
    growth = draws((0.10, 0.20))
    limits = MixLimits(
        80,
        explore=True,
        floors={"rep/none": 4},
        caps={"live/front": 12},
        attempts_cap=200,
        spend_all=False,
    )
    advice = advise(growth, limits, shape="linear")
    problem, mean = advice.problem, growth.mean(axis=0)
    value = 0.75 * (mean / 35.0) @ problem.totals
    matrix = np.array([row.coefficients for row in problem.limits])
    high = np.array([row.high for row in problem.limits])
    found = optimize.linprog(
        -value,
        A_ub=matrix[np.isfinite(high)],
        b_ub=high[np.isfinite(high)],
        bounds=[(4, None), (0, None), (0, None), (0, None)],
    )
    total = (advice.gain + advice.added_gain).mean()
    assert total == pytest.approx(-found.fun - value @ problem.current, abs=2e-4)
    assert (matrix @ advice.best <= high + 1e-3).all()


def test_concave_shape_equals_piecewise_linear_highs():
    growth = draws((0.10, 0.15))
    advice = advise(growth, MixLimits(70, **WIDE))
    problem, mean = advice.problem, growth.mean(axis=0)
    knots = np.linspace(0, 70, 281)
    curve = problem.slopes(np.column_stack([knots, knots])) * mean
    cost = -np.diff(curve, axis=0).T.ravel()  # segments of 0.25 min, rep then live
    equal = np.ones((1, cost.size))
    floor = np.kron(-np.eye(2), np.ones(280))
    found = optimize.linprog(
        cost / 0.25, A_ub=floor, b_ub=[-5, -5], A_eq=equal, b_eq=[70], bounds=(0, 0.25)
    )
    minutes = found.x.reshape(2, 280).sum(axis=1)
    assert problem.totals @ advice.best == pytest.approx(minutes, abs=0.5)
    assert advice.gain.mean() == pytest.approx(curve[0].sum() - found.fun, abs=1e-5)


def test_four_thousand_draws_take_less_than_a_second():
    growth = draws((0.10, 0.15))
    spent = []
    for _ in range(3):
        began = time.perf_counter()
        advise(growth, MixLimits(70), trial_se=0.2)
        spent.append(time.perf_counter() - began)
    assert min(spent) < 1.0


def test_gain_is_the_change_of_response_over_eight_weeks():
    growth = draws((0.10, 0.30))
    advice = advise(growth, MixLimits(70), assigned=True)
    now, best = np.array([45.0, 25.0]), np.array([30.0, 40.0])
    by_hand = growth @ (response(0.25 * now + 0.75 * best) - response(now))
    assert advice.problem.totals @ advice.best == pytest.approx(best)
    assert advice.gain == pytest.approx(by_hand)
    assert advice.makes_per_100 == pytest.approx(advice.gain_points.mean())
    assert advice.beats_current == pytest.approx((by_hand > 0).mean())
    assert advice.advice == "change the mix"
    assert advice.at_bound
    assert any(name.startswith("range") for name in advice.bounds)
    assert "Change to 30 rep and 40 live minutes" in advice.text


def test_without_a_lot_no_change_is_ever_advised():
    growth = draws((0.0, 0.5), sd=0.01)
    assert advise(growth, MixLimits(70), assigned=True).advice == "change the mix"
    chosen = advise(growth, MixLimits(70))
    assert chosen.advice == "run the trial"
    assert "Change to" not in chosen.text
    assert "would bring" not in chosen.text
    assert "only a lot can tell" in chosen.text


def test_added_minutes_are_no_gain_of_the_mix():
    growth = draws((0.20, 0.20), sd=0.02)
    same, more = advise(growth, MixLimits(70)), advise(growth, MixLimits(85))
    assert same.added_minutes == pytest.approx(0.0)
    assert "minutes a week, which with the present split" not in same.text
    assert more.added_minutes == pytest.approx(15.0)
    before, after = np.array([45.0, 25.0]), np.array([45.0, 25.0]) * 85 / 70
    by_hand = growth @ (response(0.25 * before + 0.75 * after) - response(before))
    assert more.added_gain == pytest.approx(by_hand)
    assert more.gain.mean() < by_hand.mean()
    assert "The limits also ask for +15 minutes a week" in more.text


def test_the_bound_is_said_at_the_number():
    advice = advise(draws((0.10, 0.30)), MixLimits(70), assigned=True)
    said = "30 rep and 40 live minutes a week (the bound decides this number, not the data: range"
    assert said in advice.text


def test_prior_draws_send_the_coach_to_the_trial():
    advice = advise(PRIOR.copy(), MixLimits(70), trial_se=0.17)
    assert advice.contraction == pytest.approx(1.0)
    assert advice.advice == "run the trial"
    assert advice.text.startswith("Keep what you do (45 rep and 25 live minutes a week a player)")
    assert 0 < advice.evsi < advice.evpi
    assert "chosen, not assigned" in advice.text
    assert "chosen, not assigned" not in advise(PRIOR.copy(), MixLimits(70), assigned=True).text


def test_information_worth_more_than_the_gain_means_trial():
    growth = draws((0.10, 0.12), sd=0.10)
    advice = advise(growth, MixLimits(70, **WIDE), assigned=True)
    assert advice.contraction < 0.85
    assert advice.evpi > advice.gain.mean()
    assert advice.advice == "run the trial"
    assert "worth more than the expected gain" in advice.text


def test_no_move_is_proposed_for_nothing():
    advice = advise(np.full((10, 2), 1e-15), MixLimits(70), assigned=True)
    assert not advice.moved
    assert np.isnan(advice.beats_current)
    assert plain(advice.to_dict())["probability_beats_current"] is None
    assert advice.advice == "keep the mix"


@pytest.mark.parametrize(
    ("limits", "named"),
    [
        (
            MixLimits(70, floors={"live": 50}, live_minutes_cap=30),
            ["floor of live", "live-minute cap"],
        ),
        (
            MixLimits(70, floors={"rep/none": 40}, caps={"rep": 35}),
            ["floor of rep/none", "cap of rep"],
        ),
        (MixLimits(70, weekly_hours=1, other_minutes=30), ["budget 70", "weekly hours 1 h"]),
        (MixLimits(120), ["budget 120", "rep 30-60", "live 10-40"]),
        (MixLimits(70, attempts_cap=20, explore=True), ["budget 70", "attempts cap 20"]),
        (MixLimits(70, weekly_hours=1, other_minutes=90), ["weekly hours 1 h less 90 min"]),
    ],
)
def test_clashing_limits_are_named_before_any_optimisation(limits, named, monkeypatch):
    monkeypatch.setattr(mix_module, "candidates", lambda problem: pytest.fail("optimised anyway"))
    with pytest.raises(InfeasibleError) as caught:
        advise(draws((0.1, 0.1)), limits)
    listed = caught.value.message.split(": ", 1)[1].split("; ")
    assert len(listed) == len(named)
    for name in named:
        assert any(name in line for line in listed)


@settings(max_examples=25, deadline=None)
@given(
    budget=st.floats(10, 120),
    hours=st.floats(0.2, 3),
    floor=st.floats(0, 60),
    cap=st.floats(0, 60),
    attempts=st.floats(10, 500),
)
def test_clash_is_irreducible_and_absent_exactly_when_a_week_exists(
    budget, hours, floor, cap, attempts
):
    limits = MixLimits(
        budget,
        weekly_hours=hours,
        floors={"rep": floor},
        live_minutes_cap=cap,
        attempts_cap=attempts,
        explore=True,
    )
    names = tuple(CURRENT)
    rates = {s: mix_module._as_rate(s, RATES) for s in names}
    rows = limit_rows(limits, names, np.array(list(CURRENT.values())), rates)
    clash = clashing(rows, len(names))
    for row in clash:
        rest = [r for r in clash if r is not row]
        assert not rest or not clashing(rest, len(names))
    if not clash:
        advice = advise(draws((0.1, 0.15), count=50), limits)
        for row in rows:
            used = row.coefficients @ advice.best
            assert row.low - 1e-3 <= used <= row.high + 1e-3


def test_sensitivity_walks_shapes_and_half_lives_and_says_whether_refitted():
    growth = draws((0.10, 0.14))
    alone = advise(growth, MixLimits(70, **WIDE)).sensitivity
    assert len(alone) == 9
    assert alone["refitted"].sum() == 1
    asked = []

    def refit(shape, half_life):
        asked.append((shape, half_life))
        return growth * [[1.0, 3.0]]

    again = advise(growth, MixLimits(70, **WIDE), refit=refit).sensitivity
    assert len(asked) == 8
    assert again["refitted"].all()
    other = again[(again["shape"] == "log1p") & (again["half_life_weeks"] == 2.0)]
    assert other["live_minutes"].item() == pytest.approx(65.0)


@pytest.mark.parametrize(
    "change",
    [
        {"growth": np.zeros((10, 3))},
        {"growth": np.full((10, 2), np.nan)},
        {"game_rate": 1.0},
        {"rates": {"rep/none": 5.0}},
        {"current": {"shooting": 30.0}},
    ],
)
def test_bad_arguments_are_refused(change):
    arguments = {
        "growth": draws((0.1, 0.1)),
        "prior": PRIOR,
        "current": CURRENT,
        "rates": RATES,
        "limits": MixLimits(70),
        "game_rate": 0.4,
        "provenance": PROVENANCE,
        **change,
    }
    with pytest.raises(ArgumentError):
        advise_mix(**arguments)


def test_limits_refuse_nonsense():
    with pytest.raises(ArgumentError, match="budget"):
        MixLimits(0.0)
    with pytest.raises(ArgumentError, match="floor of rep"):
        MixLimits(70, floors={"rep": -1})
    with pytest.raises(ArgumentError, match="a limit names 'liv'"):
        advise(draws((0.1, 0.1)), MixLimits(70, caps={"liv": 3}))
