"""Design calculator: against algebra, against textbook sample sizes, against own simulations."""

from __future__ import annotations

import math
import time
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from growth_trials_precision import (
    EARLIER_SE,
    EARLIER_SE_LIVE,
    close_to,
    inferred_se,
)
from statsmodels.stats.power import normal_sample_size_one_tail

from transfer.errors import ArgumentError
from transfer.models.growth_laplace import planned_information
from transfer.models.growth_settings import GrowthSettings
from transfer.rates.exposure import response
from transfer.simulation.schedules import Crossover, Observational, Parallel
from transfer.trial.design import (
    DesignPrecision,
    Scenario,
    default_designs,
    design_grid,
    design_se,
    plan_se,
    planned_season,
    precision_of,
)
from transfer.trial.plan import make_plan

#: Make rate of the season behind the tabled standard errors: 40 % without practice, plus both
#: gains at their prior mean in a typical week.
TABLED = Scenario(game_rate=0.45)

# Flat-prior standard errors of live minus rep for one team-season, own simulation, printed to two
# decimals. They come from other code than this package's.
REPRODUCED = [
    ("one swap 65/35", Crossover(13, 0.65), {2: 0.36, 4: 0.48, 8: 0.78}),
    ("one swap 80/20", Crossover(13, 0.80), {2: 0.17, 4: 0.23, 8: 0.38}),
    ("one swap 90/10", Crossover(13, 0.90), {2: 0.13, 4: 0.17, 8: 0.29}),
    ("6-week blocks 80/20", Crossover(6, 0.80), {2: 0.25, 4: 0.39}),
    ("parallel 80/20", Parallel(0.80), {2: 0.22, 4: 0.24, 8: 0.29}),
    ("chosen, noise .5", Observational(week_noise=0.5), {2: 1.02, 4: 1.59}),
]
NOT_REPRODUCED = [
    ("2-week blocks 80/20", Crossover(2, 0.80), {2: 0.42, 4: 0.74, 8: 1.34}),
    ("4-week blocks 65/35", Crossover(4, 0.65), {2: 0.60, 4: 0.99, 8: 1.73}),
    ("4-week blocks 80/20", Crossover(4, 0.80), {2: 0.30, 4: 0.50, 8: 0.90}),
    ("4-week blocks 90/10", Crossover(4, 0.90), {2: 0.22, 4: 0.38, 8: 0.69}),
    ("6-week blocks 80/20", Crossover(6, 0.80), {8: 0.65}),
    ("chosen, noise .2", Observational(week_noise=0.2), {2: 1.92, 4: 2.83, 8: 4.01}),
    ("chosen, noise .5", Observational(week_noise=0.5), {8: 2.53}),
]


def rows(table):
    return [
        pytest.param(schedule, half_life, printed, id=f"{label}, H={half_life}")
        for label, schedule, values in table
        for half_life, printed in values.items()
    ]


def agrees(schedule, half_life, printed) -> bool:
    """Within 5 % of the printed value, beyond its rounding of half a hundredth."""
    scenario = replace(TABLED, settings=GrowthSettings(half_life=half_life))
    return abs(design_se(schedule, scenario).se - printed) <= 0.05 * printed + 0.005


@pytest.mark.parametrize(("schedule", "half_life", "printed"), rows(REPRODUCED))
def test_own_simulation_rows_are_reproduced(schedule, half_life, printed):
    assert agrees(schedule, half_life, printed)


@pytest.mark.xfail(
    reason="tabled short-block and low-noise rows are more precise than strict alternation of "
    "constant weekly minutes allows, see reports/studies/growth-tables.md"
)
def test_some_own_simulation_row_beyond_those_is_reproduced():
    # strict: fails as soon as any of these rows comes within 5 %, so that the list stays honest
    cases = [
        (schedule, half_life, printed)
        for _, schedule, values in NOT_REPRODUCED
        for half_life, printed in values.items()
    ]
    assert any(agrees(*case) for case in cases)


