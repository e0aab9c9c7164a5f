"""The diagnostics gate: draws made to fail one condition alone, the one retry, the refusal.

Nothing here samples: draws are made by hand, so that the tests hold for any model. Expected values
are worked out beside them from the definitions (Vehtari, Gelman, Simpson, Carpenter and Buerkner
2021, from memory).
"""

from __future__ import annotations

import threading

import numpy as np
import pytest
from scipy.signal import lfilter

from transfer.errors import DiagnosticsError
from transfer.models import sampling
from transfer.models.alignment import require_passed
from transfer.models.posterior import Diagnostics
from transfer.models.sampling import SamplerSettings, gate, sample


def independent(chains=4, draws=1000, seed=1, size=()):
    return np.random.default_rng(seed).standard_normal((chains, draws, *size))


def autocorrelated(phi, chains=4, draws=1000, seed=2):
    """A stationary first-order process of unit variance."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((chains, draws)) * np.sqrt(1 - phi**2)
    noise[:, 0] = rng.standard_normal(chains)
    return lfilter([1.0], [1.0, -phi], noise, axis=1)


def judge(values, divergences=0):
    return gate({"x": values}, divergences, ["x"])


def only_failure(found):
    assert found.passed is False
    assert len(found.failures) == 1, found.failures
    return found.failures[0]


def test_independent_draws_pass_with_as_many_effective_draws_as_draws():
    found = judge(independent(size=(3,)))
    assert found.passed is True
    assert found.failures == ()
    assert found.retried is False
    assert found.divergences == 0
    assert 0.999 < found.rhat_max < 1.005
    # Worst of three elements; the estimate has a relative error of about a tenth.
    assert 3000 < found.ess_bulk_min < 4600
    assert 3000 < found.ess_tail_min < 4600


def test_chains_about_different_means_fail_by_rhat_alone():
    # 40 chains of 2000 draws, means with variance b = .03 about draws of variance 1:
    # R-hat = sqrt(1 + b) = 1.015 (W = 1, B / N = b), and 40 / b > 400 effective draws are left.
    means = np.repeat([-1.0, 1.0], 20) * np.sqrt(0.03 * 39 / 40)
    found = judge(independent(40, 2000) + means[:, None])
    assert only_failure(found).startswith("R-hat is 1.01")
    assert found.rhat_max == pytest.approx(np.sqrt(1.03), abs=0.002)
    assert found.ess_bulk_min > 400


def test_chains_of_different_spread_fail_by_rhat_alone():
    # Equal means, so only the folded draws tell the chains apart.
    spread = np.repeat([1.0, 1.35], 20)
    found = judge(independent(40, 2000) * spread[:, None])
    assert only_failure(found).startswith("R-hat is 1.0")
    assert found.rhat_max > 1.01


def test_slow_chains_fail_by_bulk_ess_alone():
    # Effective share of a first-order process: (1 - phi) / (1 + phi); indicators of its tails
    # forget faster than its level, so the tails keep more.
    # Few chains: R-hat of slow chains is about sqrt(1 + half-chains / effective draws).
    phi, draws = 0.96, 7000
    found = judge(autocorrelated(phi, 2, draws, seed=7))
    assert only_failure(found).startswith("bulk effective sample size is ")
    assert only_failure(found).endswith("the least allowed is 400")
    expected = 2 * draws * (1 - phi) / (1 + phi)
    assert found.ess_bulk_min == pytest.approx(expected, rel=0.25)
    assert found.ess_tail_min > 400


def test_rare_long_excursions_fail_by_tail_ess_alone():
    # Nineteen of twenty draws are independent; the lowest of each chain come 14 at a time, so
    # whether a draw is low is told by far fewer draws than where the middle lies.
    values = independent(2, seed=8).clip(-1.6, None)
    excursion = np.arange(1000) % 300 >= 286
    values[:, excursion] = -2.5 - 0.3 * np.abs(independent(2, seed=9)[:, excursion])
    found = judge(values)
    assert only_failure(found).startswith("tail effective sample size is ")
    assert found.ess_bulk_min > 400
    assert found.rhat_max < 1.01


def test_one_divergence_fails_alone():
    found = judge(independent(), divergences=1)
    assert only_failure(found) == "1 divergent transitions, none is allowed"
    assert found.divergences == 1


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_one_draw_that_is_no_number_fails_alone(bad):
    values = independent(size=(2,))
    values[2, 500, 1] = bad
    assert only_failure(judge(values)) == "x holds draws that are not finite numbers"


@pytest.mark.parametrize("still", [(3,), (0, 1)])
def test_a_chain_that_does_not_move_fails_alone(still):
    values = independent(size=(2,))
    for chain in still:
        values[chain, :, 1] = 0.1 * chain
    assert only_failure(judge(values)) == f"x does not move in {len(still)} of 4 chains"


def test_chains_that_stand_at_different_points_fail():
    # Within each chain the variance is zero, so R-hat is no number; that must not pass for one.
    values = np.repeat(np.arange(4.0)[:, None], 1000, axis=1)
    assert only_failure(judge(values)) == "x does not move in 4 of 4 chains"


def test_draws_that_never_move_fail():
    found = judge(np.full((4, 1000, 2), 0.7))
    assert only_failure(found) == "no reported quantity moves in any chain"
    assert np.isnan([found.rhat_max, found.ess_bulk_min, found.ess_tail_min]).all()


def test_elements_that_cannot_vary_are_passed_over():
    omega = np.ones((4, 1000, 2, 2))
    omega[:, :, 0, 1] = omega[:, :, 1, 0] = np.tanh(independent())
    found = gate({"omega": omega, "fixed": np.zeros((4, 1000))}, 0, ["omega", "fixed"])
    assert found.passed
    assert found.ess_bulk_min == judge(omega[:, :, 0, 1]).ess_bulk_min


def test_every_reported_element_is_judged_and_no_other():
    good = independent(size=(3, 2))
    bad = good.copy()
    bad[0, :, 2, 1] += 1.0
    assert gate({"a": good, "b": bad}, 0, ["a"]).passed
    for order in (["a", "b"], ["b", "a"]):
        found = gate({"a": good, "b": bad}, 0, order)
        alone = judge(bad[:, :, 2, 1])
        assert not found.passed
        assert (found.rhat_max, found.ess_bulk_min) == (alone.rhat_max, alone.ess_bulk_min)


def test_a_still_quantity_does_not_hide_another_that_fails():
    stuck = independent()
    stuck[1] = 0.0
    found = gate({"a": stuck, "b": autocorrelated(0.99)}, 2, ["a", "b"])
    told = " | ".join(found.failures)
    for part in ("a does not move in 1 of 4", "R-hat", "bulk", "tail", "2 divergent"):
        assert part in told


class Statistics:
    """Stand in for the library's statistics, so that a limit can be met exactly."""

    def __init__(self, rhat=1.0, bulk=1000.0, tail=1000.0):
        self.values = {"bulk": bulk, "tail": tail}
        self.r = rhat

    def rhat(self, values, **options):
        assert options == {"method": "rank", "chain_axis": 0, "draw_axis": 1}
        return np.full(values.shape[2], self.r)

    def ess(self, values, *, method, prob=None, **options):
        assert options == {"chain_axis": 0, "draw_axis": 1}
        assert prob == ((0.05, 0.95) if method == "tail" else None)
        return np.full(values.shape[2], self.values[method])


