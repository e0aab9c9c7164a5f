"""What was altered, or was never a file, is refused before it is believed or opened."""

from __future__ import annotations

import json
import os
import re

import numpy as np
import pandas as pd
import pytest

from transfer.errors import StorageError
from transfer.models.storage import load_fit


def readable_places(content):
    """Positions inside runs of at least eight printable characters."""
    return np.concatenate([np.arange(*m.span()) for m in re.finditer(rb"[ -~]{8,}", content)])


def differences(found, truth):
    """Parts of two fits that are not the same."""
    arrays = {
        "theta": lambda f: f.theta,
        **{
            f"{which}.{name}": lambda f, w=which, n=name: getattr(getattr(f, w), n)
            for which in ("population", "prior")
            for name in ("mu", "tau", "omega")
        },
    }
    other = [name for name, of in arrays.items() if not np.array_equal(of(found), of(truth))]
    for name in ("settings", "modes", "units", "labels", "diagnostics", "provenance"):
        if getattr(found, name) != getattr(truth, name):
            other.append(name)
    if not found.cells.table.equals(truth.cells.table):
        other.append("cells")
    return other


def flip_bits(whole, tries, seed, path):
    """Load the file with one bit turned, half of them in text; say how many were refused."""
    truth = load_fit(path)
    rng, readable = np.random.default_rng(seed), readable_places(whole)
    refused = 0
    for number in range(tries):
        at = rng.choice(readable) if number % 2 else rng.integers(len(whole))
        changed = bytearray(whole)
        changed[int(at)] ^= 1 << int(rng.integers(8))
        path.write_bytes(changed)
        try:
            found = load_fit(path)
        except StorageError:
            refused += 1
            continue
        assert differences(found, truth) == [], f"bit of byte {at}"
    return refused


@pytest.mark.fault("corrupted or truncated saved fit")
@pytest.mark.parametrize("tries", [100, pytest.param(2000, marks=pytest.mark.slow)])
def test_a_turned_bit_is_refused_or_without_effect(fitted, tmp_path, tries, record_property):
    whole = (fitted / "fit.nc").read_bytes()
    path = tmp_path / "fit.nc"
    path.write_bytes(whole)
    record_property("tries", tries)
    refused = flip_bits(whole, tries, 20261126, path)
    assert tries / 4 < refused < tries, "the seed gives both kinds, so that each is looked at"


@pytest.mark.fault("a saved fit that another person altered")
def test_replaced_correlations_are_refused_by_every_door(fitted, tmp_path, run):
    import xarray as xr

    with xr.open_datatree(fitted / "fit.nc", engine="h5netcdf") as opened:
        tree = opened.load()
    tree["posterior"]["omega"][:] = 0.9
    tree.to_netcdf(fitted / "fit.nc", engine="h5netcdf")
    with pytest.raises(StorageError, match="digest"):
        load_fit(fitted / "fit.nc")
    for command in (("compare",), ("report",), ("share", fitted, "--out", tmp_path / "s.zip")):
        code, out, err = run(*command)
        assert code == 4, (command, out, err)
        assert "SHA256SUMS" in err


@pytest.mark.fault("a manifest that another person altered")
@pytest.mark.parametrize(
    "alter",
    [
        lambda m: m.update(created="2020-01-01T00:00:00+00:00"),
        lambda m: m.update(fit_key="0" * 64),
        lambda m: m["inputs"].pop("games"),
        lambda m: m.update(extra="a field more"),
        lambda m: m["versions"].update(numpy="0.1"),
    ],
    ids=["created", "fit_key", "an input removed", "a field more", "a version"],
)
def test_every_field_of_the_manifest_counts(fitted, run_json, alter):
    manifest = json.loads((fitted / "manifest.json").read_text())
    alter(manifest)
    (fitted / "manifest.json").write_text(json.dumps(manifest, indent=2))
    code, found = run_json("verify", fitted)
    assert code == 1
    assert "manifest manifest.json is changed" in found["text"]


@pytest.mark.fault("a manifest that another person altered")
@pytest.mark.parametrize("part", ["inputs", "options", "versions"])
def test_half_a_character_in_a_manifest_is_refused(fitted, run, part):
    manifest = json.loads((fitted / "manifest.json").read_text())
    manifest[part]["a\ud800"] = {"file": "g\ud800.csv", "sha256": "0" * 64}
    (fitted / "manifest.json").write_text(json.dumps(manifest))
    code, _, err = run("verify", fitted)
    assert code == 4
    assert "no readable manifest.json" in err


