"""Large files counted batch by batch give the cells that reading everything gives."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from invented import files_of

from transfer.errors import ArgumentError, RecordsError, StorageError
from transfer.records.bulk import bulk_cells
from transfer.records.cells import build_cells
from transfer.records.reading import read_records


def practice_rows(seed: int = 1, rows: int = 3000) -> pd.DataFrame:
    """One row per attempt of two programs, with minutes that stand on each row of a drill."""
    rng = np.random.default_rng(seed)
    drill = rng.integers(0, 6, rows)
    day = rng.integers(0, 14, rows)
    player, program = rng.integers(1, 8, rows), rng.integers(0, 2, rows)
    made = rng.integers(0, 2, rows)
    frame = pd.DataFrame(
        {
            "date": pd.Timestamp("2025-11-03") + pd.to_timedelta(day, unit="D"),
            "session": "1",
            "player": [f"P{p:02d}" for p in player],
            "program": np.array(["A", "B"])[program],
            "season": "2025-26",
            "drill": [f"d{d}" for d in drill],
            "mode": np.where(drill < 3, "rep", "Live"),
            "contest": np.array(["none", "light", "none", "trailing", "Front", "trailing"])[drill],
            "made": made,
            "minutes": 5.0 + drill + day / 7,
            "fouled": ((1 - made) * (rng.random(rows) < 0.1)).astype(int),
            "distance_ft": np.where(rng.random(rows) < 0.3, np.nan, rng.uniform(4, 14, rows)),
            "spot": np.where(rng.random(rows) < 0.5, "mark_1", ""),
            "defender": np.where(drill < 3, "", "P09"),
            "second_chart": np.where(drill == 5, np.where(day == 3, "yes", "no"), "no"),
        }
    )
    frame["attempt"] = (
        frame.groupby(["program", "date", "player", "drill"], dropna=False).cumcount() + 1
    )
    frame["second_chart"] = frame["second_chart"].astype("str")
    return frame


def game_rows(seed: int = 2) -> pd.DataFrame:
    """Rows of counts by contest, minutes of the game on each."""
    rng = np.random.default_rng(seed)
    keys = pd.MultiIndex.from_product(
        [["A", "B"], [f"P{p:02d}" for p in range(1, 9)], range(6), ["none", "front"]],
        names=["program", "player", "g", "contest"],
    ).to_frame(index=False)
    keys = keys[(rng.random(len(keys)) < 0.8)].reset_index(drop=True)
    attempts = rng.integers(0, 5, len(keys))
    return keys.assign(
        date=pd.Timestamp("2025-11-08") + pd.to_timedelta(keys["g"] * 7, unit="D"),
        game="G" + keys["g"].astype("str"),
        season="2025-26",
        attempts=attempts,
        makes=rng.binomial(attempts, 0.4),
        minutes=20.0 + keys["g"],
    ).drop(columns="g")


def written(folder, frame: pd.DataFrame, name: str, ending: str, weeks: bool = True) -> list:
    """Write a table as one file per week."""
    week = (frame["date"] - pd.Timestamp("2025-11-03")).dt.days // 7 if weeks else frame["date"] * 0
    return files_of(frame, week, folder, name, ending)


@pytest.mark.parametrize("ending", ["parquet", "csv"])
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"distance": True, "fouled_miss_counts": True},
        {"game_contest": True, "defenders": True},
    ],
    ids=["plain", "distance", "split"],
)
def test_the_same_cells_as_reading_everything(tmp_path, ending, options):
    practice, games = practice_rows(), game_rows()
    bulk = bulk_cells(
        written(tmp_path, practice, "practice", ending),
        written(tmp_path, games, "games", ending),
        **options,
    )
    whole = build_cells(read_records(practice, games), **options)
    assert bulk.cells.settings == whole.settings
    assert bulk.cells.units == whole.units
    # Sums of minutes and distances are taken in another order: equal to rounding, counts exactly.
    pd.testing.assert_frame_equal(bulk.cells.table, whole.table, rtol=1e-9)
    assert whole.table["minutes"].notna().any()
    assert bulk.table["rows"].sum() == len(practice) + len(games)


def test_adding_a_week_reads_the_week_only(tmp_path):
    practice = practice_rows()
    files = written(tmp_path, practice, "practice", "parquet")
    cache = tmp_path / "cache"
    before = bulk_cells(files[:1], cache=cache)
    after = bulk_cells(files, cache=cache)
    assert before.table["from_cache"].tolist() == [False]
    assert after.table["from_cache"].tolist() == [True, False]
    assert after.cells.data_hash == bulk_cells(files).cells.data_hash
    assert "1 read now, 1 from the cache" in after.text
    # A changed week is read again, also when its size is the same.
    changed = practice[practice["date"] < "2025-11-10"].assign(
        made=lambda f: 1 - f["made"], fouled=0
    )
    changed.to_parquet(files[0], index=False)
    again = bulk_cells(files, cache=cache)
    assert again.table["from_cache"].tolist() == [False, True]
    assert again.cells.data_hash != after.cells.data_hash


@pytest.mark.parametrize(
    ("column", "value", "rule"),
    [
        ("mode", "drilled", "mode is one of rep, live"),
        ("contest", "", "contest is needed in every row"),
        ("made", "2", "made is 1 or 0"),
        ("date", "03/11/2025", "a date is written year-month-day"),
        ("player", "P/1", "holds no '/'"),
        ("minutes", "77", "minutes are the same on all rows"),
        ("fouled", "3", "fouled is 1 or 0"),
        ("session", "", "session is needed"),
    ],
)
def test_broken_rules_are_told_with_the_file(tmp_path, column, value, rule):
    frame = practice_rows(rows=400).astype({column: "object"})
    frame["date"] = frame["date"].astype("str")
    frame.loc[7, column] = value
    path = tmp_path / "week.csv"
    frame.to_csv(path, index=False)
    with pytest.raises(RecordsError) as refused:
        bulk_cells([path])
    found = [p for p in refused.value.problems if p["column"] == column]
    assert found
    assert rule in str(found[0]["rule"])
    assert found[0]["file"] == "week.csv"


def test_dates_outside_the_season_are_told(tmp_path):
    files = written(tmp_path, practice_rows(), "practice", "parquet")
    with pytest.raises(RecordsError, match="1 problem in 1 file"):
        bulk_cells(files, season_end=dt.date(2025, 11, 12))


def test_a_day_in_two_files_is_refused_when_minutes_would_count_twice(tmp_path):
    practice = practice_rows()
    halves = [tmp_path / "a.parquet", tmp_path / "b.parquet"]
    practice.iloc[::2].to_parquet(halves[0], index=False)
    practice.iloc[1::2].to_parquet(halves[1], index=False)
    with pytest.raises(ArgumentError, match="days in more than one file"):
        bulk_cells(halves)
    for half in halves:
        pd.read_parquet(half).drop(columns="minutes").to_parquet(half, index=False)
    whole = build_cells(read_records(practice.drop(columns="minutes")))
    pd.testing.assert_frame_equal(bulk_cells(halves).cells.table, whole.table)


def test_what_cannot_be_read_is_said(tmp_path):
    with pytest.raises(ArgumentError, match="no file was given"):
        bulk_cells()
    with pytest.raises(ArgumentError, match=r"ends in \.xlsx"):
        bulk_cells([tmp_path / "a.xlsx"])
    with pytest.raises(StorageError, match="cannot be opened"):
        bulk_cells([tmp_path / "gone.csv"])
    path = tmp_path / "plain.csv"
    practice_rows(rows=50).drop(columns="contest").to_csv(path, index=False)
    with pytest.raises(StorageError, match="lacks the column contest"):
        bulk_cells([path])
    (tmp_path / "text.parquet").write_text("not a table")
    with pytest.raises(StorageError, match="could not be counted"):
        bulk_cells([tmp_path / "text.parquet"])
