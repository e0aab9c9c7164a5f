"""Helpers that fill in, change and repack workbooks for the tests of this room."""

from __future__ import annotations

import datetime
import io
import zipfile
from pathlib import Path

import openpyxl

DAY = datetime.date(2025, 11, 3)
PRACTICE_ROWS = [
    {"date": DAY, "session": "1", "player": "P01", "drill": "screen", "mode": "live",
     "contest": "trailing", "attempts": 10, "makes": 4, "minutes": 6.5, "spot": "mark_1",
     "hand": "left", "rotation": "yes", "program": "A", "season": "1-2"},
    {"date": DAY, "session": "1", "player": "007", "drill": "air", "attempts": 12, "makes": 7,
     "blocked": 2, "program": "A", "season": "1-2"},
]  # fmt: skip
FILLED = {
    "practice": PRACTICE_ROWS,
    "games": [{"date": DAY, "game": "G01", "player": "P01", "attempts": 3, "makes": 0,
               "minutes": 24, "program": "A", "season": "1-2"}],
    "roster": [{"player": "P01", "position": "guard", "program": "A", "season": "1-2"},
               {"player": "007", "position": "big", "program": "A", "season": "1-2"}],
    "drills": [{"drill": "air", "mode": "rep", "contest": "none", "description": "On air, alone."},
               {"drill": "screen", "mode": "live"}],
}  # fmt: skip


def fill(data: bytes, path: Path, tables: dict[str, list[dict[str, object]]]) -> Path:
    """Type rows into a workbook's sheets from the third row on, as a person would."""
    book = openpyxl.load_workbook(io.BytesIO(data))
    for table, rows in tables.items():
        sheet = book[table]
        at = {cell.value: cell.column for cell in sheet[1]}
        for number, row in enumerate(rows, start=3):
            for name, value in row.items():
                sheet.cell(number, at[name], value)
    book.save(path)
    return path


def repack(data: bytes, changes: dict[str, bytes | None]) -> bytes:
    """The archive with parts replaced, added, or left out (None)."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(data)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for name in old.namelist():
            if name not in changes:
                new.writestr(name, old.read(name))
        for name, content in changes.items():
            if content is not None:
                new.writestr(name, content)
    return out.getvalue()


def part(data: bytes, name: str) -> bytes:
    """One part of the archive."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return archive.read(name)
