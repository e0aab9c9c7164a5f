"""The verdict rules: every word, its borders, and how often it is wrong with no difference."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from transfer.errors import ArgumentError
from transfer.verdict import judge, odds, reading_word, word

ROPE = (-0.05, 0.05)


def normal_draws(mean, sd, count=4001):
    """Quantiles of a Normal, so that shares and moments are those of the Normal."""
    return stats.norm.ppf((np.arange(count) + 0.5) / count, mean, sd)


@pytest.mark.parametrize(
    ("contraction", "probability", "in_rope", "expected"),
    [
        (0.851, 0.999, 0.0, "cannot_tell"),
        (0.85, 0.80, 0.0, "leaning"),  # .85 itself may lean
        (0.85, 0.799, 0.0, "unclear"),
        (0.601, 0.999, 0.0, "leaning"),  # not measured: never ahead
        (0.601, 0.60, 0.99, "unclear"),  # not measured: never equal
        (0.60, 0.975, 0.0, "ahead"),
        (0.60, 0.9749, 0.0, "leaning"),
        (0.60, 0.975, 0.90, "practically_equal"),  # equality is asked first
        (0.60, 0.975, 0.8999, "ahead"),
        (0.30, 0.7999, 0.10, "unclear"),
        (0.30, 0.80, 0.10, "leaning"),
    ],
)
def test_word_at_the_borders_of_the_rule(contraction, probability, in_rope, expected):
    assert word(contraction, probability, in_rope) == expected


@pytest.mark.parametrize(
    ("mean", "sd", "expected", "favours"),
    [
        (0.10, 0.24, "cannot_tell", None),
        (0.20, 0.18, "leaning", "live"),
        (-0.20, 0.18, "leaning", "rep"),
        (0.02, 0.12, "unclear", "live"),
        (-0.30, 0.10, "ahead", "rep"),
        (0.005, 0.02, "practically_equal", None),
    ],
)
def test_judge_gives_every_word_and_the_side(mean, sd, expected, favours):
    verdict = judge(normal_draws(mean, sd), normal_draws(0, 0.26), ROPE)
    assert verdict.verdict == expected
    assert verdict.favours == favours
    assert verdict.contraction == pytest.approx(sd / 0.26, rel=0.01)
    assert verdict.probability == pytest.approx(stats.norm.cdf(abs(mean) / sd), abs=0.002)
    low, high = stats.norm.ppf([0.05, 0.95], mean, sd)
    assert verdict.interval.low == pytest.approx(low, abs=0.002)
    assert verdict.interval.high == pytest.approx(high, abs=0.002)


@pytest.mark.parametrize(
    ("probability", "factor", "in_rope", "design", "expected"),
    [
        (0.999, 500.0, 0.90, 0.9, "practically_equal"),  # equality is asked first
        (0.999, 500.0, 0.899, 0.9, "ahead"),
        (0.975, 10.0, 0.0, 0.1, "ahead"),  # strong records speak in a small design, too
        (0.9749, 10.0, 0.0, 0.9, "leaning"),
        (0.975, 9.99, 0.0, 0.9, "leaning"),
        (0.90, 3.0, 0.0, 0.1, "leaning"),
        (0.8999, 3.0, 0.0, 0.5, "unclear"),  # half of the seasons is enough
        (0.99, 2.99, 0.0, 0.5, "unclear"),
        (0.99, 2.99, 0.0, 0.499, "cannot_tell"),
        (0.55, 1.0, 0.89, 0.499, "cannot_tell"),
    ],
)
def test_word_of_a_reading_at_the_borders(probability, factor, in_rope, design, expected):
    assert reading_word(probability, factor, in_rope, design) == expected


share = st.floats(0.0, 1.0)
STRENGTH = {"cannot_tell": 0, "unclear": 0, "leaning": 1, "ahead": 2}


@given(st.floats(0.5, 1.0), st.floats(0.5, 1.0), st.floats(0.01, 1e4), st.floats(1.0, 10.0), share)
def test_more_evidence_never_weakens_the_word(low, high, factor, more, design):
    low, high = sorted((low, high))
    weaker = reading_word(low, factor, 0.0, design)
    stronger = reading_word(high, factor * more, 0.0, design)
    assert STRENGTH[weaker] <= STRENGTH[stronger]


@given(st.floats(-0.6, 0.6), st.floats(0.02, 0.4), st.floats(-0.5, 0.5), share)
def test_no_side_is_named_that_the_records_moved_away_from(mean, sd, start, design):
    verdict = judge(
        normal_draws(mean, sd, 401), normal_draws(start, 0.3, 401), ROPE, design_share=design
    )
    likelier = "live" if (normal_draws(mean, sd, 401) > 0).mean() >= 0.5 else "rep"
    after, before = verdict.probability, verdict.prior_probability
    if verdict.verdict in ("leaning", "ahead"):
        assert verdict.favours == verdict.moved == likelier
        assert after > before
    if verdict.favours is not None:
        assert verdict.favours == likelier
        assert verdict.moved in (likelier, None)
    assert verdict.bayes_factor == pytest.approx(odds(after, 401) / odds(before, 401))
    assert np.isfinite(verdict.bayes_factor)


def test_a_prior_that_favours_a_side_gives_no_lean_to_records_that_lowered_it():
    verdict = judge(normal_draws(0.2, 0.14), normal_draws(0.3, 0.18), ROPE, design_share=0.9)
    assert verdict.probability > 0.9
    assert verdict.prior_probability > verdict.probability
    assert (verdict.verdict, verdict.favours, verdict.moved) == ("unclear", None, "rep")


def test_prior_probability_is_of_the_same_side_as_the_posterior():
    prior = normal_draws(0.1, 0.26)  # the prior favours live
    for mean, side in ((0.2, 1), (-0.2, -1)):
        verdict = judge(normal_draws(mean, 0.1), prior, ROPE)
        assert verdict.prior_probability == pytest.approx(
            stats.norm.cdf(side * 0.1 / 0.26), abs=0.002
        )


def test_every_number_of_a_verdict_by_hand():
    # Mean .15; squared deviations .04 + .01 + .0025 + .1225; three of four draws are above zero
    # and two lie on the borders of the region, which belong to it.
    posterior = np.array([-0.05, 0.05, 0.10, 0.50])
    # Mean 0; squared deviations 1 + 1 + 4; a draw of zero is not above zero.
    prior = np.array([-1.0, 0.0, 0.0, 2.0, -1.0])
    verdict = judge(posterior, prior, ROPE, prob=0.5)
    assert verdict.mean == pytest.approx(0.15)
    assert verdict.sd == pytest.approx(np.sqrt(0.175 / 3))
    assert verdict.contraction == pytest.approx(np.sqrt(0.175 / 3) / np.sqrt(6 / 4))
    assert verdict.probability == pytest.approx(3 / 4)
    assert verdict.prior_probability == pytest.approx(1 / 5)
    assert verdict.probability_in_rope == pytest.approx(2 / 4)
    # Half a draw on each side: (3.5 / 1.5) / (1.5 / 4.5).
    assert verdict.bayes_factor == pytest.approx(7.0)
    assert verdict.moved == "live"
    # Contraction .197 and no border of the rule reached: three quarters do not lean.
    assert (verdict.verdict, verdict.favours) == ("unclear", "live")
    assert (verdict.interval.prob, verdict.interval.kind) == (0.5, "eti")
    # Quarters of four sorted draws lie a quarter of a step inside.
    assert verdict.interval.low == pytest.approx(-0.05 + 0.75 * 0.10)
    assert verdict.interval.high == pytest.approx(0.10 + 0.25 * 0.40)


def signs(above, below):
    """Draws of which so many lie above zero and so many below."""
    return np.concatenate([np.linspace(0.5, 1.5, above), -np.linspace(0.5, 1.5, below)])


@pytest.mark.parametrize(
    ("posterior", "prior", "factor", "moved"),
    [
        ((6, 5), (5, 5), 13 / 11, "live"),  # 1.18
        ((11, 10), (5, 5), 23 / 21, None),  # 1.095
        ((5, 5), (11, 10), 21 / 23, None),  # 1 / 1.095
        ((5, 5), (6, 5), 11 / 13, "rep"),  # 1 / 1.18
        ((5, 6), (5, 5), 13 / 11, "rep"),  # the favoured side is rep
        ((5, 5), (5, 5), 1.0, None),  # half and half counts as the first side
    ],
)
def test_odds_that_changed_by_less_than_a_tenth_did_not_move(posterior, prior, factor, moved):
    verdict = judge(signs(*posterior), signs(*prior), ROPE)
    assert verdict.bayes_factor == pytest.approx(factor)
    assert verdict.moved == moved


def test_half_of_the_draws_above_zero_count_for_the_first_side():
    verdict = judge(signs(5, 5), signs(3, 7), ROPE)
    assert (verdict.probability, verdict.prior_probability) == (0.5, pytest.approx(0.3))


def test_odds_with_half_a_draw_on_each_side():
    assert odds(0.75, 4) == pytest.approx(3.5 / 1.5)
    assert odds(1.0, 4000) == pytest.approx(8001.0)
    assert odds(0.0, 4000) == pytest.approx(1 / 8001)


@pytest.mark.parametrize(("rope", "inside"), [((0.0, 0.05), 0.2), ((-0.05, 0.0), 0.4)])
def test_rope_may_end_at_zero(rope, inside):
    draws = np.array([-0.04, -0.01, 0.03, 0.4, 0.5])
    assert judge(draws, normal_draws(0, 1), rope).probability_in_rope == pytest.approx(inside)


@pytest.mark.parametrize("rope", [(0.01, 0.05), (-0.05, -0.01), (0.0, 0.0)])
def test_rope_must_span_zero(rope):
    with pytest.raises(ArgumentError, match="does not span zero"):
        judge(normal_draws(0, 1), normal_draws(0, 1), rope)


def test_prior_without_spread_is_refused():
    with pytest.raises(ArgumentError, match="no spread"):
        judge(normal_draws(0, 1), np.zeros(10), ROPE)


def wrong_ahead_share(contraction: float, threshold: float) -> float:
    """Share of no-difference studies called ahead, in the Normal model.

    Prior N(0, 1); data d ~ N(0, v). Posterior sd c = sqrt(v / (1 + v)), mean d / (1 + v), so
    z = mean / sd = d c / v has variance c^2 / v = 1 - c^2.
    """
    z_sd = np.sqrt(1 - contraction**2)
    return 2 * stats.norm.sf(stats.norm.ppf(threshold) / z_sd)


@pytest.mark.parametrize(
    ("threshold", "at_half", "at_fifth"),
    [(0.90, 0.139, 0.191), (0.95, 0.0575, 0.0932), (0.975, 0.0236, 0.0454)],
)
def test_wrong_ahead_share_is_that_of_the_normal_model(threshold, at_half, at_fifth):
    # 14-19 % at .9, 6-9 % at .95, 2.4-4.5 % at .975: the reason for the threshold.
    assert wrong_ahead_share(0.5, threshold) == pytest.approx(at_half, abs=6e-4)
    assert wrong_ahead_share(0.2, threshold) == pytest.approx(at_fifth, abs=6e-4)


@pytest.mark.parametrize("contraction", [0.5, 0.2])
def test_judge_is_wrong_as_often_as_the_normal_model_says(contraction):
    rng = np.random.default_rng(20)
    studies = 1500
    v = contraction**2 / (1 - contraction**2)
    prior = normal_draws(0, 1, 1001)
    base = normal_draws(0, 1, 1001)
    no_rope = (-1e-9, 1e-9)  # leaves the equality rule out, as the Normal model does
    said = 0
    for d in rng.normal(0, np.sqrt(v), studies):
        draws = d / (1 + v) + contraction * base
        said += judge(draws, prior, no_rope).verdict == "ahead"
    exact = wrong_ahead_share(contraction, 0.975)
    tolerance = 3 * np.sqrt(exact * (1 - exact) / studies)
    assert said / studies == pytest.approx(exact, abs=tolerance)
