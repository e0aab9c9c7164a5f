"""A file that is far too large is refused at once, by its limit, and the way round is told."""

from __future__ import annotations

import time
import tracemalloc

import pandas as pd
import pytest
from records_samples import refused

from transfer.records import limits
from transfer.records.reading import read_records

GAMES = "date,game,player,attempts,makes\n"


def first_problem(path):
    """What is said of a games file."""
    return refused(games=path).iloc[0]


def test_one_endless_line_is_refused_within_seconds_and_little_memory(tmp_path):
    path = tmp_path / "games.csv"
    with open(path, "wb") as stream:
        stream.write(GAMES.encode() + b"x")
        stream.truncate(300 << 20)
    tracemalloc.start()
    started = time.process_time()
    problem = first_problem(path)
    spent, (_, peak) = time.process_time() - started, tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert problem["rule"] == "a line of a record file has at most 1 MB"
    assert problem["row"] == 2
    assert spent < 5
    assert peak < 50 << 20


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_rows_beyond_the_limit_are_refused_with_the_way_round(tmp_path, monkeypatch, ending):
    monkeypatch.setattr(limits, "ROWS", 20)
    rows = pd.DataFrame(
        {"date": "2025-11-03", "game": "g1", "player": [f"P{i:02d}" for i in range(30)],
         "attempts": 2, "makes": 1}
    )  # fmt: skip
    path = tmp_path / f"games.{ending}"
    rows.to_csv(path, index=False) if ending == "csv" else rows.to_parquet(path, index=False)
    problem = first_problem(path)
    assert problem["rule"] == "a record file has at most 20 rows"
    assert "one row for each player, day and drill" in problem["next_step"]


def test_a_file_beyond_the_bytes_is_not_read(tmp_path, monkeypatch):
    monkeypatch.setattr(limits, "FILE_BYTES", 2 << 20)
    path = tmp_path / "games.csv"
    with open(path, "wb") as stream:
        stream.truncate(3 << 20)
    assert first_problem(path)["rule"] == "a record file has at most 2 MB"


def test_lines_that_end_in_the_old_way_are_lines(tmp_path):
    path = tmp_path / "games.csv"
    rows = [f"2025-11-03,g{i},P01,2,1" for i in range(2 * limits.LINE_BYTES // 22)]
    path.write_bytes("\r".join([GAMES.strip(), *rows]).encode())
    assert len(path.read_bytes()) > limits.LINE_BYTES
    assert len(read_records(games=path).games) == len(rows)
