"""Small invented record files for the tests of this room."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from transfer.errors import RecordsError
from transfer.records.reading import Records, read_records

PRACTICE = """date,session,player,drill,mode,contest,attempts,makes
2025-11-03,1,P01,on_air,rep,none,10,6
2025-11-03,1,P02,on_air,rep,none,12,7
2025-11-03,1,P01,closeout,live,light,6,2
2025-11-05,1,P02,closeout,live,trailing,5,2
"""
GAMES = """date,game,player,attempts,makes
2025-11-10,G01,P01,3,1
2025-11-10,G01,P02,2,1
"""


def put(folder: Path, name: str, text: str, encoding: str = "utf-8") -> Path:
    """Write a text file and return its path."""
    path = folder / name
    path.write_bytes(text.encode(encoding))
    return path


def refused(**inputs: object) -> pd.DataFrame:
    """Problems of records that must be refused, as a table."""
    with pytest.raises(RecordsError) as caught:
        read_records(**inputs)  # type: ignore[arg-type]
    error = caught.value
    assert error.exit_code == 2
    table = pd.DataFrame(list(error.problems))
    assert (table["severity"] == "error").any()
    assert (table["rule"] != "").all()
    assert (table["next_step"] != "").all()
    return table[table["severity"] == "error"].reset_index(drop=True)


def frame(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Practice rows with defaults for what a test does not care about."""
    base = {
        "date": "2025-11-03", "session": "1", "player": "P01", "drill": "on_air", "mode": "rep",
        "contest": "none", "attempts": 10, "makes": 4,
    }  # fmt: skip
    return pd.DataFrame([{**base, **row} for row in rows])


def games_frame(rows: list[dict[str, object]]) -> pd.DataFrame:
    """Game rows with defaults for what a test does not care about."""
    base = {"date": "2025-11-10", "game": "G01", "player": "P01", "attempts": 3, "makes": 1}
    return pd.DataFrame([{**base, **row} for row in rows])


def severities(records: Records, severity: str) -> pd.DataFrame:
    """Warnings or notes that came with records."""
    table = records.quality
    return table[table["severity"] == severity].reset_index(drop=True)
