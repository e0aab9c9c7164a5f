"""``transfer mix`` on an invented season, end to end."""

import json

import numpy as np
import pandas as pd
import pytest

from transfer.cli import main
from transfer.models.posterior import Diagnostics, PopulationDraws, TransferPosterior
from transfer.provenance import Provenance
from transfer.simulation.growth import GrowthTruth, simulate_growth
from transfer.simulation.schedules import Crossover, Observational
from transfer.terminal.inputs import StudyRun


def write_season(folder, schedule, teams=1, seed=7):
    truth = GrowthTruth(teams=teams, gain_rep=0.0, gain_live=0.5)
    table = simulate_growth(truth, schedule, seed).table
    day = pd.Timestamp("2026-09-07") + pd.to_timedelta(7 * (table["week"] - 1), unit="D")
    table = table.assign(date=day.dt.strftime("%Y-%m-%d"), season="2026-27")
    table["player"] = table["program"] + "-" + table["player"]
    work = table[table["setting"] != "game"].copy()
    work["minutes"] = np.where(
        work["setting"] == "rep", work["minutes_rep"], work["minutes_live"]
    ).round(1)
    work["contest"] = np.where(work["setting"] == "rep", "none", "trailing")
    work = work.assign(session=1, drill=work["setting"] + "_work", mode=work["setting"])
    names = [
        "date",
        "session",
        "player",
        "drill",
        "mode",
        "contest",
        "n",
        "y",
        "minutes",
        "program",
        "season",
    ]
    rename = {"n": "attempts", "y": "makes"}
    work[names].rename(columns=rename).to_csv(folder / "practice.csv", index=False)
    games = table[table["setting"] == "game"].copy()
    games["game"] = "G" + games["week"].astype(str)
    names = ["date", "game", "player", "n", "y", "program", "season"]
    games[names].rename(columns=rename).to_csv(folder / "games.csv", index=False)
    return ["--practice", str(folder / "practice.csv"), "--games", str(folder / "games.csv")]


def run(arguments):
    with pytest.raises(SystemExit) as ended:
        main(arguments)
    return ended.value.code


@pytest.fixture(scope="module")
def chosen(tmp_path_factory):
    return write_season(tmp_path_factory.mktemp("chosen"), Observational(week_noise=0.5))


def test_a_chosen_mix_at_one_program_sends_to_the_trial(chosen, capsys):
    assert run(["mix", *chosen, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["advice"] == "run the trial"
    assert told["contraction"] > 0.85
    assert "Change to" not in told["text"]
    assert told["text"].startswith("Keep what you do")
    assert told["prior_only_because"] == ""
    assert 0 < told["evsi_points"] <= told["evpi_points"]
    rates = {row["setting"]: row["attempts_per_minute"] for row in told["settings"]}
    assert rates["rep/none"] == pytest.approx(4.0, abs=0.15)  # the simulated pace
    assert rates["live/trailing"] == pytest.approx(1.0, abs=0.1)
    assert sum(row["minutes_now"] for row in told["settings"]) == pytest.approx(70.0, abs=1.0)
    assert len(told["cautions"]) == 2
    assert run(["mix", *chosen, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == told


def test_assigned_programs_with_a_large_effect_change_the_mix(tmp_path, capsys):
    files = write_season(tmp_path, Crossover(13, 0.9), teams=8)
    assert run(["mix", *files, "--program", "T01", "--assigned", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["advice"] == "change the mix"
    assert told["gain"]["makes_per_100_game_attempts"] > 0.5
    assert told["probability_beats_current"] > 0.95
    live = next(r for r in told["settings"] if r["setting"] == "live/trailing")
    assert live["minutes_best"] > live["minutes_now"] + 10
    assert "chosen, not assigned" not in told["text"]
    assert run(["mix", *files, "--json"]) == 2
    assert "T01, T02" in json.loads(capsys.readouterr().out)["rule"]


def test_the_same_mix_for_everyone_falls_back_on_the_prior_and_says_so(tmp_path, capsys):
    files = write_season(tmp_path, Observational(week_noise=0.0))
    assert run(["mix", *files]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "Starting assumption only: everyone on a team did the same mix" in printed
    assert "licensed medical staff" in printed


def test_limits_reach_the_advice_and_clashes_exit_with_2(chosen, capsys):
    limits = [
        "--budget-minutes",
        "60",
        "--live-cap",
        "32",
        "--floor",
        "rep=20",
        "--rate",
        "live/trailing=1.2",
        "--explore",
    ]
    assert run(["mix", *chosen, *limits, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    rows = {row["setting"]: row for row in told["settings"]}
    assert rows["live/trailing"]["minutes_best"] <= 32 + 1e-6
    assert rows["live/trailing"]["rate_source"] == "stated"
    total = rows["rep/none"]["minutes_best"] + rows["live/trailing"]["minutes_best"]
    assert total == pytest.approx(60)
    assert run(["mix", *chosen, "--budget-minutes", "70", "--hours", "1"]) == 2
    assert "weekly hours 1 h" in capsys.readouterr().err
    assert run(["mix", *chosen, "--floor", "rep"]) == 2
    assert "NAME=NUMBER" in capsys.readouterr().err
    assert run(["mix", *chosen, "--per-session", "20"]) == 2
    assert run(["mix", *chosen, "--per-session", "23", "--sessions", "3", "--json"]) == 0


def test_out_keeps_the_advice(chosen, tmp_path, capsys):
    out = tmp_path / "kept"
    assert run(["mix", *chosen, "--out", str(out), "--json"]) == 0
    assert json.loads((out / "mix.json").read_text()) == json.loads(capsys.readouterr().out)


def invented_fit(study):
    """Draws without a sampler: the fit itself is tested with the model."""
    cells, gate = study.cells, Diagnostics(1.0, 1000.0, 1000.0, 0, True)
    omega = np.array([[1.0, 0.8, 0.4], [0.8, 1.0, 0.6], [0.4, 0.6, 1.0]])
    population = PopulationDraws(
        np.zeros((20, 3)), np.full((20, 3), 0.3), np.tile(omega, (20, 1, 1))
    )
    return TransferPosterior(
        cells.settings,
        cells.modes,
        cells.units,
        population,
        population,
        np.zeros((20, len(cells.units), 3)),
        gate,
        Provenance(1, cells.data_hash),
        cells,
    )


def test_charting_tells_which_attempts_tell_most(chosen, capsys, monkeypatch):
    monkeypatch.setattr(StudyRun, "fit", invented_fit)
    assert run(["mix", *chosen, "--charting", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)["charting"]
    assert "attempts of" in told["text"]
    assert len(told["table"]) == 14 * 3 * 3
    assert all(0 < row["variance_cut"] < 1 for row in told["table"])
    assert run(["mix", *chosen, "--charting"]) == 0
    printed = " ".join(capsys.readouterr().out.split())
    assert "variance_cut" in printed
    assert "% of the variance" in printed
