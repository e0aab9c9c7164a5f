"""Pieces of the calibration study: honest ranks, an honest count, and a verdict that can fail."""

from __future__ import annotations

import json

import calibration as study
import numpy as np
from click.testing import CliRunner

from transfer.models.growth_laplace import fit_growth_laplace
from transfer.simulation.schedules import Crossover

CASE = "growth by Laplace, one swap by lot"


def logged(ranks):
    return [
        {"case": CASE, "index": i, "seed": i, "ranks": {"gain of rep": float(r)}}
        for i, r in enumerate(ranks)
    ]


def test_a_growth_case_gives_a_rank_of_every_gain_and_repeats_itself():
    first = study.growth_case(Crossover(13, 0.80), 7, fit_growth_laplace)
    assert set(first) == {"gain of rep", "gain of live", "live minus rep"}
    assert all(0.0 < rank < 1.0 for rank in first.values())
    assert study.growth_case(Crossover(13, 0.80), 7, fit_growth_laplace) == first


def test_uniform_ranks_are_inside_and_an_overconfident_posterior_is_not():
    rng = np.random.default_rng(2)
    good = study.summarise(logged(rng.random(300)))
    assert good["inside 99 % band"].all()
    # Truth more often in the tails than the posterior thinks.
    bad = study.summarise(logged(rng.beta(0.6, 0.6, 300)))
    assert not bad["inside 99 % band"].any()
    assert (bad["points outside"] > 0).all()


def test_failed_gates_are_counted_and_the_size_is_that_of_the_ranks():
    rows = logged(np.linspace(0.05, 0.95, 10))
    rows.append({"case": CASE, "index": 10, "seed": 10, "failed": "R-hat"})
    line = study.summarise(rows).iloc[0]
    assert (line["data sets"], line["gate failed"]) == (10, 1)


def test_the_page_is_written_from_all_kept_lines_each_once(tmp_path):
    rows = logged(np.linspace(0.05, 0.95, 5))
    log = tmp_path / "calibration.jsonl"
    log.write_text("\n".join(json.dumps(r) for r in [*rows, rows[0]]) + "\n", "utf-8")
    result = CliRunner().invoke(study.main, ["--out", str(tmp_path), "--size", "0"])
    assert result.exit_code == 0, result.output
    page = (tmp_path / "calibration.md").read_text("utf-8")
    assert f"| {CASE} | gain of rep | 5 | 0 |" in page
    assert "5 of 300 planned" in page
    assert (tmp_path / "calibration.svg").read_text("utf-8").lstrip().startswith("<?xml")


def kept(folder):
    lines = (folder / "calibration.jsonl").read_text("utf-8").splitlines()
    return sorted(map(json.loads, lines), key=lambda row: row["index"])


def test_any_number_of_jobs_keeps_the_same_lines_and_only_what_is_missing_is_run(tmp_path):
    def run(folder, *more):
        words = ["--out", str(folder), "--case", CASE, *more]
        result = CliRunner().invoke(study.main, words, catch_exceptions=False)
        assert result.exit_code == 0, result.output

    one, two = tmp_path / "one", tmp_path / "two"
    run(one, "--size", "2")
    first = (one / "calibration.jsonl").read_text("utf-8")
    run(one, "--size", "4", "--jobs", "1")
    assert (one / "calibration.jsonl").read_text("utf-8").startswith(first)
    run(two, "--size", "4", "--jobs", "2")
    assert [row["index"] for row in kept(one)] == [0, 1, 2, 3]
    assert kept(two) == kept(one)
    assert all("ranks" in row for row in kept(one))


def test_no_new_data_set_is_begun_when_time_is_up():
    assert list(study.missing([], None, 3, -1.0)) == []
    rows = [{"case": CASE, "index": 1}]
    assert list(study.missing(rows, CASE, 3, None)) == [(CASE, 0), (CASE, 2)]


def test_players_of_several_seasons_are_simulated_as_the_model_has_them():
    plan = study.Plan(12, 3, 4)
    priors = study.TransferPriors(persistence=(1e5, 1.0))
    design, truth, theta, phi = study.transfer_design(plan, priors, study.SETTINGS, 5)
    assert phi > 0.999
    assert theta.shape == (48, 5)
    assert len(design.seasons) == 12
    assert design.player.tolist() == list(range(12)) * 4
    # Nearly all of a player stays, so his seasons differ by those of his program only.
    shift = theta[:12] - theta[12:24]
    for program in range(3):
        mine = design.program[:12] == program
        assert np.ptp(shift[mine], axis=0).max() < 0.1 * truth.tau.max()


def test_lines_of_an_earlier_model_are_passed_over(tmp_path):
    case = "transfer, one team of 14"
    rows = [
        {"case": case, "index": 0, "seed": 1, "ranks": {"x": 0.5}},
        {"case": case, "index": 1, "seed": 2, "ranks": {"x": 0.5}, "model_version": 2},
        {"case": CASE, "index": 0, "seed": 3, "ranks": {"x": 0.5}},
    ]
    log = tmp_path / "calibration.jsonl"
    log.write_text("\n".join(map(json.dumps, rows)), "utf-8")
    assert [(r["case"], r["index"]) for r in study.read_log(log)] == [(case, 1), (CASE, 0)]
