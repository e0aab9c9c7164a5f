"""The exact prior sampler against itself by another road, and against simple identities."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from transfer.errors import ArgumentError
from transfer.models import population_prior as prior
from transfer.models.priors import LEVELS, TransferPriors


def test_every_draw_is_a_correlation_matrix():
    omega = prior.prior_correlations(4, TransferPriors(), 500, np.random.default_rng(1))
    assert omega.shape == (500, 5, 5)
    assert np.allclose(np.diagonal(omega, axis1=1, axis2=2), 1.0)
    assert np.linalg.eigvalsh(omega).min() > 0


def test_one_setting_has_the_written_density():
    """With one practice setting every matrix is positive definite: the density is known."""
    omega = prior.prior_correlations(1, TransferPriors(), 20000, np.random.default_rng(2))
    rho = omega[:, 0, 1]
    grid = np.linspace(-0.999, 0.999, 4001)
    e = (np.arctanh(grid) - 0.55) / 0.40
    density = (1 + e**2 / 4) ** -2.5  # Student t with 4 degrees of freedom
    cdf = np.concatenate([[0], np.cumsum((density[1:] + density[:-1]) / 2)])
    outcome = stats.kstest(rho, lambda r: np.interp(r, grid, cdf / cdf[-1]))
    assert outcome.pvalue > 0.001


def test_gibbs_and_rejection_agree(monkeypatch):
    exact = prior.prior_correlations(3, TransferPriors(), 6000, np.random.default_rng(3))
    monkeypatch.setattr(prior, "_REJECTION_UP_TO", 0)
    chained = prior.prior_correlations(3, TransferPriors(), 6000, np.random.default_rng(4))
    assert np.abs(exact.mean(0) - chained.mean(0)).max() < 0.02
    assert np.abs(exact.std(0) - chained.std(0)).max() < 0.02


def test_the_prior_favours_no_setting():
    omega = prior.prior_correlations(4, TransferPriors(), 20000, np.random.default_rng(5))
    means = omega[:, -1, :-1].mean(axis=0)
    assert np.ptp(means) < 4 * omega[:, -1, 0].std() / np.sqrt(20000) * np.sqrt(2)


def test_untilted_lkj_marginal():
    """LKJ(eta): each correlation is 2 Beta(b, b) - 1, b = eta + (d - 2) / 2 (LKJ 2009)."""
    priors = TransferPriors().untilted(2.0)
    omega = prior.prior_correlations(3, priors, 8000, np.random.default_rng(6))
    b = 2.0 + (4 - 2) / 2
    for i, j in ((0, 1), (0, 3), (2, 3)):
        outcome = stats.kstest((omega[:, i, j] + 1) / 2, stats.beta(b, b).cdf)
        assert outcome.pvalue > 0.001


def test_half_a_tilt_is_refused():
    with pytest.raises(ArgumentError, match="tilt_game and tilt_practice"):
        prior.prior_correlations(2, TransferPriors(tilt_game=None), 10, np.random.default_rng(7))


def test_same_seed_same_draws():
    one = prior.draw_population(2, TransferPriors(), 50, 9)
    two = prior.draw_population(2, TransferPriors(), 50, 9)
    assert np.array_equal(one.omega, two.omega)
    assert np.array_equal(one.tau, two.tau)


def test_priors_file_overrides_and_names_the_nearest_key(tmp_path):
    path = tmp_path / "priors.toml"
    path.write_text('tau_game_sd = 0.4\ntilt_game = "none"\ntilt_practice = "none"\n', "utf-8")
    priors = TransferPriors.from_file(path, "women_college")
    assert priors.tau_game_sd == 0.4
    assert priors.tilt_game is None
    assert priors.mu_game == LEVELS["women_college"]
    path.write_text("tau_gmae_sd = 0.4\n", "utf-8")
    with pytest.raises(ArgumentError, match="tau_game_sd"):
        TransferPriors.from_file(path)


def test_every_prior_names_its_source():
    table = TransferPriors().table
    known = (
        "judgement",
        "own simulation",
        "public shot log",
        "public yearly tables",
        "published",
        "Lewandowski",
        "choice",
    )
    assert all(any(word in source for word in known) for source in table["source"])


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf")])
def test_prior_scales_are_positive(value):
    with pytest.raises(ArgumentError, match="tau_game_sd"):
        TransferPriors(tau_game_sd=value)
