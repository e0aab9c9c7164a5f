"""Counting large files and leaving programs out, from the command line."""

from __future__ import annotations

import json

import pandas as pd

from transfer.records.cells import build_cells
from transfer.records.reading import read_records


def test_cells_of_large_files_are_those_of_the_records(files, run, tmp_path):
    folder, out = tmp_path / "weeks", tmp_path / "cells.csv"
    folder.mkdir()
    practice = pd.read_csv(files["practice"], dtype="str")
    for month, part in practice.groupby(practice["date"].str[:7]):
        part.to_csv(folder / f"{month}.csv", index=False)
    words = ("cells", "--practice", folder, "--games", files["games"], "--out", out)
    code, said, _ = run(*words, "--cache", tmp_path / "cache", "--json")
    told = json.loads(said)
    wanted = build_cells(read_records(files["practice"], files["games"])).table
    kept = pd.read_csv(out)
    assert code == 0
    assert kept["n"].tolist() == wanted["n"].tolist()
    assert kept["y"].tolist() == wanted["y"].tolist()
    assert told["cells"] == len(wanted)
    assert not any(f["from_cache"] for f in told["files"])
    _, said, _ = run(*words, "--cache", tmp_path / "cache")
    assert "0 read now" in said
    assert "Not checked in this way of reading" in said


def test_one_program_cannot_be_left_out(files, run):
    words = ("programs", "--practice", files["practice"], "--games", files["games"], "--json")
    code, out, err = run(*words)
    assert code == 2
    assert "the records hold one program" in out + err
