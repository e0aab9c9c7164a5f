"""Challenge band and what to chart next: shrinkage, marks, and brute-force variances."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import special

from transfer.errors import ArgumentError, IdentificationError
from transfer.mix.charting import chart_next
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.provenance import Provenance
from transfer.records.cells import Cells
from transfer.session.challenge import BAND, find_challenge

PROVENANCE = Provenance(1, "none", {})
SETTINGS = ("rep/none", "live/trailing")


def charted(seed=4, players=10, attempts=60, slope_sd=0.04):
    rng = np.random.default_rng(seed)
    level, slope = rng.normal(0.3, 0.4, players), rng.normal(-0.06, slope_sd, players)
    rows = []
    for p in range(players):
        for setting, shift in (("rep/none", 0.4), ("live/trailing", -0.4)):
            for distance in (6.4, 8.4, 10.8, 13.6):
                for entry, off in (("catch", 0.0), ("dribble", -0.2)):
                    eta = level[p] + shift + off + slope[p] * (distance - 8.0)
                    made = rng.binomial(attempts, special.expit(eta))
                    mode = "rep" if shift > 0 else "live"
                    rows.append((f"P{p:02d}", setting, mode, entry, distance, attempts, made))
    columns = ["player", "setting", "mode", "entry", "distance_ft", "n", "y"]
    return pd.DataFrame(rows, columns=columns), level, slope


def test_predicted_rates_and_slopes_follow_the_truth_and_shrink():
    table, level, slope = charted()
    found = find_challenge(table, PROVENANCE)
    ours = found.slopes["slope"].to_numpy()
    raw = []
    for _, rows in table.groupby("player"):
        logit = special.logit(rows["y"] / rows["n"])
        rest = logit - logit.groupby([rows["setting"], rows["entry"]]).transform("mean")
        raw.append(np.polyfit(rows["distance_ft"], rest, 1)[0])
    assert np.mean((ours - slope) ** 2) < np.mean((np.array(raw) - slope) ** 2)
    assert ours.std() < np.std(raw)
    row = found.table[(found.table["setting"] == "rep/none") & (found.table["entry"] == "catch")]
    truth = special.expit(
        (level + 0.4)[row["player"].str[1:].astype(int)]
        + slope[row["player"].str[1:].astype(int)] * (row["distance_ft"] - 8.0)
    )
    inside = row["charted"]
    assert (row["rate"] - truth).abs()[inside].max() < 0.12
    covered = (truth >= row["low"]) & (truth <= row["high"])
    assert covered[inside].mean() > 0.8


def test_band_marks_and_extrapolation():
    table, _, _ = charted()
    found = find_challenge(table, PROVENANCE)
    inside = found.table["rate"].between(*BAND)
    assert (found.table["in_band"] == inside).all()
    assert 0 < inside.sum() < len(inside)
    far = found.table["distance_ft"] > 13.6
    assert not found.table.loc[far, "charted"].any()
    assert found.table.loc[found.table["spot"] == "mark_1", "charted"].all()
    assert "judgement, no source" in found.text
    narrow = find_challenge(table, PROVENANCE, band=(0.5, 0.55))
    assert narrow.table["in_band"].sum() < inside.sum()
    best = found.for_player("P03", "rep/none")
    assert (best["rate"] - 0.55).abs().is_monotonic_increasing


def test_ladder_runs_from_the_block_to_just_inside_the_arc_in_equal_steps():
    table, _, _ = charted()
    ladders = find_challenge(table, PROVENANCE, rungs=6).ladders
    one = ladders[(ladders["player"] == "P01") & (ladders["setting"] == "rep/none")]
    assert one["distance_ft"].iloc[0] == pytest.approx(6.408, abs=0.01)  # NFHS block centre
    assert one["distance_ft"].iloc[-1] == pytest.approx(18.75)  # NFHS arc 19 ft 9 in, 1 ft inside
    assert one["distance_ft"].is_monotonic_increasing
    steps = np.diff(one["rate"])
    assert steps == pytest.approx(np.full(5, steps.mean()), abs=2e-3)


def test_challenge_refuses_what_it_cannot_do():
    table, _, _ = charted(players=3)
    with pytest.raises(ArgumentError, match="band"):
        find_challenge(table, PROVENANCE, band=(0.6, 0.5))
    with pytest.raises(ArgumentError, match="rungs"):
        find_challenge(table, PROVENANCE, rungs=1)
    with pytest.raises(IdentificationError, match="1 distance"):
        find_challenge(table.assign(distance_ft=8.0), PROVENANCE)


def invented_posterior(players=4, count=50, seed=3):
    rng = np.random.default_rng(seed)
    omega = np.array([[1.0, 0.8, 0.3], [0.8, 1.0, 0.7], [0.3, 0.7, 1.0]])
    tau = np.array([0.4, 0.35, 0.2])
    draws = PopulationDraws(
        np.zeros((count, 3)), np.tile(tau, (count, 1)), np.tile(omega, (count, 1, 1))
    )
    theta = np.tile(rng.normal(0.0, 0.3, (players, 3)), (count, 1, 1))
    gate = Diagnostics(1.0, 1000.0, 1000.0, 0, True)
    units = tuple(f"A/2025/P{p:02d}" for p in range(players))
    rows = [
        {"unit": unit, "player": unit[-3:], "program": "A", "season": "2025",
         "setting": setting, "mode": mode, "n": n, "y": 0}
        for p, unit in enumerate(units)
        for setting, mode, n in (
            ("rep/none", "rep", 200 + p), ("live/trailing", "live", 30), ("game", "game", 40)
        )
    ]  # fmt: skip
    cells = Cells(pd.DataFrame(rows), SETTINGS, units, "none")
    return TransferPosterior(
        SETTINGS, ("rep", "live"), units, draws, draws, theta, gate, PROVENANCE, cells
    )


def test_variance_cut_equals_the_brute_force_update():
    posterior = invented_posterior()
    plan = chart_next(posterior, (25,), {"rep/none": 5.0, "live/trailing": 1.0})
    p = special.expit(posterior.theta[0])
    sigma = posterior.population.omega[0] * np.outer([0.4, 0.35, 0.2], [0.4, 0.35, 0.2])
    for at, unit in enumerate(posterior.units):
        n = np.array([200 + at, 30, 40])
        info = np.diag(n * p[at] * (1 - p[at]))
        before = np.linalg.inv(np.linalg.inv(sigma) + info)[-1, -1]
        for k, setting in enumerate((*SETTINGS, "game")):
            info_after = info.copy()
            info_after[k, k] += 25 * p[at, k] * (1 - p[at, k])
            after = np.linalg.inv(np.linalg.inv(sigma) + info_after)[-1, -1]
            row = plan.table[(plan.table["unit"] == unit) & (plan.table["setting"] == setting)]
            assert row["variance_cut"].item() == pytest.approx(1 - after / before, rel=1e-9)
            slope = 100 * p[at, -1] * (1 - p[at, -1])
            assert row["sd_after"].item() == pytest.approx(slope * np.sqrt(after), rel=1e-9)
    live = plan.table[plan.table["setting"] == "live/trailing"]
    assert live["minutes"].eq(25.0).all()
    assert "more attempts of" in plan.text
    best = plan.best
    assert best["unit"].is_unique
    assert len(best) == 4
    for row in best.to_dict(orient="records"):
        rivals = plan.table[(plan.table["unit"] == row["unit"]) & (plan.table["attempts"] == 25)]
        assert row["cut_per_minute"] == rivals["cut_per_minute"].max()
    assert chart_next(posterior, (1,)).text.endswith("what practice can tell.")
    with pytest.raises(ArgumentError, match="attempts="):
        chart_next(posterior, (0,))
    other = replace(posterior.cells, units=posterior.units[1:])
    with pytest.raises(ArgumentError, match="the cells 3 players"):
        replace(posterior, cells=other)
