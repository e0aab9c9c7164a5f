"""The reading: figures, words by the rule, no causal words, plain language."""

from __future__ import annotations

import dataclasses
import json
import re

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_posterior
from invented_fits import for_verdict, make_cells, one_factor, passed

from transfer.errors import ArgumentError, DiagnosticsError
from transfer.models.composition import compose
from transfer.models.population_prior import draw_population
from transfer.models.posterior import PopulationDraws, TransferPosterior
from transfer.models.priors import TransferPriors
from transfer.provenance import Provenance
from transfer.reading import plain as short
from transfer.reading.design import Design, players_for
from transfer.reading.reading import read_transfer
from transfer.reading.sections import verdict_rows
from transfer.results import plain

MODES = ("rep", "live")
PRIOR = draw_population(2, TransferPriors().for_verdict(), 4000, 1)

#: Words that would say that practice does something to game shooting.
CAUSAL = re.compile(
    r"\b(build|improv|better|worse|cause|causal|effect|because|due to|lead to|leads to|develop|"
    r"boost|gain|raise|increase|impact|teach|makes? (him|players|them)|works? best|help|grow|"
    r"result in|results in|thanks to|transfer[s ]|pay off|pays off)",
    re.IGNORECASE,
)


def reading_of(omega, players=40, attempts=None, prior=PRIOR, settings=MODES, **kwargs):
    """Reading from given correlation draws of rep, live and games, all else plain."""
    draws, width = omega.shape[:2]
    rng = np.random.default_rng(1)
    n = np.tile(attempts or [400] * (width - 1) + [70], (players, 1))
    y = rng.binomial(n, 0.5)
    cells = make_cells(settings, n, y)
    population = PopulationDraws(
        np.zeros((draws, width)), np.full((draws, width), 0.4), np.asarray(omega)
    )
    posterior = TransferPosterior(
        settings=tuple(settings),
        modes=tuple(settings),
        units=cells.units,
        population=population,
        prior=prior,
        theta=np.zeros((draws, players, width)),
        diagnostics=kwargs.pop("diagnostics", passed()),
        provenance=Provenance(7, cells.data_hash),
        cells=cells,
    )
    return read_transfer(for_verdict(posterior), **kwargs)


def factor_draws(rep, live, spread, draws=3000, seed=2):
    """Correlation draws whose live and rep loadings scatter around given ones."""
    rng = np.random.default_rng(seed)
    centre = np.arctanh([rep, live, 0.97])
    return np.stack([one_factor(np.tanh(z)) for z in centre + spread * rng.normal(size=(draws, 3))])


CASES = {
    "cannot_tell": PRIOR.omega,
    "leaning": factor_draws(0.60, 0.84, 0.26),
    "unclear": factor_draws(0.79, 0.86, 0.18),
    "ahead": factor_draws(0.35, 0.90, 0.12),
    "practically_equal": factor_draws(0.885, 0.90, 0.02),
}


#: A season that cannot tell is one of a few players.
PLAYERS = dict.fromkeys(CASES, 80) | {"cannot_tell": 13}


@pytest.fixture(scope="module")
def readings():
    found = {word: reading_of(omega, players=PLAYERS[word]) for word, omega in CASES.items()}
    swapped = reading_of(factor_draws(0.92, 0.30, 0.12))
    alone = factor_draws(0.6, 0.8, 0.2)[:, 1:, 1:]
    one_prior = draw_population(1, TransferPriors().for_verdict(), 2000, 3)
    one_rep = reading_of(alone, prior=one_prior, settings=("rep",))
    one_live = reading_of(alone, prior=one_prior, settings=("live",))
    by_rho = reading_of(CASES["ahead"], contrast="rho")
    return found | {"rep": swapped, "rep only": one_rep, "live only": one_live, "rho": by_rho}


@pytest.mark.parametrize("expected", list(CASES))
def test_every_verdict_is_reached(readings, expected):
    assert readings[expected].verdict.verdict == expected


