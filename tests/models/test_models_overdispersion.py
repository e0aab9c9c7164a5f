"""Over-dispersed sessions enter the fit as fewer attempts, by a rule, and the fit says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from invented import invented_cells, invented_posterior
from scipy.special import expit, logit

from transfer.models.fit import fit_transfer
from transfer.models.overdispersion import design_effects, effective_counts_text
from transfer.models.predictive import posterior_predictive
from transfer.models.sampling import SamplerSettings
from transfer.models.transfer_design import by_mode, design_from_cells
from transfer.provenance import Provenance
from transfer.records.cells import Cells


def sessions_of(icc: float, seed: int = 3, players: int = 20) -> pd.DataFrame:
    """Thirty sessions of 25 rep attempts with good and bad days, thirty games of two attempts."""
    rng = np.random.default_rng(seed)
    rows = []
    for p in range(players):
        rate = expit(rng.normal(0.0, 0.4))
        for day in range(30):
            form = 1 / icc - 1 if icc else None
            today = rng.beta(rate * form, (1 - rate) * form) if form else rate
            common = {"unit": f"P{p:02d}", "date": day, "session": "am", "target": np.nan}
            rows.append(common | {"setting": "rep/none", "n": 25, "y": rng.binomial(25, today)})
            rows.append(common | {"setting": "game", "n": 2, "y": rng.binomial(2, rate)})
    return pd.DataFrame(rows)


def cells_from(sessions: pd.DataFrame) -> Cells:
    table = sessions.groupby(["unit", "setting"], as_index=False)[["n", "y"]].sum()
    table = table.assign(
        player=table["unit"], program="A", season="S1", minutes=np.nan,
        mode=table["setting"].str.split("/").str[0],
    )  # fmt: skip
    return Cells(table, ("rep/none",), tuple(sorted(table["unit"].unique())), "none")


def test_only_settings_with_proof_are_divided():
    effects = design_effects(sessions_of(0.04))
    assert set(effects) == {"rep/none"}
    assert effects["rep/none"] == pytest.approx(1 + 24 * 0.04, rel=0.25)
    assert design_effects(sessions_of(0.0)) == {}
    assert design_effects(sessions_of(0.04).assign(target=5.0)) == {}


def test_counts_enter_as_fewer_by_setting_also_when_judged_by_mode():
    cells = invented_cells(settings=("rep/none", "rep/light", "live/trailing"))
    whole = design_from_cells(cells)
    less = design_from_cells(cells, None, {"rep/light": 2.0, "game": 1.5})
    factor = np.array([1.0, 2.0, 1.0, 1.5])[whole.setting]
    np.testing.assert_allclose(less.n * factor, whole.n)
    np.testing.assert_allclose(less.y * factor, whole.y)
    judged = design_from_cells(by_mode(cells), None, {"rep/light": 2.0, "game": 1.5})
    assert judged.n.sum() == pytest.approx(less.n.sum())
    assert judged.settings == ("rep", "live")


@pytest.mark.fit
def test_the_fit_keeps_the_counts_widens_the_rates_and_says_so():
    sessions = sessions_of(0.08)
    cells = cells_from(sessions)
    short = SamplerSettings(draws=500, tune=400)
    plain = fit_transfer(cells, seed=2, sampler=short)
    fit = fit_transfer(replace(cells, sessions=sessions), seed=2, sampler=short)
    effect = fit.design_effects["rep/none"]
    assert fit.cells.table["n"].sum() == cells.table["n"].sum()
    ratio = fit.theta[:, :, 0].std(0).mean() / plain.theta[:, :, 0].std(0).mean()
    assert ratio == pytest.approx(np.sqrt(effect), rel=0.15)
    assert f"rep/none {effect:.1f}" in effective_counts_text(fit)
    assert effective_counts_text(plain) == ""


def test_seasons_drawn_again_vary_as_much_as_the_fit_was_told():
    cells = invented_cells(players=40)
    rates = np.full((len(cells.units), 3), 0.4)
    fit = invented_posterior(cells, draws=300)
    fit = replace(fit, theta=np.broadcast_to(logit(rates), (300, *rates.shape)).copy())
    rng = np.random.default_rng(1)
    rep = (cells.table["setting"] == "rep/none").to_numpy()
    n = cells.table["n"].to_numpy()
    form = (n[rep] - 1) / 3.0 - 1  # a design effect of 4
    y = rng.binomial(n, 0.4)
    y[rep] = rng.binomial(n[rep], rng.beta(0.4 * form, 0.6 * form))
    fit = replace(fit, cells=replace(cells, table=cells.table.assign(y=y)))
    told = replace(
        fit, provenance=Provenance(1, "x", settings={"design_effects": {"rep/none": 4.0}})
    )
    p = [posterior_predictive(f, 2).by_setting.set_index("setting").at["rep/none", "p"]
         for f in (fit, told)]  # fmt: skip
    assert p[0] < 0.01
    assert 0.05 < p[1] < 0.95
