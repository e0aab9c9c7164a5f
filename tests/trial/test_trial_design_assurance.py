"""Assurance, the until-we-know table, looks and estimands."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from transfer.errors import ArgumentError
from transfer.models.growth_data import growth_data_from_season
from transfer.models.growth_laplace import fit_growth_laplace, gain_mixture
from transfer.models.growth_settings import GrowthPriors, GrowthSettings
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, PlannedBlocks, keeps_one_mix
from transfer.trial.assurance import (
    assurance,
    invent_seasons,
    rope_logits,
    until_we_know,
    verdict_chances,
)
from transfer.trial.design import Scenario, plan_se
from transfer.trial.effects import (
    effect_of,
    growth_effects,
    mix_contrast,
    per_attempt,
    points,
    shift_minutes,
)
from transfer.trial.looks import price_of_looks, schedule_of_plan
from transfer.trial.plan import make_plan
from transfer.verdict import judge

SETTINGS = GrowthSettings()


@pytest.fixture(scope="module")
def three_teams():
    return assurance(
        Crossover(13), Scenario(teams=3), label="one swap after 13 weeks", seasons=120, seed=3
    )


def test_chances_add_to_one_and_carry_their_error(three_teams):
    table = three_teams.table
    assert table["chance"].sum() == pytest.approx(1.0)
    assert (table["monte_carlo_se"] <= 0.5 / np.sqrt(120)).all()
    assert set(table["seasons"]) == {120}


def test_same_seed_same_seasons_whatever_the_batch():
    scenario = Scenario()
    whole, delta = invent_seasons(Crossover(13), scenario, "prior", range(4), seed=9)
    part, part_delta = invent_seasons(Crossover(13), scenario, "prior", range(2, 4), seed=9)
    np.testing.assert_array_equal(delta[2:], part_delta)
    np.testing.assert_array_equal(whole[3].y, part[1].y)


def test_posterior_is_calibrated_over_the_prior(three_teams):
    z = (three_teams.delta - three_teams.estimate) / three_teams.sd
    covered = np.mean(np.abs(z) < 1.6449)
    # 90 % interval, 120 seasons: Monte Carlo s.e. 2.7 points
    assert abs(covered - 0.90) < 3 * 0.027
    assert abs(z.mean()) < 3 / np.sqrt(120)


def test_normal_approximation_agrees_with_simulation(three_teams):
    curve = until_we_know(Crossover(13), weeks=[26], team_seasons=[3]).table.iloc[0]
    for row in three_teams.table.itertuples():
        spread = max(np.sqrt(curve[row.verdict] * (1 - curve[row.verdict]) / 120), 0.01)
        assert abs(row.chance - curve[row.verdict]) < 3 * spread + 0.03, row.verdict


def test_one_team_with_short_blocks_will_not_know():
    result = assurance(Crossover(4), label="4-week blocks", seasons=30, seed=1)
    assert result.text.startswith(
        "With one team and 4-week blocks you will almost surely still not know"
    )
    assert result.chance_of_knowing == 0.0
    assert result.to_dict()["chances"]["cannot_tell"] > 0.8


def test_until_we_know_improves_with_weeks_and_teams():
    curve = until_we_know(Crossover(13), team_seasons=(1, 3, 12))
    wide = curve.table.pivot(index="weeks", columns="team_seasons", values="contraction")
    assert (np.diff(wide.to_numpy(), axis=0) <= 1e-9).all()
    assert (np.diff(wide.to_numpy(), axis=1) <= 1e-9).all()
    columns = ["cannot_tell", "leaning", "unclear", "ahead", "practically_equal"]
    np.testing.assert_allclose(curve.table[columns].sum(axis=1), 1.0)
    assert "almost surely still not know" in curve.text


def test_wrong_ahead_share_of_the_rule():
    # with no true difference the posterior z is N(0, 1 - c^2): P(|z| > 1.96) at c = .5 is .024
    rng = np.random.default_rng(1)
    se = 1.0 / np.sqrt(3.0)  # contraction .5 with prior sd 1
    estimate = rng.normal(0.0, se, 200_000)
    z = estimate * (1 - 0.25) / 0.5
    assert (np.abs(z) > 1.959964).mean() == pytest.approx(0.024, abs=0.002)
    chances = verdict_chances(se, 1.0, (-0.01, 0.01))
    assert chances["ahead"] > 0.1
    assert sum(chances.values()) == pytest.approx(1.0)


def test_wide_rope_is_practically_equal_and_infinite_error_cannot_tell():
    assert verdict_chances(0.02, 0.2, (-1.0, 1.0))["practically_equal"] == 1.0
    assert verdict_chances(float("inf"), 0.2, (-0.1, 0.1))["cannot_tell"] == 1.0


def test_looks_are_cumulative_and_no_difference_is_rarely_called():
    price = price_of_looks(
        Crossover(13), [18, 26], Scenario(teams=5, players=12), seasons=30, seed=2
    )
    table = price.table.set_index(["truth", "look"])
    for truth in ("prior", "no difference"):
        first, last = table.loc[(truth, 1)], table.loc[(truth, 2)]
        assert last["stopped"] >= first["stopped"]
        assert last["wrong_ahead"] >= first["wrong_ahead"]
    none = table.loc[("no difference", 2)]
    assert none["wrong_ahead"] < 0.045 + 3 * np.sqrt(0.045 * 0.955 / 30)
    assert table.loc[("prior", 2)]["ahead"] > none["ahead"]
    assert "week 18, 26" in price.text
    assert price.to_dict()["looks"] == [18, 26]


def test_look_outside_the_season_is_refused():
    with pytest.raises(ArgumentError, match="30"):
        price_of_looks(Crossover(13), [13, 30])


BREAKS = [("2026-12-21", "2027-01-17")]


def broken_plan(**changes):
    import pandas as pd

    people = pd.DataFrame(
        {"player": [f"P{i:02d}" for i in range(14)], "position": "guard", "baseline": range(14)}
    )
    return make_plan(people, weeks=26, start="2026-11-02", seed=1, breaks=BREAKS, **changes)


def test_plan_gives_its_calendar_with_breaks():
    plan = broken_plan()
    schedule = schedule_of_plan(plan)
    assert isinstance(schedule, PlannedBlocks)
    assert [week + 1 for week, block in enumerate(schedule.blocks) if block < 0] == [8, 9, 10, 11]
    assert list(schedule.blocks) == list(plan.calendar["block"])
    assert not keeps_one_mix(schedule)
    assert keeps_one_mix(schedule_of_plan(broken_plan(design="parallel")))


def test_an_uneven_season_swaps_once_as_its_plan_does():
    plan = broken_plan(block_weeks=8)  # 22 practice weeks: 8 before the swap, 14 after it
    season = simulate_growth(GrowthTruth(), schedule_of_plan(plan), 3)
    on = plan.calendar["block"].to_numpy() >= 0
    swaps = np.diff(season.arm[:, on], axis=1) != 0
    assert (swaps.sum(axis=1) == 1).all()
    assert swaps[:, 7].all()


def test_simulated_breaks_have_neither_practice_nor_games_and_the_dose_fades():
    season = simulate_growth(GrowthTruth(), schedule_of_plan(broken_plan()), 3)
    off = slice(7, 11)
    assert not season.minutes[:, :, off].any()
    assert not season.attempts[:, :, off].any()
    assert not season.arm[:, off].any()
    assert season.minutes[:, :, 11:].all()
    assert (season.attempts[0].sum(axis=0)[11:] > 0).all()
    # four weeks off halve the exposure at a half-life of four weeks
    np.testing.assert_allclose(season.exposure[:, :, 11], season.exposure[:, :, 7] / 2.0)


def test_assurance_and_looks_follow_the_calendar_of_the_plan():
    plan = broken_plan()
    scenario = Scenario(teams=1, players=14, weeks=26)
    schedule = schedule_of_plan(plan)
    broken = assurance(schedule, scenario, seasons=20, seed=4)
    whole = assurance(Crossover(13), scenario, seasons=20, seed=4)
    # mean posterior sd is the normal theory one of the plan as drawn
    assert broken.sd.mean() > whole.sd.mean()
    planned = plan_se(plan, scenario)
    assert broken.sd.mean() / scenario.prior_sd == pytest.approx(planned.contraction, rel=0.03)
    curve = until_we_know(schedule, scenario, weeks=[26], team_seasons=[1]).table.iloc[0]
    assert curve["se"] == pytest.approx(planned.se, rel=0.01)
    price = price_of_looks(schedule, [18, 26], scenario, seasons=6, seed=2)
    assert list(price.table["week"].unique()) == [18, 26]


def test_missed_weeks_are_in_the_simulation_and_cost_what_the_theory_says():
    plan = broken_plan()
    scenario = Scenario(missed=0.2)
    data, _ = invent_seasons(schedule_of_plan(plan), scenario, "prior", range(8), seed=4)
    absent = np.array([(season.minutes.sum(axis=0) == 0)[:, :7].mean() for season in data])
    # 8 seasons of 98 player-weeks before the break: standard error .014
    assert absent.mean() == pytest.approx(0.2, abs=0.045)
    for season in data:
        assert not season.n[season.minutes.sum(axis=0) == 0].any()
    planned, full = plan_se(plan, scenario), plan_se(plan)
    assert planned.se > full.se
    fitted = gain_mixture(data, SETTINGS.flat()).contrast()[1].mean()
    assert fitted == pytest.approx(planned.se, rel=0.1)
    with pytest.raises(ArgumentError, match=r"missed=1\.0"):
        Scenario(missed=1.0)


def test_calendar_of_another_length_is_refused():
    with pytest.raises(ArgumentError, match="a season of 22 weeks with a calendar of 26"):
        assurance(schedule_of_plan(broken_plan()), Scenario(weeks=22), seasons=2)


def test_unknown_truth_and_one_sided_rope_are_refused():
    with pytest.raises(ArgumentError, match="truth='maybe'"):
        assurance(Crossover(13), truth="maybe", seasons=2)  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="rope_points"):
        rope_logits((0.5, 1.0), 0.4)


def test_eight_weeks_are_three_quarters_of_a_linear_steady_state():
    # 1 - 2 ** (-8 / 4) of the way; a concave response is further along
    linear = GrowthSettings(shape="linear")
    gains = np.array([0.10, 0.25])
    for settings, share, tolerance in ((linear, 0.75, 1e-9), (SETTINGS, 0.785, 0.005)):
        after = shift_minutes(settings, (35.0, 35.0), 10.0)
        steady = shift_minutes(settings, (35.0, 35.0), 10.0, weeks=4000)
        reached = (gains @ after.weights) / (gains @ steady.weights)
        assert reached == pytest.approx(share, abs=tolerance)


def test_mix_contrast_is_even_between_the_kinds():
    estimand = mix_contrast(SETTINGS)
    assert estimand.weights[0] == pytest.approx(-estimand.weights[1])
    assert estimand.weights[1] > 0
    assert "80/20" in estimand.wording


def test_even_per_minute_prior_is_not_even_per_attempt():
    # own simulation: prior P(live better per attempt) = .69 at 4 and 1 attempts a minute
    c = np.array(per_attempt(SETTINGS, (35.0, 35.0), (4.0, 1.0)).weights)
    prior = GrowthPriors().draw_gains(200_000, seed=4)
    assert (prior @ c > 0).mean() == pytest.approx(0.69, abs=0.01)
    even = np.array(mix_contrast(SETTINGS).weights)
    assert (prior @ even > 0).mean() == pytest.approx(0.50, abs=0.01)


def test_points_near_forty_percent():
    # .15 logit near 40 % is about 3.5 points
    assert points(np.array([0.15]), 0.40)[0] == pytest.approx(3.6, abs=0.1)


def test_effects_of_a_fit_carry_both_probabilities():
    season = simulate_growth(GrowthTruth(teams=3, gain_live=0.5), Crossover(13), 4)
    fit = fit_growth_laplace(growth_data_from_season(season))
    effects = growth_effects(fit)
    assert set(effects) == {"mix", "shift", "attempt"}
    assert effects["mix"].prior_probability == pytest.approx(0.5, abs=0.03)
    assert effects["attempt"].prior_probability > 0.6
    assert effects["mix"].probability > 0.8
    assert "it started at" in effects["shift"].text
    assert "no adjustment" not in effects["mix"].text
    chosen = replace(fit, data=replace(fit.data, randomised=False))
    assert "no adjustment" in growth_effects(chosen)["mix"].text
    verdict = judge(effects["mix"].draws, effects["mix"].prior_draws, (-1.0, 1.0))
    assert verdict.favours == "live"


def test_flat_prior_fit_still_states_a_prior_probability():
    data = growth_data_from_season(simulate_growth(GrowthTruth(teams=2), Crossover(13), 4))
    fit = fit_growth_laplace(data, SETTINGS.flat())
    assert fit.prior_gains is None
    effect = effect_of(fit, mix_contrast(fit.settings))
    assert effect.prior_probability == pytest.approx(0.5, abs=0.03)


def test_impossible_estimands_are_refused():
    with pytest.raises(ArgumentError, match="to move"):
        shift_minutes(SETTINGS, (5.0, 35.0), 10.0)
    with pytest.raises(ArgumentError, match="attempts per minute"):
        per_attempt(SETTINGS, (35.0, 35.0), (0.0, 1.0))
    with pytest.raises(ArgumentError, match=r"contrast=0\.4"):
        mix_contrast(SETTINGS, contrast=0.4)


def test_simulated_fits_have_the_planned_error():
    scenario = Scenario(teams=2)
    data, _ = invent_seasons(Crossover(13), scenario, "no difference", range(12), seed=4)
    from transfer.trial.design import design_se

    fitted = gain_mixture(data, SETTINGS.flat()).contrast()[1].mean()
    assert fitted == pytest.approx(design_se(Crossover(13), scenario).se, rel=0.06)