OPENINGS = {
    "cannot_tell": "These records cannot tell whether live or rep numbers tell more about games.",
    "leaning": "A lean towards live numbers telling more about games than rep numbers",
    "unclear": "Whether live or rep numbers tell more about games is still open",
    "ahead": "Live numbers tell more about games than rep numbers",
    "practically_equal": "Live and rep numbers tell practically equally much about games",
    "rep": "Rep numbers tell more about games than live numbers",
    "rep only": "Only rep shooting was charted",
    "live only": "Only live shooting was charted",
}


@pytest.mark.parametrize("case", list(OPENINGS))
def test_first_words_follow_the_verdict(readings, case):
    assert readings[case].text.startswith(OPENINGS[case])


CASE_NAMES = [*OPENINGS, "rho"]


@pytest.mark.parametrize("case", CASE_NAMES)
def test_no_causal_word_for_any_verdict(readings, case):
    assert CAUSAL.findall(readings[case].text) == []


def test_the_causal_net_catches_what_it_should():
    for sentence in ("live work builds game shooting", "reps improve games", "it makes him better"):
        assert CAUSAL.search(sentence)


@pytest.mark.parametrize("case", CASE_NAMES)
def test_plain_language(readings, case):
    text = readings[case].text
    sentences = [s for s in re.split(r"(?<=[.)]) (?=[A-Z(])", text) if s]
    assert max(len(s.split()) for s in sentences) <= 50
    for jargon in (
        "posterior",
        "prior",
        "logit",
        "omega",
        "contraction",
        "ROPE",
        "MCMC",
        "credible",
        "covariance",
        "significant",
    ):
        assert jargon not in text
    assert not re.search(r"\d\.\d{3}|nan|inf\b|None|  ", text)


@pytest.mark.parametrize("case", list(CASES))
def test_text_carries_what_every_verdict_must(readings, case):
    reading = readings[case]
    verdict, text = reading.verdict, reading.text
    mean, low, high = (
        round(100 * v) for v in (verdict.mean, verdict.interval.low, verdict.interval.high)
    )
    assert (
        f"live minus rep is {mean} points of R², 90% equal-tailed interval {low} to {high}" in text
    )
    assert "share of the differences between players' true game shooting" in text
    assert f"before these records it was {100 * verdict.prior_probability:.0f}%" in text
    players = PLAYERS[case]
    assert (
        f"{400 * players:,} rep and {400 * players:,} live practice attempts and "
        f"{70 * players:,} game attempts of {players} players" in text
    )
    assert "was chosen, not assigned" in text
    assert "Bayes factor" in text
    assert "uncertainty" not in text
    assert ("accounts for about" in text) == (case != "cannot_tell")
    assert "Next: " in text


def test_ahead_by_little_is_called_little():
    reading = reading_of(factor_draws(0.87, 0.90, 0.02))
    assert reading.verdict.verdict == "ahead"
    assert "It may be too small to matter." in reading.text
    assert "too small" not in reading_of(CASES["ahead"]).text


def test_cannot_tell_is_not_called_equality(readings):
    assert "not evidence that they tell equally much" in readings["cannot_tell"].text
    assert readings["cannot_tell"].verdict.favours is None


@pytest.mark.parametrize(("case", "missing"), [("rep only", "live"), ("live only", "rep")])
def test_one_mode_has_no_contrast_and_says_what_to_chart(readings, case, missing):
    reading = readings[case]
    data = reading.to_dict()
    assert data["contrast"] is None
    assert data["verdict"] is None
    assert data["favours"] is None
    assert f"Chart {missing} shooting as well" in reading.text
    assert reading.next_step.action == "chart_mode"
    assert reading.next_step.setting == missing
    assert set(reading.r2["quantity"]) == {"all", "rep" if missing == "live" else "live"}


def test_figures_are_those_of_the_draws(readings):
    reading = readings["ahead"]
    parts = compose(
        PopulationDraws(np.zeros((3000, 3)), np.full((3000, 3), 0.4), CASES["ahead"]), MODES, MODES
    )
    np.testing.assert_allclose(reading.contrast_draws, parts.r2_live - parts.r2_rep)
    row = reading.table.set_index("setting").loc["live"]
    assert row["rho_mean"] == pytest.approx(parts.rho[:, 1].mean())
    assert row["rho_low"] == pytest.approx(np.quantile(parts.rho[:, 1], 0.05))
    assert row["prior_rho_mean"] == pytest.approx(PRIOR.omega[:, 1, 2].mean())
    assert row["attempts"] == 32_000
    assert row["players"] == 80
    live = reading.r2.set_index("quantity").loc["live"]
    assert live["mean"] == pytest.approx(parts.r2_live.mean())


