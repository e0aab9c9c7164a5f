"""``transfer cells``: drill defaults from a file."""

from __future__ import annotations

import pandas as pd


def test_drill_defaults_fill_blanks_of_large_files(run, tmp_path):
    rows = {
        "date": "2025-11-03",
        "session": "1",
        "player": ["P01", "P01", "P02"],
        "drill": ["air", "chase", "air"],
        "mode": ["", "", "live"],
        "made": [1, 0, 1],
    }
    pd.DataFrame(rows).assign(contest="").to_csv(tmp_path / "week.csv", index=False)
    drills = {"drill": ["air", "chase"], "mode": ["rep", "live"], "contest": ["none", "trailing"]}
    pd.DataFrame(drills).to_csv(tmp_path / "drills.csv", index=False)
    words = ("cells", "--practice", tmp_path / "week.csv", "--out", tmp_path / "cells.csv")
    code, out, err = run(*words)
    assert code != 0
    assert "mode is needed in every row" in out + err
    code, _, _ = run(*words, "--drills", tmp_path / "drills.csv")
    assert code == 0
    kept = pd.read_csv(tmp_path / "cells.csv", keep_default_na=False)
    assert kept[["player", "setting", "n", "y"]].to_numpy().tolist() == [
        ["P01", "rep/none", 1, 1],
        ["P01", "live/trailing", 1, 0],
        ["P02", "live/none", 1, 1],
    ]
