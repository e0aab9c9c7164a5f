"""Crossed effects against lme4's published Laplace fit and against statsmodels."""

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, sparse, special
from statsmodels.genmod.bayes_mixed_glm import BinomialBayesMixedGLM

from transfer.errors import ArgumentError, IdentificationError
from transfer.provenance import Provenance
from transfer.session.defenders import rate_defenders
from transfer.session.mixed_logit import Group, fit_crossed, laplace_at

PROVENANCE = Provenance(1, "none", {})


def live_play(seed=5, shooters=10, defenders=10, trips=8, sd=(0.4, 0.35)):
    rng = np.random.default_rng(seed)
    u, v = rng.normal(0, sd[0], shooters), rng.normal(0, sd[1], defenders)
    rows = [(s, d) for s in range(shooters) for d in range(defenders) if s != d]
    n = rng.integers(1, 2 * trips, len(rows))
    eta = np.array([-0.3 + u[s] + v[d] for s, d in rows])
    table = pd.DataFrame(
        {
            "player": [f"P{s:02d}" for s, _ in rows],
            "defender": [f"P{d:02d}" for _, d in rows],
            "n": n,
            "y": rng.binomial(n, special.expit(eta)),
        }
    )
    return table, u, v


def test_laplace_reproduces_the_published_lme4_fit(reference):
    # lme4 help page of glmer, cbpp data, Laplace: check-values section 4c, verified row.
    table = reference("cbpp")
    herd, names = pd.factorize(table["herd"])
    n, y = table["size"].to_numpy(float), table["incidence"].to_numpy(float)
    period = pd.get_dummies(table["period"], drop_first=True).to_numpy(float)
    X, group = np.column_stack([np.ones(len(n)), period]), Group("herd", herd, len(names))
    nothing = np.empty((n.size, 0))

    def deviance(value):
        mode = laplace_at(n, y, nothing, [group], [np.exp(value[4])], offset=X @ value[:4])
        return -2 * mode.log_marginal

    published = np.array([-1.3983, -0.9919, -1.1282, -1.5797, np.log(0.6421)])
    assert deviance(published) == pytest.approx(184.0531, abs=2e-3)
    found = optimize.minimize(deviance, published + 0.05, method="L-BFGS-B").x
    assert found[:4] == pytest.approx(published[:4], abs=2e-3)
    assert np.exp(found[4]) == pytest.approx(0.6421, abs=2e-3)


def test_crossed_effects_equal_statsmodels_at_its_own_spreads():
    table, _, _ = live_play()
    long = table.loc[table.index.repeat(table["n"])].reset_index(drop=True)
    long["made"] = (long.groupby(["player", "defender"]).cumcount() < long["y"]).astype(float)
    codes = [pd.factorize(long[c], sort=True)[0] for c in ("player", "defender")]
    Z = sparse.hstack([sparse.csr_matrix(np.eye(10)[c]) for c in codes]).tocsr()
    model = BinomialBayesMixedGLM(
        long["made"].to_numpy(),
        np.ones((len(long), 1)),
        Z,
        np.repeat([0, 1], 10),
        vcp_p=0.5,
        fe_p=2.0,
    )
    other = model.fit_map(minim_opts={"gtol": 1e-6})
    groups = [Group(c, pd.factorize(table[c], sort=True)[0], 10) for c in ("player", "defender")]
    n, y = table["n"].to_numpy(float), table["y"].to_numpy(float)
    mode = laplace_at(n, y, np.ones((n.size, 1)), groups, np.exp(other.vcp_mean), fixed_sd=2.0)
    assert mode.theta[0] == pytest.approx(other.fe_mean[0], abs=2e-3)
    assert mode.theta[1:] == pytest.approx(other.vc_mean, abs=2e-3)
    # Its variational fit finds larger spreads under its own prior; at those the effects agree.
    wide = model.fit_vb()
    again = laplace_at(n, y, np.ones((n.size, 1)), groups, np.exp(wide.vcp_mean), fixed_sd=2.0)
    assert again.theta[1:] == pytest.approx(wide.vc_mean, abs=0.05)
    ours = fit_crossed(n, y, np.ones((n.size, 1)), groups, scales=(0.5, 0.25))
    flat = np.r_[ours.effects["player"], ours.effects["defender"]]
    assert np.corrcoef(flat, wide.vc_mean)[0, 1] > 0.98


def test_ratings_recover_the_truth_better_than_raw_rates():
    table, _, v = live_play(seed=11, trips=6)
    ratings = rate_defenders(table, PROVENANCE)
    raw = special.logit(np.clip(ratings.defenders["raw_rate"], 0.02, 0.98))
    raw = raw - raw.mean()
    truth = v - v.mean()
    effect = ratings.defenders["effect"] - ratings.defenders["effect"].mean()
    assert np.mean((effect - truth) ** 2) < np.mean((raw - truth) ** 2)
    assert ratings.connected
    assert ratings.defenders["reliability"].between(0, 1).all()
    assert (ratings.defenders["low"] < ratings.defenders["rate"]).all()
    assert "not to rank" in ratings.text
    met = ratings.shooters.set_index("player")
    assert met.loc["P00", "faced"] == pytest.approx(
        np.average(
            ratings.defenders.set_index("defender").loc[
                table.loc[table["player"] == "P00", "defender"], "effect"
            ],
            weights=table.loc[table["player"] == "P00", "n"],
        )
    )


def test_adjustment_moves_a_shooter_who_met_the_stoppers():
    rng = np.random.default_rng(3)
    rows = []
    for shooter in range(12):
        for defender in range(12):
            tough = defender < 6
            n = 60 if (shooter < 6) == tough else 6  # the first six shooters meet the stoppers
            rows.append(
                (
                    f"P{shooter:02d}",
                    f"D{defender:02d}",
                    n,
                    rng.binomial(n, special.expit(-0.8 if tough else 0.4)),
                )
            )
    ratings = rate_defenders(
        pd.DataFrame(rows, columns=["player", "defender", "n", "y"]), PROVENANCE
    )
    raw, fair = ratings.shooters["raw_rate"], ratings.shooters["adjusted_rate"]
    assert raw[6:].mean() - raw[:6].mean() > 0.15
    assert abs(fair[6:].mean() - fair[:6].mean()) < 0.05


def test_separate_groups_and_thin_records_are_said():
    rows = [("A", "B"), ("B", "A"), ("C", "D"), ("D", "C")]
    table = pd.DataFrame(rows, columns=["player", "defender"]).assign(
        n=20, y=8, setting="live/front"
    )
    ratings = rate_defenders(table, PROVENANCE)
    assert not ratings.connected
    assert "mix the pairings" in ratings.text
    with pytest.raises(IdentificationError, match="1 defenders"):
        rate_defenders(table.assign(defender="A"), PROVENANCE)
    with pytest.raises(ArgumentError, match="more makes"):
        fit_crossed(np.array([1.0]), np.array([2.0]), np.ones((1, 1)), [])