@pytest.mark.parametrize(
    ("statistics", "failure"),
    [
        ({"rhat": 1.00999}, None),
        ({"rhat": 1.01}, "R-hat is 1.010, the limit is 1.01"),
        ({"rhat": np.nan}, "R-hat is nan, the limit is 1.01"),
        ({"bulk": 400.1}, None),
        ({"bulk": 400.0}, "bulk effective sample size is 400, the least allowed is 400"),
        ({"bulk": np.nan}, "bulk effective sample size is nan, the least allowed is 400"),
        ({"tail": 400.1}, None),
        ({"tail": 400.0}, "tail effective sample size is 400, the least allowed is 400"),
        ({"tail": np.nan}, "tail effective sample size is nan, the least allowed is 400"),
    ],
)
def test_limits_are_kept_to_the_digit_and_nan_passes_none(monkeypatch, statistics, failure):
    from arviz_stats import base

    monkeypatch.setattr(base, "array_stats", Statistics(**statistics))
    found = judge(independent(size=(2,)))
    assert found.passed is (failure is None)
    assert found.failures == (() if failure is None else (failure,))


def test_movement_is_a_range_above_rounding():
    values = independent()
    values[0] = 1.0 + np.where(np.arange(1000) % 2, 1e-13, 0.0)
    assert only_failure(judge(values)).startswith("x does not move in 1 of 4")
    values[0] = 1e-11 * independent(1)[0]
    assert not any("does not move" in text for text in judge(values).failures)


