"""Leaving a player out by weights against doing it exactly."""

from __future__ import annotations

import dataclasses
import time

import numpy as np
import pytest
from invented_fits import (
    SETTINGS,
    counts,
    for_verdict,
    known_population,
    make_cells,
    one_factor,
    passed,
    tilted_prior,
    truth,
)
from scipy.special import expit

from transfer.errors import ArgumentError
from transfer.forecast.forecast import forecast_games
from transfer.forecast.leave_out import (
    leave_player_out_weights,
    practice_only_forecast,
    score_leave_player_out,
    with_refits,
)
from transfer.forecast.rolling_origin import score_rolling_origin
from transfer.forecast.scoring import HeldOut
from transfer.models.alignment import count_cells, game_mix, game_offsets
from transfer.models.integrate import condition_on_practice
from transfer.models.posterior import PopulationDraws, TransferPosterior
from transfer.provenance import Provenance
from transfer.reading.reading import read_transfer

OMEGA = one_factor([0.8, 0.85, 0.9, 0.9])
TAU = np.array([0.5, 0.45, 0.5, 0.3])
MU = np.array([0.4, 0.2, -0.1, -0.4])


def data(players=10, seed=41, n=(300, 150, 80, 70)):
    rng = np.random.default_rng(seed)
    theta = truth(OMEGA, TAU, MU, players, rng)
    attempts = np.tile(n, (players, 1))
    return theta, attempts, counts(theta, attempts, rng)


def games_alone(n, y):
    """The exact posterior of the same games without practice."""
    return known_population(
        (), MU[-1:], TAU[-1:], np.ones((1, 1)), n[:, -1:], y[:, -1:], draws=500
    )[0]


def test_weights_agree_with_never_having_seen_the_games():
    _, n, y = data()
    posterior, _ = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=4000)
    blind, _ = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=4000, use_games=False, seed=2)
    forecast = practice_only_forecast(leave_player_out_weights(posterior), seed=3)
    exact = expit(blind.theta[:, :, -1])
    np.testing.assert_allclose(forecast.mean, exact.mean(axis=0), atol=0.006)
    weights = np.exp(forecast.log_weights)
    sd = np.sqrt(np.sum(weights * (forecast.rates - forecast.mean) ** 2, axis=0))
    np.testing.assert_allclose(sd, exact.std(axis=0), rtol=0.08)
    seen = expit(posterior.theta[:, :, -1]).mean(axis=0)
    assert np.max(np.abs(seen - exact.mean(axis=0))) > 0.015  # the games did say something


def importance_posterior(n, y, population, rng, leave_out=None):
    """Exact joint importance sample of an uncertain population, one game cell left out."""
    sigma = population.tau[:, :, None] * population.omega * population.tau[:, None, :]
    theta, total = [], np.zeros(len(sigma))
    for p in range(n.shape[0]):
        seen = n[p].astype(float).copy()
        made = y[p].astype(float).copy()
        if p == leave_out:
            seen[-1] = made[-1] = 0.0
        drawn, log_weights = condition_on_practice(population.mu, sigma, seen, made, rng)
        theta.append(drawn)
        total += log_weights
    weights = np.exp(total - total.max())
    return np.stack(theta, axis=1), weights / weights.sum()


def test_weights_agree_with_refits_when_the_population_is_uncertain():
    rng = np.random.default_rng(44)
    count = 40_000
    n = np.tile([120, 60], (4, 1))
    y = np.array([[80, 38], [66, 24], [58, 22], [75, 21]])
    rho = np.tanh(rng.normal(0.55, 0.4, count))
    prior = PopulationDraws(
        np.column_stack([rng.normal(0.4, 0.15, count), rng.normal(-0.4, 0.2, count)]),
        rng.uniform([0.15, 0.1], [0.5, 0.4], (count, 2)),
        np.stack([np.ones(count), rho, rho, np.ones(count)], axis=1).reshape(count, 2, 2),
    )
    theta, weights = importance_posterior(n, y, prior, rng)
    pick = rng.choice(count, 4000, p=weights)
    cells = make_cells(("rep",), n, y)
    posterior = TransferPosterior(
        ("rep",),
        ("rep",),
        cells.units,
        PopulationDraws(prior.mu[pick], prior.tau[pick], prior.omega[pick]),
        prior,
        theta[pick],
        passed(),
        Provenance(1, cells.data_hash),
        cells,
    )
    left_out = leave_player_out_weights(posterior)
    assert np.all(left_out.khat < 0.7)
    forecast = practice_only_forecast(left_out, seed=5)
    for p in range(4):
        other, other_weights = importance_posterior(n, y, prior, rng, leave_out=p)
        exact = np.sum(other_weights * expit(other[:, p, -1]))
        assert forecast.mean[p] == pytest.approx(exact, abs=0.008)


