"""A proposed mapping as TOML with a remark at every line that a person may want to change."""

from __future__ import annotations

import json
from collections.abc import Mapping

from transfer.records.adding.mapping import CONVERTED, LAYOUTS, OPEN, ORIGINS, UNITS
from transfer.records.adding.propose import Proposal
from transfer.records.schema import TABLES

__all__ = ["mapping_text"]

_HEAD = """\
# How transfer add reads files with these headers; proposed from {file}.
# A line that starts with # is a remark. Where "?" stands, nothing could be guessed: fill it in.
"""

_BANDS = """\
# Contest by the distance of the nearest defender: from (ft, inside), to (ft, outside), level.
# Bands are a judgement, no source. Distance does not tell a defender in front from one behind, so
# the nearest band is open; write "front" or "trailing", or take the section out.
[contest_by_distance]
bands = [[0, 3, "?"], [3, 6, "light"], [6, 100, "none"]]
"""


def quoted(text: str) -> str:
    """A text as a TOML string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def listed(texts: tuple[str, ...]) -> str:
    """Texts as a TOML array on one line."""
    return f"[{', '.join(quoted(text) for text in texts)}]"


class _Lines:
    """Lines of the file, with the proposal's remarks above open values."""

    def __init__(self, remarks: Mapping[str, str]) -> None:
        self.remarks = remarks
        self.lines: list[str] = []

    def section(self, name: str, remark: str = "") -> None:
        """A heading with its remark above."""
        self.lines += ["", *([f"# {remark}"] if remark else []), f"[{name}]"]

    def pair(self, section: str, key: str, value: str, remark: str = "") -> None:
        """One line; what is known about an open value stands above it."""
        if OPEN in value and (told := self.remarks.get(f"{section}.{key}")):
            self.lines.append(f"# {' '.join(told.split())}")
        bare = key.replace("_", "").isalnum() and key.isascii()
        after = f"  # {remark}" if remark else ""
        self.lines.append(f"{key if bare else quoted(key)} = {value}{after}")


def mapping_text(made: Proposal, file: str, headers: tuple[str, ...]) -> str:
    """The mapping file of a proposal.

    Parameters
    ----------
    made : Proposal
        What was guessed.
    file : str
        Name of the file it was proposed from.
    headers : tuple of str
        Its headers.
    """
    out = _Lines(made.remarks)
    out.lines.append(_HEAD.format(file=json.dumps(file)).rstrip())
    out.lines.append(f"headers = {listed(tuple(h for h in headers if h))}")
    out.pair("", "table", quoted(made.table), "practice, games or roster")
    out.pair("", "layout", quoted(made.layout), "; ".join(f"{k}: {v}" for k, v in LAYOUTS.items()))
    out.section("columns", "Column of the records = header in the file.")
    for name, header in made.columns.items():
        out.pair("columns", name, quoted(header), CONVERTED.get(name, ""))
    if made.unread:
        out.lines.append(f"# Not read: {' '.join(', '.join(made.unread).split())}")
    if made.drills:
        out.section("drills", "Drill = headers of makes and attempts, or of the total.")
        for drill, pair in made.drills.items():
            out.pair("drills", drill, listed(pair))
    _when(out, made)
    if made.total_order:
        out.section("total", "makes-attempts: 5-11 is 5 makes of 11 attempts; or attempts-makes.")
        out.pair("total", "order", quoted(made.total_order))
    for name, meant in made.words.items():
        known = ["made, missed, blocked, fouled (a miss with a foul), leave_out"]
        if name != "result":
            known = [", ".join(TABLES[made.table].column(name).levels)]
        out.section(f"words.{name}", f"Word in the file = one of {known[0]}.")
        for word, level in meant.items():
            out.pair(f"words.{name}", word, quoted(level))
    _where(out, made)
    if made.left_out:
        out.section("leave_out", "Rows of sums: texts in the player's column.")
        out.pair("leave_out", "player", listed(made.left_out))
    out.section("fixed", 'Column of the records = the same value in every row, e.g. squad = "S1".')
    return "\n".join(out.lines) + "\n"


def _when(out: _Lines, made: Proposal) -> None:
    if not made.date_order:
        return
    out.section(
        "date", "Order of a date in numbers: year-month-day, month-day-year, day-month-year"
    )
    out.pair("date", "order", quoted(made.date_order))
    if made.date_in != "column":
        out.pair("date", "in", quoted(made.date_in), "where the date stands: column, sheet or file")
    if made.season_start:
        remark = "first day of the season, e.g. 2025-08-01; a date without year is the first after"
        out.pair("date", "season_start", quoted(made.season_start), remark)


def _where(out: _Lines, made: Proposal) -> None:
    if made.floaters is not None:
        told = "Which of all shots count: types (none: any) and a distance band in feet."
        out.section("floaters", told)
        out.pair("floaters", "types", listed(made.floaters))
        out.pair("floaters", "from_ft", "4")
        out.pair("floaters", "to_ft", "14")
    if made.units:
        out.section("floor", f"Units are {', '.join(UNITS)}.")
        for key, value in made.units.items():
            remark = {
                "origin": "where x and y are 0: "
                + "; ".join(f"{k}: {v}" for k, v in ORIGINS.items()),
                "along": "x or y: which one runs from end line to end line",
            }.get(key, "")
            out.pair("floor", key, quoted(value), remark)
    if made.bands:
        out.lines += ["", _BANDS.rstrip()]
