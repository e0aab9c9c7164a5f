from __future__ import annotations

import json

import jsonschema
import pytest

INTERVAL = {
    "type": "object",
    "required": ["prob", "kind", "low", "high"],
    "properties": {"prob": {"const": 0.9}, "kind": {"const": "eti"}},
}
COMPARE = {
    "type": "object",
    "required": [
        "question", "contrast", "probability", "prior_probability", "contraction", "rope",
        "probability_in_rope", "verdict", "favours", "settings", "text", "diagnostics",
        "provenance", "information", "equivalence", "conversion", "next_step",
    ],
    "properties": {
        "question": {"const": "reading"},
        "contrast": {
            "type": "object",
            "required": ["mean", "sd", "interval"],
            "properties": {
                "mean": {"type": "number"},
                "sd": {"type": "number", "exclusiveMinimum": 0},
                "interval": INTERVAL,
            },
        },
        "probability": {"type": "number", "minimum": 0.5, "maximum": 1},
        "prior_probability": {"type": "number", "minimum": 0, "maximum": 1},
        "contraction": {"type": "number", "exclusiveMinimum": 0},
        "rope": {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2},
        "probability_in_rope": {"type": "number", "minimum": 0, "maximum": 1},
        "verdict": {
            "enum": ["cannot_tell", "leaning", "unclear", "ahead", "practically_equal"]
        },
        "favours": {"enum": ["live", "rep", None]},
        "settings": {
            "type": "array",
            "minItems": 2,
            "items": {
                "type": "object",
                "required": ["setting", "attempts", "players", "rho"],
                "properties": {
                    "attempts": {"type": "integer", "minimum": 1},
                    "rho": {"type": "object", "required": ["mean", "low", "high"]},
                },
            },
        },
        "text": {"type": "string", "minLength": 40},
        "diagnostics": {
            "type": "object",
            "required": [
                "rhat_max", "ess_bulk_min", "ess_tail_min", "divergences", "passed",
            ],
        },
        "provenance": {"type": "object", "required": ["seed", "data_hash", "versions"]},
    },
}  # fmt: skip
FORECAST = {
    "type": "object",
    "required": ["players", "scores", "text", "provenance"],
    "properties": {
        "players": {
            "type": "array",
            "minItems": 6,
            "items": {
                "type": "object",
                "required": [
                    "player", "mean", "low", "high", "prob", "attempts_game", "attempts_practice",
                ],
                "properties": {
                    "mean": {"type": "number", "minimum": 0, "maximum": 1},
                    "attempts_game": {"type": "integer"},
                },
            },
        }
    },
}  # fmt: skip


def words(files):
    return "--practice", files["practice"], "--games", files["games"]


def runs(season):
    return sorted(p.name for p in (season / "runs").iterdir())


def test_compare_json_holds_the_whole_reading(files, fits, run_json):
    code, told = run_json("compare", *words(files), "--rope-r2=-0.1:0.1", "--seed", "11")
    assert code == 0
    jsonschema.validate(told, COMPARE)
    assert told["rope"] == [-0.1, 0.1]
    assert told["provenance"]["seed"] == 11
    assert {s["setting"]: s["attempts"] for s in told["settings"]} == {
        "rep/none": 6 * 8 * 40, "live/trailing": 6 * 8 * 10,
    }  # fmt: skip
    assert len(fits) == 2  # one judges, one is by setting


def test_compare_in_words_starts_with_the_verdict_and_is_quiet_when_piped(files, fits, run):
    code, out, err = run("compare", *words(files))
    assert code == 0
    assert err == ""
    assert out.splitlines()[0][0].isupper()
    assert "rep/none" in out
    assert "live/trailing" in out


def test_forecast_json_has_players_and_scores_only_when_asked(files, fits, run_json):
    code, told = run_json("forecast", *words(files))
    assert code == 0
    jsonschema.validate(told, FORECAST)
    assert told["scores"] is None
    code, told = run_json("forecast", *words(files), "--score")
    assert code == 0
    later = told["scores"]["later_games"]["forecasts"]
    assert [row["forecast"] for row in later] == [
        "raw", "pooled", "game_only", "practice_only", "both",
    ]  # fmt: skip
    assert told["scores"]["left_out_player"] is not None
    assert told["scores"]["missing"] == []
    early = fits[-1].table
    full = fits[0].table
    assert (
        early.loc[early["mode"] == "game", "n"].sum() < full.loc[full["mode"] == "game", "n"].sum()
    )


def test_forecasts_are_scored_on_a_file_of_later_games(files, fits, run_json, tmp_path):
    later = tmp_path / "later.csv"
    rows = [f"2026-01-09,G50,P{i:02d},10,{i}" for i in range(1, 5)]
    later.write_text("date,game,player,attempts,makes\n" + "\n".join(rows), encoding="utf-8")
    code, told = run_json("forecast", *words(files), "--later", later)
    assert code == 0
    assert {row["attempts"] for row in told["scores"]["later_games"]["forecasts"]} == {40}


def test_one_day_of_games_gives_the_reason_instead_of_a_score(files, fits, run_json):
    lines = files["games"].read_text(encoding="utf-8").splitlines()
    kept = [lines[0], *(line for line in lines if line.startswith("2025-12-01"))]
    files["games"].write_text("\n".join(kept) + "\n", encoding="utf-8")
    code, told = run_json("forecast", *words(files), "--score")
    assert code == 0
    assert told["scores"]["later_games"] is None
    assert "No score on later games" in told["scores"]["missing"][0]