def test_a_range_of_1e_12_is_rounding_to_the_digit():
    # Steps about zero, so that the range of the draws is the number that is written here.
    for size, still in ((0.9e-12, True), (1e-12, True), (1.1e-12, False)):
        values = independent()
        values[0] = np.where(np.arange(1000) % 2, size, 0.0)
        told = judge(values).failures
        assert ("x does not move in 1 of 4 chains" in told) is still
    everywhere = np.broadcast_to(np.where(np.arange(1000) % 2, 1e-12, 0.0), (4, 1000))
    assert only_failure(judge(everywhere)) == "no reported quantity moves in any chain"


def test_what_comes_after_a_quantity_that_is_no_number_is_judged_too():
    broken, stuck = independent(), independent()
    broken[0, 0], stuck[1] = np.nan, 0.0
    found = gate({"a": broken, "b": stuck}, 0, ["a", "b"])
    assert found.failures == (
        "a holds draws that are not finite numbers",
        "b does not move in 1 of 4 chains",
    )


class Sampler:
    """Stand in for the sampler library: hands out draws in turn and keeps what it was told."""

    def __init__(self, *tries):
        self.tries, self.told = list(tries), []

    def sample(self, compiled, **options):
        self.told.append((compiled, options))
        values, diverging = self.tries.pop(0)

        class Running:
            def wait(self):
                return {
                    "posterior": {"x": values, "y": values + 1.0},
                    "sample_stats": {"diverging": diverging},
                }

        return Running()


GOOD = (independent(), np.zeros((4, 1000), dtype=bool))
SHIFTED = (independent() + np.arange(4.0)[:, None], np.zeros((4, 1000), dtype=bool))


def diverged(*chains):
    flags = np.zeros((4, 1000), dtype=bool)
    flags[list(chains), 10] = True
    return independent(), flags


@pytest.fixture
def library(monkeypatch):
    import nutpie

    def put(*tries):
        stand_in = Sampler(*tries)
        monkeypatch.setattr(nutpie, "sample", stand_in.sample)
        return stand_in

    return put


def test_draws_that_pass_come_back_from_the_first_try(library):
    stand_in = library(GOOD)
    heard = []
    drawn, found = sample(
        "model", seed=5, reported=["x"], also=["y"], draws=900, tune=300, chains=3, cores=2,
        target_accept=0.85, adaptation="low_rank", on_retry=heard.append,
    )  # fmt: skip
    assert found.passed
    assert not found.retried
    assert heard == []
    assert set(drawn) == {"x", "y"}
    np.testing.assert_array_equal(drawn["y"], GOOD[0] + 1.0)
    ((compiled, told),) = stand_in.told
    assert compiled == "model"
    assert told == {
        "draws": 900, "tune": 300, "chains": 3, "cores": 2, "seed": 5, "save_warmup": False,
        "progress_bar": False, "target_accept": 0.85, "adaptation": "low_rank", "blocking": False,
    }  # fmt: skip


def test_without_options_it_samples_as_the_settings_say(library):
    stand_in = library(GOOD)
    sample("model", seed=5, reported=["x"])
    told, usual = stand_in.told[0][1], SamplerSettings()
    for name in ("draws", "tune", "chains", "target_accept", "adaptation"):
        assert told[name] == getattr(usual, name), name