def test_players_with_bad_weights_are_listed():
    _, n, y = data(players=6)
    y = y.copy()
    n[2], y[2, 3] = [300, 150, 80, 400], 395  # practice like everybody, games like nobody
    posterior, _ = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=2000, spread=0.15, seed=6)
    left_out = leave_player_out_weights(posterior)
    assert posterior.units[2] in left_out.refit
    alone = games_alone(n, y)
    scores = score_leave_player_out(posterior, games=alone)
    assert posterior.units[2] in scores.untrusted
    assert "Not to be quoted yet" in scores.text
    weighted = practice_only_forecast(left_out, seed=1)
    without = n.copy()
    without[2, 3] = 0
    refit, _ = known_population(
        SETTINGS, MU, TAU, OMEGA, without, np.minimum(y, without), draws=1500
    )
    exact = with_refits(weighted, left_out, {posterior.units[2]: refit})
    want = expit(refit.theta[:, 2, -1])
    assert exact.mean[2] == pytest.approx(want.mean(), abs=0.002)
    np.testing.assert_allclose(np.delete(exact.mean, 2), np.delete(weighted.mean, 2))
    assert posterior.units[2] not in exact.untrusted
    mended = score_leave_player_out(posterior, refits={posterior.units[2]: refit}, games=alone)
    rows = mended.by_player.set_index(["forecast", "unit"])
    assert rows.loc[("practice_only", posterior.units[2]), "rate"] == pytest.approx(
        want.mean(), abs=0.002
    )
    with pytest.raises(ArgumentError, match="not in the forecast"):
        with_refits(weighted, left_out, {"Z": refit})


def test_leave_one_out_scores_compare_with_and_without_practice():
    _, n, y = data(players=60, seed=46, n=(400, 400, 300, 120))
    posterior, _ = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=1000)
    found = score_leave_player_out(posterior, seed=7, games=games_alone(n, y))
    table = found.table.set_index("forecast")
    assert list(table.index) == ["raw", "pooled", "game_only", "practice_only"]
    # rho is .72 to .81 and the practice counts are large: practice must tell here
    assert table.loc["practice_only", "log_score"] > table.loc["pooled", "log_score"]
    assert found.worth["with_practice"] == "practice_only"
    assert found.worth["log_score"] > 2 * found.worth["se"]
    assert "Charting practice is worth +" in found.text
    # practice rates are higher than game rates: taken as they are they forecast badly
    assert table["log_score"].idxmin() == "raw"


def test_rolling_origin_scores_all_five():
    theta, n, y = data(players=50, seed=47, n=(400, 400, 300, 40))
    posterior, _ = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=1000)
    rng = np.random.default_rng(8)
    late_n = np.full(50, 100)
    late = HeldOut(posterior.units, late_n, rng.binomial(late_n, expit(theta[:, -1])))
    late = HeldOut((*late.units, "Z"), np.append(late.n, 5), np.append(late.y, 2))
    found = score_rolling_origin(posterior, late, seed=9, games=games_alone(n, y))
    table = found.table.set_index("forecast")
    assert list(table.index) == ["raw", "pooled", "game_only", "practice_only", "both"]
    assert set(table["players"]) == {50}
    assert "1 player-seasons without earlier records left out" in found.text
    assert table["log_score"].idxmax() == "both"
    assert table.loc["game_only", "log_score"] > table.loc["raw", "log_score"]
    assert found.worth["with_practice"] == "both"


