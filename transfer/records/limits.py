"""How much a record file may hold, in one place, and the looks that keep to it.

A limit is judged before the file is taken in: from the file's size, from one pass over its lines,
or from what a workbook or Parquet file states of itself. So a file that is far too large is refused
at once, not after the memory is full. All numbers are judgement, no source.
"""

from __future__ import annotations

from pathlib import Path

from transfer.files import open_plain
from transfer.records.problems import Problems

__all__ = [
    "FILE_BYTES",
    "LINE_BYTES",
    "ROWS",
    "WORKBOOK_BYTES",
    "WORKBOOK_CELLS",
    "WORKBOOK_PARTS",
    "WORKBOOK_RATIO",
    "WORKBOOK_ROWS",
    "too_many_rows",
    "within_limits",
]

#: Bytes of a record file.
FILE_BYTES = 2 << 30
#: Rows of a CSV or Parquet table. The largest season tried has 25 million attempts.
ROWS = 50_000_000
#: Bytes of a line of text. A row of every charted column takes a few hundred.
LINE_BYTES = 1 << 20
#: Parts of a workbook's archive. A workbook of four tables has about fifteen.
WORKBOOK_PARTS = 2000
#: Bytes of all parts of a workbook, unpacked. A cell takes about 48 bytes (own trial: 60,000 rows
#: of 11 columns, 31 MB), so this holds a quarter of a million such rows.
WORKBOOK_BYTES = 128 << 20
#: Unpacked to packed bytes of one part. The trial's sheet of equal rows reached 15; the packing
#: method's own limit is about 1030.
WORKBOOK_RATIO = 250
#: Last row of a worksheet (Office Open XML as spreadsheets implement it, from memory).
WORKBOOK_ROWS = 1_048_576
#: Cells of a sheet, the blank ones before a row's last cell included.
WORKBOOK_CELLS = 10_000_000

SMALLER = (
    "count the attempts first: one row for each player, day and drill, with attempts and makes; "
    "or split the file by season"
)


def too_many_rows(rows: int, place: tuple[str, str], problems: Problems) -> bool:
    """Whether a table has more rows than are read; the problem is then in the collector."""
    if rows <= ROWS:
        return False
    problems.add(
        place, f"a record file has at most {ROWS:,} rows", SMALLER, value=f"more than {ROWS:,}"
    )
    return True


def within_limits(path: Path, text: bool, problems: Problems) -> bytes | None:
    """Content of a record file; None, with a problem, where it holds more than is read.

    Parameters
    ----------
    path : Path
    text : bool
        Whether the file is lines of text, whose lengths and number are looked at first.
    problems : Problems
        Takes what is found.

    Raises
    ------
    OSError
        When it is missing, may not be read, or is no plain file.
    """
    with open_plain(path) as stream:
        size = stream.seek(0, 2)
        stream.seek(0)
        if size > FILE_BYTES:
            problems.add(
                (path.name, ""),
                f"a record file has at most {FILE_BYTES >> 20:,} MB",
                SMALLER,
                value=f"{size >> 20:,} MB",
            )
            return None
        rows = 0
        while text and (piece := stream.read(LINE_BYTES)):
            ends = max(piece.count(b"\n"), piece.count(b"\r"))
            rows += ends
            if not ends and len(piece) == LINE_BYTES:
                problems.add(
                    (path.name, ""),
                    f"a line of a record file has at most {LINE_BYTES >> 20} MB",
                    "write one row a line; look for a file that is no table, or for lost line ends",
                    row=rows + 1,
                )
                return None
            if too_many_rows(rows, (path.name, ""), problems):
                return None
        stream.seek(0)
        return stream.read()