@pytest.mark.parametrize(
    ("label", "half_life"),
    [
        ("4-week blocks 80/20", 2.0),
        ("4-week blocks 80/20", 4.0),
        ("4-week blocks 80/20", 8.0),
        ("2-week blocks 80/20", 4.0),
        ("4-week blocks 90/10", 8.0),
        ("mix chosen, weekly noise .2", 4.0),
        ("one swap 65/35", 4.0),
        ("parallel 80/20", 8.0),
    ],
)
def test_rows_beyond_the_plan_are_reproduced_by_the_inferred_scenario(label, half_life):
    # own simulation, details inferred from the very table: minutes and mixes that vary. All 33
    # values are in the slow studies
    schedule, earlier = EARLIER_SE[label]
    printed = earlier[(2.0, 4.0, 8.0).index(half_life)]
    assert close_to(inferred_se(schedule, half_life, draws=60), printed)


@pytest.mark.parametrize("label", ["one swap 65/35", "one swap 80/20", "one swap 90/10"])
def test_live_practice_as_the_outcome_of_one_swap_is_reproduced(label):
    # own simulation at H = 4, printed to two decimals
    schedule, _ = EARLIER_SE[label]
    scenario = replace(TABLED, player_sd=0.30)
    assert close_to(design_se(schedule, scenario, outcome="live").se, EARLIER_SE_LIVE[label])


def test_minutes_that_vary_add_information_to_short_blocks():
    plain = design_se(Crossover(2)).se
    both = design_se(Crossover(2), Scenario(minutes_noise=0.6)).se
    kinds = design_se(Crossover(2), Scenario(kind_noise=0.4)).se
    assert both < 0.9 * plain
    assert kinds < 0.9 * plain
    assert design_se(Crossover(2), Scenario(kind_noise=1e-6)).se == pytest.approx(plain, rel=1e-3)


def test_variation_that_a_whole_team_shares_tells_little():
    settings = GrowthSettings(priors=replace(GrowthSettings().priors, week_sd=100.0))
    free = Scenario(settings=settings)
    alone, shared, usual = (
        design_se(Observational(week_noise=0.5, team_part=part), scenario, draws=30).se
        for part, scenario in ((0.0, free), (0.75, free), (0.75, Scenario()))
    )
    # with free team-weeks only the quarter of the variance that is a player's own counts
    assert shared / alone == pytest.approx(2.0, rel=0.05)
    assert alone < usual < shared
    with pytest.raises(ArgumentError, match=r"team_part=1\.5"):
        design_se(Observational(team_part=1.5))


def test_limit_of_parallel_groups_is_the_textbook_two_sample_error():
    # no spread between players, no team-weeks, exposure steady from the start: the gains' contrast
    # is the difference of two binomial logits over the dose difference
    scenario = Scenario(player_sd=1e-4, settings=GrowthSettings(slopes="pooled"))
    settings = replace(
        scenario.settings, priors=replace(scenario.settings.priors, week_sd=1e-4, team_sd=1e-4)
    )
    data = planned_season(Parallel(0.8), scenario)
    steady = replace(data, start=data.minutes[:, :, 0].copy())
    information = planned_information(steady, settings, 1e-4, rate=0.4)
    contrast = np.array([-1.0, 1.0]) / 2.0
    # both gains together move all players alike, so the contrast is along (-1, 1)
    variance = 1.0 / (contrast @ information @ contrast)
    per_group = scenario.game_attempts * scenario.weeks * scenario.players / 2
    two_sample = math.sqrt(2.0 / (per_group * 0.4 * 0.6))
    step = float(response(56.0) - response(14.0))
    assert math.sqrt(variance) == pytest.approx(two_sample / step, rel=1e-3)


@pytest.mark.parametrize(("power", "alpha"), [(0.8, 0.10), (0.9, 0.05)])
def test_team_seasons_needed_equal_the_normal_sample_size(power, alpha):
    precision = design_se(Crossover(13), TABLED)
    expected = normal_sample_size_one_tail(0.15, power, alpha, std_null=precision.se)
    assert precision.teams_needed(0.15, power, alpha) == pytest.approx(expected, rel=1e-9)


def test_tabled_team_seasons():
    # own simulation: se .99 needs 195 team-seasons, .48 needs 45, .23 needs 11 (target se .071)
    for se, teams in ((0.99, 195), (0.48, 45), (0.23, 11)):
        needed = DesignPrecision(se, Scenario(), "").teams_needed()
        assert needed == pytest.approx(teams, rel=0.05)


