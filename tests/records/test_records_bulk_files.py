"""Large files of every shape: separators, encodings, odd cells, many numbers, little memory."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from test_records_bulk import game_rows, practice_rows, written

from transfer.errors import ArgumentError, RecordsError, StorageError
from transfer.records import bulk_count, bulk_groups, bulk_read
from transfer.records.bulk import bulk_cells
from transfer.records.bulk_groups import Groups, combine
from transfer.records.cells import build_cells
from transfer.records.reading import read_records


def problems_of(*files, **options) -> list[dict]:
    """What a file is refused for."""
    with pytest.raises(RecordsError) as refused:
        bulk_cells(list(files), **options)
    return refused.value.problems


@pytest.mark.parametrize(
    "options", [{}, {"distance": True, "fouled_miss_counts": True}], ids=["plain", "distance"]
)
@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_little_memory_gives_the_same_cells(tmp_path, monkeypatch, ending, options):
    practice = written(tmp_path, practice_rows(), "practice", ending)
    games = written(tmp_path, game_rows(), "games", ending)
    whole = bulk_cells(practice, games, **options)
    monkeypatch.setattr(bulk_count, "_LEAST", 16)
    monkeypatch.setattr(bulk_count, "_BYTES_EACH", 1 << 16)
    monkeypatch.setattr(bulk_groups, "_ROWS", 100)
    monkeypatch.setattr(bulk_read, "_ROWS", 100)
    monkeypatch.setattr(bulk_read, "_BYTES", 1 << 13)
    spills = []
    spill = Groups._spill
    monkeypatch.setattr(Groups, "_spill", lambda self: spills.append(1) or spill(self))
    small = bulk_cells(practice, games, memory_mb=1, **options)
    assert len(spills) > 12
    pd.testing.assert_frame_equal(small.cells.table, whole.cells.table, rtol=1e-9)


@pytest.mark.parametrize("ending", ["csv", "parquet", "texts"])
def test_many_different_numbers_are_read_as_in_small_files(tmp_path, ending):
    rng = np.random.default_rng(3)
    frame = practice_rows(rows=6000).assign(distance_ft=rng.uniform(0, 94, 6000))
    frame["distance_ft"] = frame["distance_ft"].astype("str" if ending == "texts" else float)
    if ending == "texts":
        frame.loc[:6, "distance_ft"] = ["", " 7.25 ", "+8", "9.", ".5", "1e1", "NA"]
    path = tmp_path / ("a.csv" if ending == "csv" else "a.parquet")
    frame.to_csv(path, index=False) if ending == "csv" else frame.to_parquet(path, index=False)
    whole = build_cells(read_records(path), distance=True)
    found = bulk_cells([path], distance=True).cells
    pd.testing.assert_frame_equal(found.table, whole.table, rtol=1e-9)

    frame["distance_ft"] = frame["distance_ft"].astype("object")
    frame.loc[[100, 300], "distance_ft"] = ["-1" if ending == "texts" else -1.0] * 2
    frame.to_csv(path, index=False) if ending == "csv" else frame.astype(
        {"distance_ft": str if ending == "texts" else float}
    ).to_parquet(path, index=False)
    (told,) = problems_of(path, distance=True)
    assert told["rule"] == "distance_ft is between 0 and 94 ft"
    assert (told["row"], told["column"]) == (102 if ending == "csv" else 101, "distance_ft")


@pytest.mark.parametrize(
    ("separator", "encoding", "end"),
    [(",", "utf-8-sig", "\r\n"), (";", "utf-16", "\n"), ("\t", "utf-8", "\r\n")],
)
def test_csv_in_the_forms_that_spreadsheets_write(tmp_path, separator, encoding, end):
    frame = practice_rows(rows=300).rename(
        columns={"date": "Date ", "second_chart": "Second-Chart"}
    )
    path = tmp_path / "week.csv"
    frame.to_csv(path, index=False, sep=separator, encoding=encoding, lineterminator=end)
    whole = build_cells(read_records(path))
    pd.testing.assert_frame_equal(bulk_cells([path]).cells.table, whole.table, rtol=1e-9)


def test_rows_without_any_text_are_left_out_and_rows_with_some_are_not(tmp_path):
    frame = practice_rows(rows=60).assign(charter="C1").astype("object")
    frame["date"] = frame["date"].astype("str")
    empty = pd.DataFrame([dict.fromkeys(frame.columns, "")] * 2)
    path = tmp_path / "week.csv"
    pd.concat([frame.iloc[:20], empty, frame.iloc[20:], empty]).to_csv(path, index=False)
    pd.testing.assert_frame_equal(
        bulk_cells([path]).cells.table, build_cells(read_records(frame)).table, rtol=1e-9
    )
    # The charter is no part of a cell, but a row that holds one is a row.
    held = empty.assign(charter=["C1", ""])
    pd.concat([frame.iloc[:20], held, frame.iloc[20:]]).to_csv(path, index=False)
    told = problems_of(path)
    assert {(p["column"], p["row"]) for p in told} >= {("date", 22), ("player", 22)}
    assert all(p["value"] in ("1 rows", "") or p["column"] == "made" for p in told)


def test_rows_are_named_as_a_person_sees_them(tmp_path):
    frame = practice_rows(rows=40).astype("object")
    frame["date"] = frame["date"].astype("str")
    frame.loc[[9, 30], "mode"] = "drilled"
    frame.loc[12, "player"] = ""
    frame.loc[3, "drill"] = "two\nlines"
    path = tmp_path / "week.csv"
    frame.to_csv(path, index=False)
    told = {(p["column"], p["row"], p["value"]) for p in problems_of(path)}
    # The line break inside a cell moves later rows down by one; the header is row 1.
    assert ("mode", 12, "drilled") in told
    assert ("player", 15, "1 rows") in told
    with pytest.raises(RecordsError) as refused:
        read_records(path)
    assert {p["row"] for p in refused.value.problems if p["column"] == "mode"} == {12, 33}
    frame.to_parquet(tmp_path / "week.parquet")
    told = {(p["column"], p["row"]) for p in problems_of(tmp_path / "week.parquet")}
    assert {("mode", 10), ("player", 13)} <= told


def test_many_refused_values_are_summed_up(tmp_path):
    frame = practice_rows(rows=1500).assign(mode=[f"mode {i}" for i in range(1500)])
    path = tmp_path / "week.csv"
    frame.to_csv(path, index=False)
    told = problems_of(path)
    assert len(told) == 101
    assert any(p["rule"] == "1400 more different values of mode were refused" for p in told)


def test_drill_defaults_and_the_only_program_fill_blanks(tmp_path):
    frame = practice_rows(rows=400).assign(program="A", contest="", mode="")
    frame = frame.drop(columns="attempt")  # two programs' numbers are not one program's
    frame.loc[::3, "program"] = ""
    drills = pd.DataFrame({"drill": [f"d{i}" for i in range(6)], "mode": ["rep", "live"] * 3,
                           "contest": ["none", "front"] * 3})  # fmt: skip
    files = written(tmp_path, frame, "practice", "csv")
    cache = tmp_path / "cache"
    for _ in range(2):
        found = bulk_cells(files, drills=drills, cache=cache)
        whole = build_cells(read_records(frame, drills=drills))
        pd.testing.assert_frame_equal(found.cells.table, whole.table, rtol=1e-9)
        assert [p.rule for p in found.problems if p.severity == "note"] == [
            "blank program was taken as 'A', the only one in the records"
        ] * len(files)
    assert found.table["from_cache"].all()
    # Counted files hold no defaults: another drills table is applied to the same counts.
    other = bulk_cells(files, drills=drills.assign(contest="light"), cache=cache)
    assert other.cells.settings == ("rep/light", "live/light")
    assert other.table["from_cache"].all()
    told = problems_of(*files, drills=drills.iloc[1:])
    assert {p["rule"] for p in told if p["severity"] == "error"} == {
        "mode is needed in every row, or as the drill's default",
        "contest is needed in every row, or as the drill's default",
    }
    first = frame[(frame["drill"] == "d0") & (frame["date"] < "2025-11-10")]
    assert f"drill d0, {len(first):,} rows" in {p["value"] for p in told}


@pytest.mark.parametrize("columns", ["mode,contest", "mode,side", "mode,spot", "mode,hand"])
def test_drills_supply_columns_that_the_files_lack(tmp_path, columns):
    frame = practice_rows(rows=200).drop(columns=["spot", "distance_ft"])
    drills = pd.DataFrame({"drill": [f"d{i}" for i in range(6)], "hand": ["left", ""] * 3,
                           "spot": ["left_mark_1", "right_block", ""] * 2})  # fmt: skip
    files = written(tmp_path, frame, "practice", "parquet")
    found = bulk_cells(files, settings=columns, drills=drills, distance=True).cells
    whole = build_cells(read_records(frame, drills=drills), columns, distance=True)
    assert found.settings == whole.settings
    assert found.table["distance_ft"].notna().any()
    pd.testing.assert_frame_equal(found.table, whole.table, rtol=1e-9)


def test_blanks_of_a_program_are_refused_when_there_are_two(tmp_path):
    frame = practice_rows(rows=200)
    frame.loc[:9, "program"] = ""
    path = tmp_path / "week.csv"
    frame.to_csv(path, index=False)
    rules = [p["rule"] for p in problems_of(path)]
    assert any("program is needed in every row when the records hold more than one" in r
               for r in rules)  # fmt: skip


def test_labels_that_no_row_holds_do_not_count(tmp_path):
    frame = practice_rows(rows=100).assign(program="A", spot="mark_1")
    for name, unused in (("program", "B"), ("mode", "nonsense"), ("spot", "nowhere")):
        frame[name] = pd.Categorical(frame[name], [*frame[name].unique(), unused])
    frame.to_parquet(tmp_path / "week.parquet", index=False)
    found = bulk_cells([tmp_path / "week.parquet"], distance=True)
    assert set(found.cells.table["program"]) == {"A"}
    assert not found.problems


def test_two_forms_or_two_headers_or_one_file_twice_are_refused(tmp_path):
    frame = practice_rows(rows=30)
    path = tmp_path / "week.csv"
    frame.assign(attempts=1).to_csv(path, index=False)
    with pytest.raises(StorageError, match="holds made and attempts"):
        bulk_cells([path])
    frame.assign(**{"Made": 1}).to_csv(path, index=False)
    with pytest.raises(StorageError, match="the header 'made' more than once"):
        bulk_cells([path])
    frame.to_csv(path, index=False)
    with pytest.raises(ArgumentError, match=r"week\.csv is named twice"):
        bulk_cells([path, path])
    frame.iloc[:0].to_csv(path, index=False)
    (told,) = problems_of(path)
    assert "no rows" in told["rule"]
    path.write_text(path.read_text() + "2025-11-03,1\n")
    with pytest.raises(StorageError, match="could not be counted"):
        bulk_cells([path])


def test_counts_that_do_not_fit_are_told_with_their_first_row(tmp_path):
    frame = game_rows().reset_index(drop=True)
    frame.loc[[4, 8], "makes"] = frame.loc[[4, 8], "attempts"] + 1
    frame.to_parquet(tmp_path / "games.parquet", index=False)
    with pytest.raises(RecordsError) as refused:
        bulk_cells(games=[tmp_path / "games.parquet"])
    (told,) = refused.value.problems
    assert (told["row"], told["column"], told["value"]) == (5, "makes", "2 rows")
    frame = game_rows().astype({"attempts": "float"}).reset_index(drop=True)
    frame.loc[3, "attempts"] = np.nan
    frame.to_parquet(tmp_path / "games.parquet", index=False)
    with pytest.raises(RecordsError) as refused:
        bulk_cells(games=[tmp_path / "games.parquet"])
    assert ("attempts is needed in every row", 4) in {
        (p["rule"], p["row"]) for p in refused.value.problems
    }


@pytest.mark.parametrize("widths", [(3, 5), (40, 2, 3000, 7), (1, 1), (60_000, 60_000, 2)])
def test_combinations_have_numbers_of_their_own(widths):
    rng = np.random.default_rng(1)
    codes = [rng.integers(0, w, 5000) for w in widths]
    numbers, size = combine(codes, 5000)
    wanted = pd.MultiIndex.from_arrays(codes).factorize()[0]
    assert numbers.max() < size
    pairs = set(zip(numbers.tolist(), wanted.tolist(), strict=True))
    assert len(pairs) == len(set(numbers.tolist())) == len(set(wanted.tolist()))