def test_json_object_has_the_promised_keys(readings):
    data = json.loads(json.dumps(plain(readings["ahead"]), allow_nan=False))
    assert data["question"] == "reading"
    assert set(data["contrast"]) == {"mean", "sd", "interval"}
    assert {"prob", "kind", "low", "high"} <= set(data["contrast"]["interval"])
    for key in (
        "probability",
        "prior_probability",
        "contraction",
        "rope",
        "probability_in_rope",
        "bayes_factor",
        "moved",
        "text",
        "provenance",
    ):
        assert data[key] is not None
    assert data["verdict"] == "ahead"
    assert data["favours"] == "live"
    assert set(data["settings"][0]) >= {"setting", "attempts", "players", "rho"}
    assert set(data["settings"][0]["rho"]) == {"mean", "low", "high"}
    assert set(data["diagnostics"]) >= {
        "rhat_max",
        "ess_bulk_min",
        "ess_tail_min",
        "divergences",
        "passed",
    }


def test_no_verdict_from_a_fit_that_failed():
    failed = dataclasses.replace(passed(), passed=False, failures=("R-hat of rho is 1.30",))
    with pytest.raises(DiagnosticsError, match=r"R-hat of rho is 1\.30"):
        reading_of(CASES["ahead"], diagnostics=failed)


def test_other_cells_are_refused():
    reading = reading_of(CASES["ahead"])
    few = make_cells(MODES, np.full((2, 3), 10), np.full((2, 3), 5))
    with pytest.raises(ArgumentError, match="the fit holds 3 players"):
        TransferPosterior(
            MODES,
            MODES,
            tuple(f"U{i}" for i in range(3)),
            PopulationDraws(np.zeros((10, 3)), np.ones((10, 3)), CASES["ahead"][:10]),
            PRIOR,
            np.zeros((10, 3, 3)),
            passed(),
            reading.provenance,
            few,
        )


def test_next_step_asks_for_the_players_of_the_table(readings):
    small = readings["cannot_tell"]
    assert small.design.leaning < 0.5
    needed = players_for(0.8, small.design)
    step = small.next_step
    if needed is None:
        assert "will not settle it soon" in step.text
    else:
        assert step.action == "more_players"
        assert 0 <= step.amount - (needed - 13) < 5
    assert readings["ahead"].next_step.action == "repeat"


def test_more_players_and_attempts_never_tell_less():
    wanted = [players_for(0.5, Design(14, 0.99, game, 0.0, 1.0)) for game in (0.2, 0.4, 0.6, 0.79)]
    assert [w for w in wanted if w is not None] == sorted(
        (w for w in wanted if w is not None), reverse=True
    )
    assert wanted[-1] is not None
    assert players_for(0.9, Design(14, 0.3, 0.05, 0.0, 1.0)) is None


def test_more_of_the_same_is_not_advised_where_it_will_not_help():
    reading = reading_of(CASES["unclear"], players=20, attempts=[400, 400, 5])
    assert reading.next_step.action == "repeat"
    assert "will not settle it soon" in reading.next_step.text


WORDS = {
    "cannot_tell": "cannot tell",
    "leaning": "lean",
    "unclear": "still open",
    "practically_equal": "practically equally",
}