@pytest.mark.fault("a run folder that holds more than the run made")
def test_subfolders_links_and_pipes_are_told(fitted, run_json):
    (fitted / "deeper").mkdir()
    (fitted / "deeper" / "x.txt").write_text("x")
    os.mkfifo(fitted / "pipe")
    (fitted / "link").symlink_to("fit.nc")
    (fitted / "fit.nc").rename(fitted / "moved.nc")
    (fitted / "fit.nc").symlink_to("moved.nc")
    code, found = run_json("verify", fitted)
    states = {f["name"]: f["state"] for f in found["files"]}
    assert code == 1
    assert [states[name] for name in ("deeper", "pipe", "link")] == ["not listed"] * 3
    assert states["fit.nc"] == "changed"


@pytest.mark.fault("killed between a file and its line in the list")
def test_the_same_command_again_heals_a_lost_note(fitted, run, run_json):
    (fitted / "SHA256SUMS").unlink()
    code, _ = run_json("verify", fitted)
    assert code == 1
    code, _, err = run("compare")
    assert code == 0, err
    code, found = run_json("verify", fitted)
    assert code == 0, found["text"]


@pytest.mark.fault("a pipe or a device where a file should be")
@pytest.mark.parametrize("table", ["practice", "games", "roster"])
@pytest.mark.parametrize("what", ["pipe", "device"])
def test_pipes_and_devices_are_no_record_files(season, run, table, what):
    place = season / f"{table}.csv"
    place.unlink(missing_ok=True)
    if what == "pipe":
        os.mkfifo(place)
    else:
        place.symlink_to("/dev/zero")
    code, out, err = run("check", f"--{table}", place)
    assert code == 2
    assert "not a plain file" in out + err


@pytest.mark.fault("a pipe or a device where a file should be")
def test_a_manifest_that_is_a_pipe_does_not_hang(fitted, run):
    (fitted / "manifest.json").unlink()
    os.mkfifo(fitted / "manifest.json")
    code, _, err = run("verify", fitted)
    assert code == 4
    assert "not a plain file" in err


@pytest.mark.fault("settings no one would write")
@pytest.mark.parametrize("seed", [2**63, 2**64, 10**30, -1])
@pytest.mark.parametrize("command", ["check", "compare", "rates"])
def test_a_seed_beyond_its_range_is_refused_by_the_first_command(season, run, command, seed):
    settings = (season / "transfer.toml").read_text().replace("seed = 1\n", f"seed = {seed}\n")
    (season / "transfer.toml").write_text(settings)
    code, _, err = run(command)
    assert code == 2
    assert "from 0 to 9223372036854775807" in err


@pytest.mark.fault("settings no one would write")
def test_the_largest_seed_works(season, run, fitted):
    code, _, err = run("compare", "--seed", 2**63 - 1)
    assert code == 0, err


@pytest.mark.fault("settings no one would write")
@pytest.mark.parametrize(
    "text",
    [
        "sd_game = " + "9" * 5001,
        "sd_game = " + "[" * 100_000,
        "x = " + "{a = " * 20_000,
        "x = " + "{a = " * 20_000 + "1" + "}" * 20_000,
        "# " + "x" * (2 << 20),
        "\x00",
    ],
    ids=["5001 digits", "brackets", "open braces", "braces", "2 MB", "zero byte"],
)
@pytest.mark.parametrize("file", ["transfer.toml", "priors.toml"])
def test_odd_settings_files_are_refused(season, run, file, text):
    given = [] if file == "transfer.toml" else ["--priors", season / file]
    (season / file).write_text(text)
    code, _, err = run("compare", *given)
    assert code in (2, 4)
    assert "Next:" in err


@pytest.mark.fault("numbers beyond any season")
def test_a_count_of_26_digits_is_too_large_not_fractional(season, run):
    games = pd.read_csv(season / "games.csv", dtype=str)
    games.loc[0, "attempts"] = "9" * 26
    games.to_csv(season / "games.csv", index=False)
    code, out, err = run("check")
    assert code == 2
    assert "fractional" not in out + err
    assert "9" * 20 in out + err
