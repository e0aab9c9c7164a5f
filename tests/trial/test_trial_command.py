"""The trial commands from the outside."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from dask_processes import dask_of_two

from transfer.cli import main
from transfer.records.season import start_season


def run(words: list[str], capsys) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main(words)
    seen = capsys.readouterr()
    return int(stop.value.code or 0), seen.out, seen.err


@pytest.fixture(autouse=True)
def in_october(monkeypatch):
    """The invented seasons start on 2026-11-02; their lots are drawn the week before."""
    monkeypatch.setattr("transfer.trial.plan.today", lambda: dt.date(2026, 10, 26))


@pytest.fixture
def roster(tmp_path):
    path = tmp_path / "roster.csv"
    pd.DataFrame(
        {"player": [f"P{i:02d}" for i in range(8)], "position": ["guard", "big"] * 4}
    ).to_csv(path, index=False)
    return path


def plan_words(roster, out, *more: str) -> list[str]:
    return [
        "trial",
        "plan",
        "--roster",
        str(roster),
        "--weeks",
        "26",
        "--start",
        "2026-11-02",
        "--seed",
        "3",
        "--out",
        str(out),
        *more,
    ]


def test_plan_writes_the_folder_and_says_what_was_drawn(roster, tmp_path, capsys):
    code, out, _ = run(plan_words(roster, tmp_path / "trial"), capsys)
    assert code == 0
    assert "8 players of 1 program: by lot 4 start live-heavy and 4 rep-heavy" in out
    assert "Balanced by lot within program, position." in out
    assert (tmp_path / "trial" / "plan.json").exists()
    page = (tmp_path / "trial" / "what_it_can_tell.html").read_text()
    assert 'aria-label="Chance of a settled verdict against weeks of the trial.' in page
    assert "The figure in numbers" in page


def test_plan_json_holds_the_assignment(roster, tmp_path, capsys):
    words = plan_words(
        roster,
        tmp_path / "trial",
        "--json",
        "--break",
        "2026-12-21:2027-01-03",
        "--look",
        "16",
        "--rope-points=-2:2",
        "--design",
        "blocks",
        "--block-weeks",
        "6",
    )
    code, out, _ = run(words, capsys)
    value = json.loads(out)
    assert code == 0
    assert value["settings"]["rope"] == [-2.0, 2.0]
    assert value["settings"]["looks"] == [16, 26]
    assert len(value["assignments"]) == 8 * 26
    assert any("Short blocks" in warning for warning in value["warnings"])


def test_second_lot_in_the_same_folder_is_refused(roster, tmp_path, capsys):
    run(plan_words(roster, tmp_path / "trial"), capsys)
    words = plan_words(roster, tmp_path / "trial", "--unit", "player", "--contrast", "0.9")
    code, out, err = run(words, capsys)
    assert code == 4
    assert "drawn once" in err
    assert out == ""


def test_baseline_from_a_forecast(roster, tmp_path, capsys):
    forecast = tmp_path / "forecast.json"
    players = [{"player": f"P{i:02d}", "mean": 0.3 + i / 100} for i in range(8)]
    forecast.write_text(json.dumps({"players": players}))
    words = plan_words(roster, tmp_path / "trial", "--baseline", str(forecast))
    code, out, _ = run(words, capsys)
    assert code == 0
    assert "within program, position, baseline." in out
    forecast.write_text("{}")
    code, _, err = run(words, capsys)
    assert code == 2
    assert "transfer forecast --json" in err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (["--rope-points", "1"], "--rope-points '1'"),
        (["--contrast", "0.4"], "contrast=0.4"),
        (["--strata", "height"], "strata=('height',)"),
        (["--unit", "pair"], "no column pair"),
    ],
)
def test_bad_words_exit_with_two_and_a_next_step(roster, tmp_path, capsys, words, message):
    code, _, err = run(plan_words(roster, tmp_path / "trial", *words), capsys)
    assert code == 2
    assert message in err
    assert "Next: " in err
    assert not (tmp_path / "trial").exists()


def test_unreadable_roster(tmp_path, capsys):
    (tmp_path / "bad.csv").write_bytes(b"\xff\xfe\x00")
    code, _, err = run(plan_words(tmp_path / "bad.csv", tmp_path / "trial"), capsys)
    assert code == 2
    assert "cannot be read as a roster" in err


def test_plan_in_a_season_folder_takes_its_roster_and_minutes(tmp_path, capsys, monkeypatch):
    start_season(tmp_path / "season")
    pd.DataFrame({"player": ["P01", "P02", "P03"], "position": "guard"}).to_csv(
        tmp_path / "season" / "roster.csv", index=False
    )
    settings = tmp_path / "season" / "transfer.toml"
    text = settings.read_text()
    assert "budget_minutes = 70" in text
    settings.write_text(text.replace("# budget_minutes = 70", "budget_minutes = 45"))
    monkeypatch.chdir(tmp_path / "season")
    words = [
        "trial",
        "plan",
        "--weeks",
        "12",
        "--start",
        "2026-11-02",
        "--seed",
        "1",
        "--out",
        "trial",
        "--json",
    ]
    code, out, _ = run(words, capsys)
    assert code == 0
    assert json.loads(out)["settings"]["minutes_per_week"] == 45.0
    monkeypatch.chdir(tmp_path)
    code, out, _ = run([*words, "--unit", "player"], capsys)
    assert code == 2
    assert "--roster is missing" in json.loads(out)["message"]


def test_register_keeps_a_lot_drawn_elsewhere(roster, tmp_path, capsys):
    run(plan_words(roster, tmp_path / "trial"), capsys)
    table = pd.read_csv(tmp_path / "trial" / "assignments.csv")
    table.to_csv(tmp_path / "list.csv", index=False)
    words = [
        "trial",
        "register",
        "--assignments",
        str(tmp_path / "list.csv"),
        "--roster",
        str(roster),
        "--strata",
        "position",
        "--out",
        str(tmp_path / "kept"),
        "--json",
    ]
    code, out, _ = run(words, capsys)
    value = json.loads(out)
    assert code == 0
    assert value["settings"]["lot"] == "drawn elsewhere"
    arms = {(row["player"], row["week"]): row["arm"] for row in value["assignments"]}
    assert arms == dict(
        zip(zip(table["player"], table["week"], strict=True), table["arm"], strict=True)
    )


def test_design_of_a_plan_and_of_sizes(roster, tmp_path, capsys):
    code, out, _ = run(["trial", "design", "--json", "--teams", "3"], capsys)
    designs = pd.DataFrame(json.loads(out)["designs"]).set_index(["design", "half_life"])["se"]
    assert code == 0
    assert designs["4-week blocks, 80/20", 4.0] > 1.8 * designs["one swap after 13 weeks, 80/20", 4]
    run(plan_words(roster, tmp_path / "trial"), capsys)
    words = ["trial", "design", "--plan", str(tmp_path / "trial" / "plan.json")]
    code, out, _ = run(words, capsys)
    assert code == 0
    assert "the plan as drawn, 1 team-season(s)" in out
    assert "parallel groups, 80/20" in out


def test_design_for_a_practice_outcome_says_what_it_is_about(roster, tmp_path, capsys):
    run(plan_words(roster, tmp_path / "trial"), capsys)
    plan = str(tmp_path / "trial" / "plan.json")
    words = ["trial", "design", "--plan", plan, "--outcome", "live"]
    code, out, _ = run(words, capsys)
    assert code == 0
    said = " ".join(out.split())
    assert "This is about makes in live practice and says nothing about games." in said
    assert "it says what the mix does to that practice, not to games." in said
    _, out, _ = run([*words, "--json"], capsys)
    live = json.loads(out)["plan"]
    _, out, _ = run(["trial", "design", "--plan", plan, "--json"], capsys)
    game = json.loads(out)["plan"]
    assert (live["outcome"], game["outcome"]) == ("live", "game")
    assert live["se"] < 0.5 * game["se"]


def test_assurance_says_that_short_blocks_will_not_tell(capsys):
    words = ["trial", "assurance", "--design", "blocks", "--block-weeks", "4", "--seasons", "10"]
    code, out, _ = run(words, capsys)
    assert code == 0
    assert "4-week blocks you will almost surely still not know" in " ".join(out.split())


def test_assurance_prices_the_looks_of_a_plan(roster, tmp_path, capsys):
    run(plan_words(roster, tmp_path / "trial", "--look", "20"), capsys)
    words = [
        "trial",
        "assurance",
        "--plan",
        str(tmp_path / "trial" / "plan.json"),
        "--json",
        "--seasons",
        "10",
    ]
    code, out, _ = run(words, capsys)
    value = json.loads(out)
    assert code == 0
    assert value["looks"]["looks"] == [20, 26]
    assert value["prior"]["team_seasons"] == 1
    assert sum(value["no_difference"]["chances"].values()) == pytest.approx(1.0)


ASSURANCE = ["trial", "assurance", "--json", "--seasons", "60", "--look", "20", "--look", "26"]


@pytest.fixture
def in_one_process(capsys):
    """What `ASSURANCE` says when nothing is shared out."""
    code, out, _ = run(ASSURANCE, capsys)
    assert code == 0
    assert len(json.loads(out)["prior"]["chances"]) == 5
    return out


def test_assurance_by_two_processes_says_the_same(in_one_process, capsys):
    code, out, err = run([*ASSURANCE, "--jobs", "2"], capsys)
    assert (code, out, err) == (0, in_one_process, "")


@pytest.mark.filterwarnings("ignore")
def test_assurance_on_a_cluster_says_the_same(in_one_process, capsys, tmp_path, monkeypatch):
    with dask_of_two(tmp_path) as (address, _):
        monkeypatch.setattr("transfer.trial.assurance.gain_mixture", None)  # not here
        code, out, _ = run([*ASSURANCE, "--cluster", address], capsys)
    assert (code, out) == (0, in_one_process)


def test_assurance_is_done_in_one_place(capsys):
    code, out, _ = run([*ASSURANCE, "--jobs", "2", "--cluster", "tcp://127.0.0.1:1"], capsys)
    assert code == 2
    assert "not both" in json.loads(out)["rule"]


def test_assurance_of_a_plan_counts_its_break_weeks(roster, tmp_path, capsys):
    run(plan_words(roster, tmp_path / "trial", "--break", "2026-12-21:2027-01-17"), capsys)
    plan = str(tmp_path / "trial" / "plan.json")
    _, out, _ = run(["trial", "assurance", "--plan", plan, "--json", "--seasons", "4"], capsys)
    broken = json.loads(out)
    _, out, _ = run(["trial", "assurance", "--players", "8", "--json", "--seasons", "4"], capsys)
    whole = json.loads(out)
    last = [
        {r["weeks"]: r["se"] for r in told["until_we_know"]["table"] if r["team_seasons"] == 1}
        for told in (broken, whole)
    ]
    assert max(last[0]) == max(last[1]) == 26
    # four weeks without practice and games cost precision
    assert last[0][26] > 1.1 * last[1][26]
    blocks = broken["prior"]["provenance"]["settings"]["schedule"]
    assert "-1, -1, -1, -1" in blocks


@pytest.fixture
def season(roster, tmp_path, capsys):
    """Record files of a short trial of eight players that followed its plan."""
    run(plan_words(roster, tmp_path / "trial", "--minutes", "60"), capsys)
    table = pd.read_csv(tmp_path / "trial" / "assignments.csv")
    rng = np.random.default_rng(4)
    practice = [
        {"date": row.first_day, "session": "1", "player": row.player, "drill": mode,
         "mode": mode, "contest": contest, "attempts": n, "makes": rng.binomial(n, 0.5),
         "minutes": minutes}
        for row in table.itertuples()
        for mode, contest, minutes, n in (
            ("rep", "none", row.rep_minutes, round(4 * row.rep_minutes)),
            ("live", "trailing", row.live_minutes, round(row.live_minutes)),
        )
    ]  # fmt: skip
    pd.DataFrame(practice).to_csv(tmp_path / "practice.csv", index=False)
    games = table[["player", "last_day", "week"]].rename(columns={"last_day": "date"})
    games = games.assign(game="G" + games.pop("week").astype(str), attempts=3)
    games["makes"] = rng.binomial(3, 0.4, len(games))
    games.to_csv(tmp_path / "games.csv", index=False)
    throws = table[["player", "week"]].assign(attempts=4)
    throws.assign(makes=rng.binomial(4, 0.7, len(throws))).to_csv(
        tmp_path / "throws.csv", index=False
    )
    return tmp_path


def analyse_words(season: Path, *more: str) -> list[str]:
    return [
        "trial",
        "analyse",
        "--practice",
        str(season / "practice.csv"),
        "--games",
        str(season / "games.csv"),
        "--fit",
        "quick",
        *more,
    ]


def test_analyse_with_a_plan(season, capsys):
    plan = season / "trial" / "plan.json"
    words = analyse_words(
        season, "--plan", str(plan), "--free-throws", str(season / "throws.csv"), "--json"
    )
    code, out, _ = run(words, capsys)
    value = json.loads(out)
    assert code == 0
    assert value["randomised"] is True
    assert value["verdict"] in ("cannot_tell", "leaning", "unclear")
    assert value["plan_hash"] == json.loads(plan.read_text())["hash"]
    assert value["adherence"]["separation"] == pytest.approx(1.0)
    assert value["control"]["reading"] == "check outcome"
    assert {row["assumption"] for row in value["sensitivity"]} >= {"half-life", "joint"}


def test_analyse_prints_the_answer_first_and_keeps_it(season, capsys):
    words = analyse_words(
        season, "--plan", str(season / "trial" / "plan.json"), "--out", str(season / "result")
    )
    code, out, _ = run(words, capsys)
    assert code == 0
    assert out.splitlines()[0].startswith(("These records cannot tell", "A ", "Measured"))
    assert "Without any model" in " ".join(out.split())
    kept = json.loads((season / "result" / "trial.json").read_text())
    assert kept["randomised"] is True
    page = (season / "result" / "trial.html").read_text()
    assert 'aria-label="Live share of the practice minutes of 8 players by week' in page
    assert "means of the players who practised that week" in page
    assert kept["plan_hash"] in page
    for row in kept["sensitivity"]:
        assert str(row["value"]) in page


def test_analyse_without_a_plan_leans_at_most(season, capsys):
    code, out, _ = run(analyse_words(season, "--json"), capsys)
    value = json.loads(out)
    assert code == 0
    assert value["randomised"] is False
    assert value["verdict"] in ("cannot_tell", "leaning", "unclear")
    assert "The mix was chosen, not assigned" in value["text"]


def test_analyse_refuses_a_changed_plan(season, capsys):
    path = season / "trial" / "plan.json"
    path.write_text(path.read_text().replace('"contrast": 0.8', '"contrast": 0.9'))
    code, out, _ = run(analyse_words(season, "--plan", str(path), "--json"), capsys)
    assert code == 4
    assert "changed after the lot was drawn" in json.loads(out)["message"]


def test_one_program_of_the_demo_cannot_tell(capsys):
    data = Path(__file__).resolve().parents[2] / "data" / "one_program"
    words = ["trial", "analyse", "--fit", "quick", "--json"]
    for name in ("practice", "games", "drills"):
        words += [f"--{name}", str(data / f"{name}.csv")]
    code, out, _ = run(words, capsys)
    assert code == 0
    assert json.loads(out)["verdict"] == "cannot_tell"


def test_conference_of_the_demo_is_ahead_and_covers_its_truth(tmp_path, capsys, monkeypatch):
    """Lot, records and truth of the invented conference; the true side and size are known."""
    monkeypatch.setattr("transfer.trial.plan.today", lambda: dt.date(2025, 10, 1))
    data = Path(__file__).resolve().parents[2] / "data" / "conference"
    register = [
        "trial",
        "register",
        "--assignments",
        str(data / "assignments.csv"),
        "--roster",
        str(data / "roster.csv"),
        "--strata",
        "position",
        "--out",
        str(tmp_path / "trial"),
    ]
    assert run(register, capsys)[0] == 0
    words = [
        "trial",
        "analyse",
        "--fit",
        "quick",
        "--json",
        "--plan",
        str(tmp_path / "trial" / "plan.json"),
        "--free-throws",
        str(data / "free_throws.csv"),
    ]
    for name in ("practice", "games", "drills"):
        words += [f"--{name}", str(data / f"{name}.csv")]
    code, out, _ = run(words, capsys)
    value = json.loads(out)
    truth = json.loads((data / "truth.json").read_text())["growth"]["delta_game"]
    effect = next(r for r in value["growth"]["table"] if r["effect"] == "live minus rep")
    assert code == 0
    assert value["verdict"] == "ahead"
    assert value["favours"] == "live"
    assert value["text"].startswith("With the mix assigned by lot")
    assert effect["low"] < truth < effect["high"]
    assert value["control"]["verdict"] != "ahead"


@pytest.mark.slow
@pytest.mark.fit
def test_sampler_and_quick_fit_agree(season, capsys):
    """The headline fit passes its gate and says the same as the Laplace twin."""
    words = analyse_words(season, "--plan", str(season / "trial" / "plan.json"), "--json")
    _, quick, _ = run(words, capsys)
    words[words.index("quick")] = "sampler"
    code, sampled, _ = run(words, capsys)
    one, two = json.loads(quick), json.loads(sampled)
    assert code == 0
    assert two["growth"]["method"] == "nuts"
    assert two["growth"]["diagnostics"]["passed"] is True
    sd = two["contrast"]["sd"]
    assert abs(one["contrast"]["mean"] - two["contrast"]["mean"]) < 0.15 * sd
    assert one["contrast"]["sd"] == pytest.approx(sd, rel=0.1)