def test_models_are_compiled_so_that_their_data_can_be_swapped(monkeypatch):
    import nutpie

    told = []
    monkeypatch.setattr(nutpie, "compile_pymc_model", lambda *a, **k: told.append((a, k)))
    sampling.compile_model("model")
    assert told == [(("model",), {"freeze_model": False})]


def test_no_more_cores_than_chains_are_asked_for(library):
    stand_in = library(GOOD)
    sample("model", seed=5, reported=["x"], chains=4, cores=9)
    assert stand_in.told[0][1]["cores"] == 4


def test_one_retry_with_longer_chains_and_smaller_steps(library):
    stand_in = library(diverged(1, 3), GOOD)
    heard = []
    drawn, found = sample("model", seed=5, reported=["x"], target_accept=0.9, on_retry=heard.append)
    first, second = (options for _, options in stand_in.told)
    assert (second["draws"], second["tune"]) == (2 * first["draws"], 2 * first["tune"])
    # The share of steps that may be refused falls to a fifth: .1 to .02.
    assert (first["target_accept"], second["target_accept"]) == (0.9, pytest.approx(0.98))
    assert (first["seed"], second["seed"]) == (5, 6)
    assert (first["chains"], first["adaptation"]) == (second["chains"], second["adaptation"])
    (told,) = heard
    assert told.failures == ("2 divergent transitions, none is allowed",)
    assert found.passed
    assert found.retried
    np.testing.assert_array_equal(drawn["x"], GOOD[0])


@pytest.mark.parametrize(
    ("second", "why"),
    [
        (SHIFTED, r"R-hat is \d\.\d+, the limit is 1\.01"),
        (diverged(0), "1 divergent transitions"),
    ],
)
def test_the_second_failure_refuses_and_names_what_failed(library, second, why):
    stand_in = library(SHIFTED, second, GOOD)
    with pytest.raises(DiagnosticsError, match=f"failed its checks twice: .*{why}") as refused:
        sample("model", seed=5, reported=["x"])
    assert len(stand_in.told) == 2
    assert refused.value.exit_code == 3
    assert "R-hat < 1.01, effective sample sizes > 400, no divergences" in refused.value.rule
    assert "no estimate is given" in refused.value.next_step


def test_a_failed_wait_cancels_the_sampler(monkeypatch):
    import nutpie

    cancelled = threading.Event()

    class Stopped:
        def wait(self):
            raise KeyboardInterrupt

        def cancel(self):
            cancelled.set()

    monkeypatch.setattr(nutpie, "sample", lambda compiled, **options: Stopped())
    with pytest.raises(KeyboardInterrupt):
        sample("model", seed=5, reported=["x"])
    assert cancelled.is_set()


def test_settings_say_how_they_were_sampled():
    assert SamplerSettings().to_dict() == {
        "sampler": "nutpie", "draws": 1000, "tune": 800, "chains": 4, "target_accept": 0.9,
        "adaptation": "diag",
    }  # fmt: skip


def test_what_the_gate_found_is_told_as_plain_values():
    found = Diagnostics(1.2, 30.0, 20.0, 7, False, True, ("a", "b"))
    assert found.to_dict() == {
        "rhat_max": 1.2, "ess_bulk_min": 30.0, "ess_tail_min": 20.0, "divergences": 7,
        "passed": False, "retried": True, "failures": ["a", "b"],
    }  # fmt: skip


def test_a_refused_fit_names_its_failures_or_else_its_numbers():
    require_passed(Diagnostics(1.0, 900.0, 900.0, 0, True))
    named = Diagnostics(1.2, 30.0, 20.0, 7, False, failures=("first thing", "second thing"))
    with pytest.raises(DiagnosticsError, match="first thing; second thing"):
        require_passed(named)
    with pytest.raises(DiagnosticsError, match=r"1\.200.*to 30, tail ESS down to 20, 7 div"):
        require_passed(Diagnostics(1.2, 30.0, 20.0, 7, False))


def test_limits_of_the_gate_are_those_that_are_told():
    assert (sampling.RHAT_LIMIT, sampling.ESS_LIMIT) == (1.01, 400.0)