def test_precision_grows_with_the_root_of_teams():
    one, four = (design_se(Crossover(13), Scenario(teams=n)).se for n in (1, 4))
    assert one / four == pytest.approx(2.0, rel=0.02)


def test_long_blocks_and_strong_contrast_beat_short_and_weak():
    se = {label: design_se(s).se for label, s in default_designs().items()}
    assert se["one swap after 13 weeks, 80/20"] < 0.5 * se["4-week blocks, 80/20"]
    assert se["4-week blocks, 80/20"] < se["2-week blocks, 80/20"]
    assert se["one swap after 13 weeks, 90/10"] < se["one swap after 13 weeks, 65/35"]
    assert se["mix chosen, share varies .5 logit a week"] > 1.0


def test_same_mix_for_everyone_has_infinite_error():
    precision = design_se(Observational(week_noise=1e-9))
    assert math.isinf(precision.se)
    assert precision.contraction == 1.0
    assert "cannot tell live from rep practice at any size" in precision.text


def test_fifty_designs_in_a_second():
    spent = []
    for _ in range(3):
        begin = time.process_time()
        table = design_grid()
        spent.append(time.process_time() - begin)
    assert min(spent) < 1.0
    assert len(table) >= 50
    assert set(table["half_life"]) == {2.0, 4.0, 8.0}


def roster(players: int = 14) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "player": [f"P{i:02d}" for i in range(players)],
            "program": "C01",
            "position": ["guard", "big"] * (players // 2),
            "baseline": np.linspace(0.3, 0.5, players),
        }
    )


def test_plan_has_the_error_of_its_design():
    plan = make_plan(roster(), weeks=26, start="2026-11-02", seed=3)
    assert plan_se(plan).se == pytest.approx(design_se(Crossover(13, 0.8)).se, rel=0.03)
    parallel = make_plan(roster(), weeks=26, start="2026-11-02", seed=3, design="parallel")
    assert plan_se(parallel).se == pytest.approx(design_se(Parallel(0.8)).se, rel=0.03)


def test_a_break_in_the_plan_costs_precision():
    whole = make_plan(roster(), weeks=26, start="2026-11-02", seed=3)
    broken = make_plan(
        roster(), weeks=26, start="2026-11-02", seed=3, breaks=[("2026-12-21", "2027-01-17")]
    )
    assert plan_se(broken).se > plan_se(whole).se


@pytest.mark.parametrize(("outcome", "kind"), [("rep", 0), ("live", 1)])
def test_practice_outcome_is_the_same_algebra_with_practice_attempts(outcome, kind):
    scenario = Scenario(player_sd=0.3)
    data = planned_season(Crossover(6), scenario)
    attempts = scenario.practice_rates[kind] * data.minutes[kind]
    as_games = replace(data, n=attempts)
    assert precision_of(data, scenario, outcome) == pytest.approx(precision_of(as_games, scenario))
    se = design_se(Crossover(6), scenario, outcome=outcome)
    assert se.se == pytest.approx(precision_of(as_games, scenario) ** -0.5)
    assert se.se < 0.5 * design_se(Crossover(6), scenario).se
    assert se.to_dict()["outcome"] == outcome
    assert f"makes in {outcome} practice and says nothing about games" in se.text


def test_games_are_the_default_outcome_and_say_nothing_of_practice():
    assert "says nothing about games" not in design_se(Crossover(13)).text
    assert set(design_grid({"one swap": Crossover(13)})["outcome"]) == {"game"}
    live = design_grid({"one swap": Crossover(13)}, outcome="live")
    assert set(live["outcome"]) == {"live"}
    with pytest.raises(ArgumentError, match="outcome='games'"):
        design_se(Crossover(13), outcome="games")  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="practice_rates"):
        Scenario(practice_rates=(4.0, 0.0))


def test_impossible_scenarios_are_refused():
    with pytest.raises(ArgumentError, match=r"game_rate=1\.5"):
        Scenario(game_rate=1.5)
    with pytest.raises(ArgumentError, match="players=1"):
        Scenario(players=1)


def test_sentence_names_error_share_and_team_seasons():
    precision = design_se(Crossover(13), label="One swap")
    assert f"{precision.se:.2f} logits" in precision.text
    assert f"{math.ceil(precision.teams_needed())} team-seasons" in precision.text