def test_a_new_player_is_forecast_from_practice(files, fits, run_json, run):
    code, told = run_json("forecast", *words(files), "--new", "live/trailing=20/50")
    assert code == 0
    assert told["new_player"]["attempts_practice"] == 50
    assert told["new_player"]["attempts_game"] == 0
    assert 0 < told["new_player"]["low"] < told["new_player"]["high"] < 1
    assert run("forecast", *words(files), "--new", "live/trailing=20")[0] == 2


def test_fit_needs_a_place_and_keeps_fit_and_manifest(files, fits, run, run_json, tmp_path):
    assert run("fit", *words(files))[0] == 2
    out = tmp_path / "out"
    code, told = run_json("fit", *words(files), "--out", out)
    assert code == 0
    assert told["diagnostics"]["passed"] is True
    assert sorted(p.name for p in out.iterdir()) == [
        "SHA256SUMS", "fit.nc", "manifest.json", "verdict.nc",
    ]  # fmt: skip
    manifest = json.loads((out / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["inputs"]["practice"]["file"] == "practice.csv"
    assert len(manifest["inputs"]["games"]["sha256"]) == 64
    assert manifest["options"]["seed"] == 1
    assert manifest["versions"]["practice-transfer"]


def test_out_with_another_run_in_it_is_refused(files, fits, run, tmp_path):
    out = tmp_path / "out"
    assert run("fit", *words(files), "--out", out)[0] == 0
    code, _, err = run("fit", *words(files), "--out", out, "--seed", "5")
    assert code == 4
    assert "holds another run" in err
    assert len(fits) == 2  # one judges, one is by setting


def test_a_season_run_is_kept_used_again_and_never_overwritten(season, fits, run, run_json):
    code, first = run_json("compare")
    assert code == 0
    assert len(runs(season)) == 1
    folder = season / "runs" / runs(season)[0]
    kept = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert set(kept) == {"SHA256SUMS", "manifest.json", "fit.nc", "verdict.nc", "compare.json"}
    code, second = run_json("compare")
    assert code == 0
    assert second == first
    assert len(fits) == 2  # one judges, one is by setting
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == kept
    assert run("compare", "--contrast", "rho")[0] == 0
    assert (folder / "compare-2.json").is_file()
    assert (folder / "compare.json").read_bytes() == kept["compare.json"]


def test_a_new_rope_has_its_own_run_but_no_new_fit(season, fits, run_json):
    run_json("compare")
    code, told = run_json("compare", "--rope-r2=-0.2:0.2")
    assert code == 0
    assert told["rope"] == [-0.2, 0.2]
    assert len(runs(season)) == 2
    assert len(fits) == 2  # one judges, one is by setting


def test_editing_a_record_file_is_noticed_once(season, fits, run):
    assert run("compare")[2] == ""
    name = runs(season)[0]
    path = season / "practice.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",40,", ",41,", 1), encoding="utf-8")
    code, _, err = run("rates")
    assert code == 0
    assert err == f"note: practice.csv changed since run {name}\n"
    code, _, err = run("compare")
    assert code == 0
    assert "practice.csv changed" in err
    assert len(fits) == 4  # two more of the changed records
    assert run("compare")[2] == ""
    assert len(runs(season)) == 2


def test_report_is_one_page_with_equal_bytes_for_equal_inputs(season, fits, run, tmp_path):
    assert run("report", "--no-score")[0] == 0
    first = (season / "runs" / runs(season)[0] / "report.html").read_bytes()
    code, out, _ = run("report", "--no-score", "--out", tmp_path / "again")
    assert code == 0
    assert (tmp_path / "again" / "report.html").read_bytes() == first
    assert str(tmp_path / "again" / "report.html") in out
    page = first.decode()
    assert "practice.csv" in page
    assert str(season) not in page


def test_report_outside_a_season_needs_a_place(files, fits, run):
    assert run("report", *words(files))[0] == 2
    assert fits == []


@pytest.mark.parametrize("as_json", [False, True])
def test_failed_diagnostics_give_no_estimate(files, run, monkeypatch, as_json):
    from transfer.errors import DiagnosticsError
    from transfer.terminal import inputs

    def failing(cells, request, purpose="forecast"):
        raise DiagnosticsError("R-hat 1.08", rule="R-hat < 1.01", next_step="more attempts")

    monkeypatch.setattr(inputs, "fit_cells", failing)
    extra = ("--json",) if as_json else ()
    code, out, err = run("compare", *words(files), *extra)
    assert code == 3
    if as_json:
        assert json.loads(out)["error"] == "DiagnosticsError"
    else:
        assert out == ""
        assert "R-hat 1.08" in err


def test_demo_writes_a_page_for_each_study(tmp_path, fits, run_json, monkeypatch):
    from invented import write_invented_records

    for name in ("conference", "one_program"):
        folder = tmp_path / "data" / name
        folder.mkdir(parents=True)
        write_invented_records(folder)
        for table in ("roster", "drills"):
            text = "player\nP01\n" if table == "roster" else "drill\nshort_roll_spot\nscreen_drop\n"
            (folder / f"{table}.csv").write_text(text, encoding="utf-8")
    out = tmp_path / "pages"
    code, told = run_json("demo", "--data", tmp_path / "data", "--out", out)
    assert code == 0
    del told["schema"]
    assert set(told) == {"conference", "one_program"}
    pages = {f"demo_{name}.html" for name in told}
    pictures = {f"demo_{name}_{what}.png" for name in told
                for what in ("correlations", "practice_game")}  # fmt: skip
    assert {p.name for p in out.iterdir()} == pages | pictures
    assert (
        sum(len(cells.settings) > 0 for cells in fits) == 4
    )  # two a study, beside two of games alone
