"""The statement that the page on speed gives for files larger than memory counts rightly."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from transfer.records.cells import build_cells
from transfer.records.reading import read_records
from transfer.records.weeks import weekly_cells

PAGE = Path(__file__).parents[2] / "docs" / "speed.md"


def attempts(rng, day, rows):
    """Single attempts of one day in drills whose contest varies, with the minutes of the drill."""
    drill = rng.integers(0, 3, rows)
    return pd.DataFrame(
        {
            "program": rng.choice(["A", "B"], rows),
            "season": "2025-26",
            "date": f"2025-11-{day:02d}",
            "session": "1",
            "player": rng.choice(["P01", "P02", "P03"], rows),
            "drill": np.array(["air", "screen", "rim"])[drill],
            "mode": np.array(["rep", "live", "live"])[drill],
            "contest": np.where(drill == 0, "none", rng.choice(["trailing", "front"], rows)),
            "made": rng.integers(0, 2, rows),
            "minutes": drill + 4.5,
        }
    )


def test_the_statement_gives_the_cells_of_the_attempts(tmp_path, monkeypatch):
    (code,) = re.findall(r"```python\n(import duckdb.*?)```", PAGE.read_text("utf-8"), re.S)
    folder = tmp_path / "attempts"
    folder.mkdir()
    rng = np.random.default_rng(20251126)
    weeks = [attempts(rng, day, 300) for day in (3, 10, 17)]
    for number, week in enumerate(weeks):
        week.to_csv(folder / f"week-{number}.csv", index=False)
    monkeypatch.chdir(tmp_path)
    exec(compile(code, str(PAGE), "exec"), {})
    counted = read_records(tmp_path / "practice.parquet")
    singly = read_records(pd.concat(weeks, ignore_index=True))
    assert len(counted.practice) < 300
    ours, theirs = build_cells(counted).table, build_cells(singly).table
    pd.testing.assert_frame_equal(ours, theirs, check_exact=False, rtol=1e-9)
    assert ours["n"].sum() == 900
    by_week = [weekly_cells(records).table for records in (counted, singly)]
    pd.testing.assert_frame_equal(*by_week, check_exact=False, rtol=1e-9)
    assert by_week[0]["minutes"].sum() == pytest.approx(
        pd.concat(weeks).drop_duplicates(["program", "date", "player", "drill"])["minutes"].sum()
    )