def test_game_cells_by_contest_and_distance_carry_their_terms():
    _, n, y = data(players=3)
    posterior, cells = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=50)
    split = cells.table.assign(contest="", distance_ft=8.0)
    extra = split[split["setting"] == "game"].head(2).assign(contest="front", n=10, y=3)
    extra["distance_ft"] = 11.0
    split.loc[split["setting"] == "game", "contest"] = "light"
    table = type(split)(np.vstack([split, extra]), columns=split.columns).infer_objects()
    table = table.astype({"n": int, "y": int, "distance_ft": float})
    cells = dataclasses.replace(cells, table=table)
    slope, steps = np.full((50, 4), -0.04), np.tile([0.0, -0.5], (50, 1))
    with_terms = dataclasses.replace(
        posterior,
        cells=cells,
        terms={"beta_distance": slope, "beta_contest": steps},
        labels={"contests": ("light", "front")},
    )
    attempts, _, offset = game_offsets(with_terms)
    assert attempts.tolist() == [[70, 10], [70, 10], [70, 0]]
    np.testing.assert_allclose(offset[:, :2, 1], -0.5 - 0.04 * 3)
    np.testing.assert_allclose(offset[:, :, 0], 0.0)
    assert count_cells(with_terms).game_n.tolist() == [80, 80, 70]
    mix = game_mix(with_terms)
    at = np.zeros((50, 3))
    want = (20 * expit(-0.5 - 0.12) + 210 * expit(0.0)) / 230  # as charted: 20 of 230 in front
    np.testing.assert_allclose(mix.rates(at), want)
    np.testing.assert_allclose(
        forecast_games(with_terms).table["mean"],
        mix.rates(with_terms.theta[:, :, -1]).mean(axis=0),
    )
    assert "mix of charted game distances and contest levels" in forecast_games(with_terms).text
    blank = cells.table.assign(contest=cells.table["contest"].replace("front", ""))
    uncharted = dataclasses.replace(with_terms, cells=dataclasses.replace(cells, table=blank))
    _, _, at_reference = game_offsets(uncharted)
    np.testing.assert_allclose(at_reference[:, :2, 1], -0.04 * 3)
    with pytest.raises(ArgumentError, match="contest level"):
        game_offsets(dataclasses.replace(with_terms, labels={"contests": ("light",)}))


def test_program_effects_are_no_player_deviation():
    _, n, y = data(players=4)
    posterior, _ = known_population(
        SETTINGS, MU, TAU, OMEGA, n, y, draws=500, programs=["A", "A", "B", "B"]
    )
    effect = np.zeros((500, 2, 4))
    effect[:, 1] = [0.3, 0.3, 0.3, -0.2]
    moved = dataclasses.replace(
        posterior,
        theta=posterior.theta + effect[:, [0, 0, 1, 1]],
        terms={"program_effect": effect},
        labels={"programs": ("A", "B")},
    )
    base = leave_player_out_weights(posterior).conditional_mean
    found = leave_player_out_weights(moved).conditional_mean
    np.testing.assert_allclose(found - base, np.tile([0, 0, -0.2, -0.2], (500, 1)), atol=1e-12)


def test_too_few_players_to_leave_one_out():
    _, n, y = data(players=2)
    posterior, _ = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=100)
    with pytest.raises(ArgumentError, match="2 players have game attempts"):
        score_leave_player_out(posterior)


def test_games_alone_are_not_fitted_under_other_assumptions():
    _, n, y = data(players=4)
    posterior, _ = known_population(SETTINGS, MU, TAU, OMEGA, n, y, draws=100)
    with pytest.raises(ArgumentError, match="does not tell its starting assumptions"):
        score_leave_player_out(posterior)


def test_twelve_programs_take_seconds():
    rng = np.random.default_rng(48)
    n = np.tile([300, 150, 80, 70], (168, 1))
    cells = make_cells(SETTINGS, n, rng.binomial(n, 0.45))
    population = tilted_prior(rng, 4000, 3)
    posterior = TransferPosterior(
        SETTINGS,
        ("rep", "rep", "live"),
        cells.units,
        population,
        population,
        population.mu[:, None, :] + 0.3 * rng.standard_normal((4000, 168, 4)),
        passed(),
        Provenance(1, cells.data_hash),
        cells,
    )
    start = time.process_time()
    leave_player_out_weights(posterior)
    assert time.process_time() - start < 10  # about 1.5 s alone on one core


def test_games_alone_are_forecast_and_scored_too():
    _, n, y = data(players=8)
    posterior, _ = known_population(
        (), MU[-1:], TAU[-1:], np.ones((1, 1)), n[:, -1:], y[:, -1:], draws=500
    )
    table = forecast_games(posterior).table
    assert table["attempts_practice"].tolist() == [0] * 8
    late = HeldOut(posterior.units, np.full(8, 30), np.full(8, 12))
    scored = score_rolling_origin(posterior, late).table.set_index("forecast")
    # without practice, the fitted model is the game-only forecast and nothing prices practice
    assert list(scored.index) == ["raw", "pooled", "game_only"]
    assert scored["log_score"].idxmax() != "raw"
    with pytest.raises(ArgumentError, match="no setting"):
        read_transfer(for_verdict(posterior))