@pytest.mark.parametrize("case", list(CASES))
@pytest.mark.parametrize("players", [13, 80])
def test_the_three_depths_carry_one_verdict_and_one_side(case, players):
    reading = reading_of(CASES[case], players=players)
    verdict = reading.verdict
    first = re.split(r"[:.] ", reading.text)[0]
    for text in (first, short.headline(reading)):
        said = [word for word, sign in WORDS.items() if sign in text]
        assert said == ([] if verdict.verdict == "ahead" else [verdict.verdict])
        if verdict.verdict in ("leaning", "ahead"):
            lower = text.lower()
            other = "rep" if verdict.favours == "live" else "live"
            assert lower.index(verdict.favours) < lower.index(other)
    sure = " ".join(short.sure_sentences(verdict))
    assert ("says more" in sure) == (verdict.favours is None)
    rows = {name: value for name, value, _ in verdict_rows(verdict, "r2")}
    assert "Odds moved by (Bayes factor)" in rows


def test_records_that_lowered_a_favoured_side_do_not_name_it():
    high = factor_draws(0.30, 0.93, 0.12)
    prior = PopulationDraws(PRIOR.mu[:1], PRIOR.tau[:1], high)
    reading = reading_of(CASES["leaning"], players=80, prior=prior)
    assert reading.verdict.moved == "rep"
    assert reading.verdict.favours is None
    for text in (reading.text, " ".join(short.sure_sentences(reading.verdict))):
        assert "live numbers tell more than" not in text
        assert "that live make rates" not in text
    assert "made that side less likely" in reading.text
    assert reading.to_dict()["moved"] == "rep"
    assert reading.to_dict()["bayes_factor"] < 1


def test_next_step_asks_for_attempts_where_rates_are_noise():
    reading = reading_of(CASES["leaning"], attempts=[400, 12, 70])
    assert reading.next_step.action == "more_attempts"
    assert reading.next_step.setting == "live"
    # reliability .7 at tau .4, p .5: n = .7 / .3 / (.16 * .25) = 58.3, rounded up to tens
    assert reading.next_step.amount == 60


def test_only_a_fit_made_for_the_verdict_judges_and_only_of_the_same_counts():
    cells = invented_cells(6)
    by_setting = invented_posterior(cells)
    judging = invented_posterior(cells, purpose="verdict")
    with pytest.raises(ArgumentError, match="purpose='forecast'"):
        read_transfer(by_setting)
    with pytest.raises(ArgumentError, match='purpose="verdict" as well'):
        read_transfer(judging, judging)
    with pytest.raises(ArgumentError, match="different counts"):
        read_transfer(judging, invented_posterior(invented_cells(6, seed=6)))


def test_the_fit_by_setting_changes_the_table_and_nothing_else():
    cells = invented_cells(8, settings=("rep/none", "rep/light", "live/trailing"))
    judging = invented_posterior(cells, purpose="verdict")
    alone, both = read_transfer(judging), read_transfer(judging, invented_posterior(cells))
    assert list(alone.table["setting"]) == ["rep", "live"]
    assert list(both.table["setting"]) == list(cells.settings)
    assert both.text == alone.text
    without = {"settings"}
    assert {k: v for k, v in both.to_dict().items() if k not in without} == {
        k: v for k, v in alone.to_dict().items() if k not in without
    }


def test_seasons_of_one_player_are_told_as_one_player():
    cells = invented_cells(6)
    again = cells.table.assign(
        season="2026-27", unit=cells.table["unit"].str.replace("2025-26", "2026-27")
    )
    table = pd.concat([cells.table, again], ignore_index=True)
    two = dataclasses.replace(cells, table=table, units=tuple(sorted(table["unit"].unique())))
    reading = read_transfer(invented_posterior(two, purpose="verdict"))
    assert (reading.players, reading.player_seasons, reading.design.players) == (6, 12, 6)
    assert "game attempts of 6 players in 12 player-seasons." in reading.text
    once = read_transfer(invented_posterior(cells, purpose="verdict"))
    assert reading.design.game > once.design.game


def test_sessions_that_vary_make_the_design_smaller():
    fit = invented_posterior(invented_cells(6), purpose="verdict")
    noted = {**fit.provenance.settings, "design_effects": {"game": 2.0}}
    fewer = dataclasses.replace(fit, provenance=dataclasses.replace(fit.provenance, settings=noted))
    plain_design, less = read_transfer(fit).design, read_transfer(fewer).design
    assert less.game < plain_design.game
    assert less.practice == plain_design.practice
