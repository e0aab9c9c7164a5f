"""Roles shift means; correlations are then those within a role, and both can be read."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from transfer.models.alignment import deviations
from transfer.models.composition import compose
from transfer.models.fit import fit_transfer
from transfer.models.predictive import posterior_predictive
from transfer.models.priors import TransferPriors
from transfer.models.returners import next_season
from transfer.models.roles import overall_population, role_columns
from transfer.models.transfer_design import by_mode, design_from_cells
from transfer.provenance import hash_frames
from transfer.records.cells import Cells, build_cells
from transfer.records.reading import read_records

SETTINGS = ("rep/none", "live/trailing")


def league(shift: np.ndarray, omega: np.ndarray, seed: int, players: int = 90) -> Cells:
    """Guards, wings and bigs whose means differ by `shift`, shape (3, 3), one season."""
    rng = np.random.default_rng(seed)
    factor = np.linalg.cholesky(omega)
    position = np.arange(players) % 3
    theta = np.array([0.3, -0.2, -0.4]) + shift[position]
    theta = theta + 0.3 * rng.normal(size=(players, 3)) @ factor.T
    n = np.array([1500, 600, 80])
    made = rng.binomial(n, expit(theta))
    rows = [
        {
            "unit": f"P{p:03d}", "player": f"P{p:03d}", "program": "A", "season": "S1",
            "setting": name, "mode": name.split("/")[0], "n": n[k], "y": made[p, k],
            "minutes": np.nan, "position": ("guard", "wing", "big")[position[p]],
        }
        for p in range(players)
        for k, name in enumerate((*SETTINGS, "game"))
    ]  # fmt: skip
    table = pd.DataFrame(rows)
    return Cells(table, SETTINGS, tuple(sorted(table["unit"].unique())), hash_frames(cells=table))


def test_columns_hold_levels_and_the_logarithm_of_volume_about_their_means():
    cells = league(np.zeros((3, 3)), np.eye(3), 1, players=6)
    volume = cells.table["player"].map(lambda p: 0.0 if p == "P000" else 100.0 * (1 + int(p[1:])))
    position = cells.table["position"].where(cells.table["player"] != "P005", "")
    cells = replace(cells, table=cells.table.assign(volume=volume, position=position))
    columns, names = role_columns(cells)
    assert names == (
        ("position", "big"), ("position", "guard"), ("position", "wing"), ("volume", ""),
    )  # fmt: skip
    np.testing.assert_allclose(columns.sum(0), 0, atol=1e-12)
    assert columns[5, :3].tolist() == [0, 0, 0]  # position not known
    assert columns[0, 3] == 0  # no practice
    assert columns[5, 3] - columns[1, 3] == pytest.approx(np.log(3))


def test_the_design_has_a_slope_for_every_setting_beside_the_levels_of_a_mode():
    cells = league(np.zeros((3, 3)), np.eye(3), 1, players=6)
    more = cells.table.assign(class_year=np.where(cells.table["player"] < "P003", "first", "third"))
    priors = TransferPriors(class_growth=(-0.2, 0.0, 0.1, 0.2))
    design = design_from_cells(by_mode(replace(cells, table=more)), priors)
    assert len(design.covariate_names) == (3 + 2) * 3
    at = design.covariate_names.index(("class_year", "first in game"))
    assert design.covariate_priors[at] == (-0.2, priors.class_year_sd)
    assert design.covariate_priors[at - 1] == (0.0, priors.class_year_sd)
    assert np.all(design.covariates[design.setting != 2, at] == 0)


@pytest.mark.fit
def test_roles_that_make_the_correlation_are_told_from_players():
    """Bigs make more of both; within a position practice says nothing of games."""
    shift = np.array([[-0.35, -0.35, -0.35], [0.0, 0.0, 0.0], [0.35, 0.35, 0.35]])
    cells = league(shift, np.eye(3), 5)
    pooled = fit_transfer(
        replace(cells, table=cells.table.drop(columns="position")), purpose="verdict", seed=1
    )
    fit = fit_transfer(cells, purpose="verdict", seed=1)
    assert fit.terms["position"].shape == (fit.draws, 3, 3)
    assert fit.labels["position"] == ("big", "guard", "wing")

    def r2_all(population):
        return float(np.median(compose(population, fit.settings, fit.modes).r2_all))

    # In truth .31 over all: between positions .0817 of variance .1717 in every rate; 0 within.
    assert r2_all(pooled.population) == pytest.approx(0.31, abs=0.15)
    assert r2_all(fit.population) < 0.1
    assert r2_all(overall_population(fit)) == pytest.approx(r2_all(pooled.population), abs=0.06)
    bigs = [i for i, u in enumerate(fit.units) if int(u[1:]) % 3 == 2]
    # The rates of players have their role in them, deviations do not.
    assert fit.theta[:, bigs, -1].mean() > fit.theta[:, :, -1].mean() + 0.2
    assert abs(deviations(fit)[:, bigs].mean()) < 0.08
    new = posterior_predictive(fit, 3, players="new", draws=300)
    assert (new.by_setting["p"] > 0.02).all()
    ahead = next_season(fit, 2).theta[:, :, -1].mean(0)
    names = next_season(fit, 2).players
    big = np.array([int(name[1:]) % 3 == 2 for name in names])
    assert ahead[big].mean() > ahead[~big].mean() + 0.2


def test_cells_carry_roles_from_roster_and_calendar(tmp_path):
    rows = ["date,session,player,drill,mode,contest,attempts,makes"]
    for day in ("2025-11-03", "2025-11-04", "2025-11-12"):
        rows += [f"{day},am,P01,D,rep,none,40,20", f"{day},am,P02,D,rep,none,10,5"]
    (tmp_path / "practice.csv").write_text("\n".join(rows), "utf-8")
    games = "date,game,player,attempts,makes\n2025-11-20,G1,P01,3,1\n2025-11-20,G1,P02,2,1\n"
    (tmp_path / "games.csv").write_text(games, "utf-8")
    (tmp_path / "roster.csv").write_text(
        "player,position,class_year\nP01,guard,second\nP02,big,\n", "utf-8"
    )
    records = read_records(
        tmp_path / "practice.csv", tmp_path / "games.csv", tmp_path / "roster.csv"
    )
    cells = build_cells(records, roles=("position", "class_year", "volume"))
    of = cells.table.drop_duplicates("player").set_index("player")
    assert of["position"].to_dict() == {"P01": "guard", "P02": "big"}
    assert of["class_year"].to_dict() == {"P01": "second", "P02": ""}
    # Two calendar weeks of charted practice.
    assert of["volume"].to_dict() == {"P01": 60.0, "P02": 15.0}
    assert "position" not in build_cells(records).table
