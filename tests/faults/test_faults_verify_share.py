"""A run is verified against its hashes; a bundle holds aggregates only."""

from __future__ import annotations

import io
import json
import re
import subprocess
import zipfile

import pandas as pd


def test_an_untouched_run_passes(fitted, run_json):
    code, found = run_json("verify", fitted)
    assert code == 0
    assert found["passed"]
    kinds = {(f["kind"], f["name"]) for f in found["files"] if f["kind"] != "version"}
    assert {("input", "practice.csv"), ("input", "games.csv"), ("output", "fit.nc")} <= kinds


def test_every_kind_of_change_is_named(fitted, season, run_json):
    (season / "games.csv").write_text("date,game,player,attempts,makes\n")
    (season / "practice.csv").unlink()
    (fitted / "fit.nc").write_bytes(b"other")
    (fitted / "extra.txt").write_text("x")
    manifest = json.loads((fitted / "manifest.json").read_text())
    manifest["options"]["seed"] = 99
    (fitted / "manifest.json").write_text(json.dumps(manifest))
    code, found = run_json("verify", fitted)
    assert code == 1
    states = {f["name"]: f["state"] for f in found["files"]}
    assert states["games.csv"] == states["fit.nc"] == states["manifest.json"] == "changed"
    assert states["practice.csv"] == "missing"
    assert states["extra.txt"] == "not listed"
    assert "practice.csv is missing" in found["text"]


def test_a_deleted_output_is_missing(fitted, run):
    (fitted / "fit.nc").unlink()
    code, out, _ = run("verify", fitted)
    assert code == 1
    assert "output fit.nc is missing" in out


def test_other_versions_are_told_and_do_not_fail_the_run(fitted, run_json, monkeypatch):
    from transfer import provenance

    installed = provenance.package_versions()
    monkeypatch.setattr(provenance, "package_versions", lambda: {**installed, "numpy": "0.1"})
    code, found = run_json("verify", fitted)
    assert code == 0
    assert "other versions of numpy" in found["text"]


def test_the_list_of_hashes_is_in_the_common_form(fitted):
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "SHA256SUMS"],
        cwd=fitted, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "fit.nc: OK" in done.stdout


def test_names_in_a_manifest_lead_nowhere_else(fitted, tmp_path, run_json):
    secret = tmp_path / "secret.csv"
    secret.write_text("x")
    manifest = json.loads((fitted / "manifest.json").read_text())
    manifest["inputs"] = {"practice": {"file": str(secret), "sha256": "0" * 64}}
    other = tmp_path / "elsewhere"
    other.mkdir()
    (other / "manifest.json").write_text(json.dumps(manifest))
    code, found = run_json("verify", other, "--records", other)
    assert code == 1
    row = next(f for f in found["files"] if f["kind"] == "input")
    assert (row["name"], row["state"]) == ("secret.csv", "missing")


def test_a_folder_without_manifest_is_refused(tmp_path, run):
    code, _, err = run("verify", tmp_path)
    assert code == 4
    assert "manifest.json" in err


def bundle(path):
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name).decode() for name in archive.namelist()}


def test_a_bundle_holds_no_player_and_no_file_name(fitted, season, tmp_path, run):
    out = tmp_path / "share.zip"
    code, text, err = run("share", fitted, "--out", out)
    assert code == 0, err
    files = bundle(out)
    assert sorted(files) == ["README.txt", "counts.csv", "manifest.json", "population.csv"]
    whole = "\n".join(files.values())
    players = pd.read_csv(season / "practice.csv")["player"].unique()
    assert len(players) == 6
    for word in [*players, "practice.csv", "games.csv", str(tmp_path)]:
        assert word not in whole
    counts = pd.read_csv(io.StringIO(files["counts.csv"]))
    total = pd.read_csv(season / "practice.csv")["attempts"].sum()
    shown = counts.set_index(["program", "setting"])
    practice = shown.loc[("all", "rep/none"), "attempts"]
    practice += shown.loc[("all", "live/trailing"), "attempts"]
    assert practice == total
    assert set(pd.read_csv(io.StringIO(files["population.csv"]))["setting"]) == {
        "rep/none", "live/trailing", "game",
    }  # fmt: skip
    assert "hidden" in text


def test_no_guess_at_the_records_can_be_confirmed_by_a_hash(fitted, tmp_path, run):
    out = tmp_path / "share.zip"
    assert run("share", fitted, "--out", out)[0] == 0
    told = json.loads(bundle(out)["manifest.json"])
    assert told["inputs"] == ["games", "practice"]
    assert re.findall(r"[0-9a-f]{40,}", "\n".join(bundle(out).values())) == []


def test_equal_runs_give_equal_bundles_and_nothing_is_overwritten(fitted, tmp_path, run):
    one, two = tmp_path / "one.zip", tmp_path / "two.zip"
    assert run("share", fitted, "--out", one)[0] == 0
    assert run("share", fitted, "--out", two)[0] == 0
    assert one.read_bytes() == two.read_bytes()
    before = one.read_bytes()
    code, _, err = run("share", fitted, "--out", one)
    assert code == 4
    assert "nothing is overwritten" in err
    assert one.read_bytes() == before


def test_small_groups_are_hidden_in_the_bundle(season, fitted, tmp_path, run, monkeypatch):
    games = pd.read_csv(season / "games.csv")
    games[games["player"].isin(["P01", "P02", "P03"])].to_csv(season / "games.csv", index=False)
    assert run("fit")[0] == 0
    newest = max((season / "runs").iterdir(), key=lambda f: f.stat().st_mtime)
    assert newest != fitted
    out = tmp_path / "small.zip"
    assert run("share", newest, "--out", out)[0] == 0
    files = bundle(out)
    counts = pd.read_csv(io.StringIO(files["counts.csv"]))
    assert counts.loc[counts["setting"] == "game", "attempts"].isna().all()
    assert "game" not in set(pd.read_csv(io.StringIO(files["population.csv"]))["setting"])
    # The fit of the first run is not that of these records.
    assert run("share", fitted, "--out", tmp_path / "x.zip")[0] == 4
