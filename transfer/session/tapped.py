"""Rows handed in from several baskets and charters: merged without doubling, and compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from transfer.errors import ArgumentError, IdentificationError, RecordsError, StorageError
from transfer.rates.agreement import Agreement, cohen_agreement
from transfer.records.problems import Problem
from transfer.records.schema import PRACTICE

__all__ = ["OUTCOMES", "Tapped", "merge_taps"]

#: What a tap can say of a shot.
OUTCOMES = ("make", "miss", "blocked", "fouled")
#: What makes a shot the same shot, whoever charted it.
_SHOT = ("program", "season", "date", "session", "player", "drill", "attempt")
_NEEDED = ("date", "session", "player", "drill", "made", "attempt")


@dataclass(frozen=True)
class Tapped:
    """Merged rows and how far two charters agree.

    Parameters
    ----------
    rows : DataFrame
        Rows of the practice table, one an attempt, all texts; second charts included and marked.
    repeated : int
        Rows that came in more than one file and stand once.
    pairs : int
        Shots charted by two.
    lone : int
        Shots of a basket charted by two that only one of them has.
    agreement : Agreement or None
        Of `OUTCOMES` over the pairs.
    why_not : str
        Why there is no agreement; empty where there is.
    """

    rows: pd.DataFrame
    repeated: int
    pairs: int
    lone: int
    agreement: Agreement | None
    why_not: str

    @property
    def table(self) -> pd.DataFrame:
        """The merged rows."""
        return self.rows

    @property
    def text(self) -> str:
        """What was merged, and the agreement."""
        second = int((self.rows["second_chart"] == "yes").sum())
        parts = [
            f"{len(self.rows) - second} shots of {self.rows['player'].nunique()} players; "
            f"{self.repeated} rows came twice and stand once."
        ]
        if self.pairs:
            parts.append(f"{self.pairs} shots have two charters; {self.lone} only one of the two.")
        parts.append(self.why_not if self.agreement is None else self.agreement.text)
        return " ".join(parts)

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "rows": len(self.rows),
            "repeated": self.repeated,
            "pairs": self.pairs,
            "lone": self.lone,
            "agreement": None if self.agreement is None else self.agreement.to_dict(),
            "text": self.text,
        }


def merge_taps(files: Sequence[Path | str]) -> Tapped:
    """Merge files that were charted by tap.

    Parameters
    ----------
    files : sequence of path
        CSV files as the pages save them, of any baskets, sessions and charters. A file may come
        twice, and an early save beside the final one: rows that are equal stand once.

    Raises
    ------
    ArgumentError
        When no file is given.
    StorageError
        When a file cannot be read.
    RecordsError
        When a file lacks a column, or two files tell one shot differently; all of it is listed.
    """
    if not files:
        raise ArgumentError(
            "no file was given",
            rule="at least one file that was charted by tap",
            next_step="name the files that the pages saved",
        )
    paths = [Path(file) for file in files]
    frames = [_read(path) for path in paths]
    problems = [p for path, frame in zip(paths, frames, strict=True) for p in _lacking(path, frame)]
    if problems:
        _refuse(problems, "lack columns", "hand in the rows as the page saved them")
    names = list(PRACTICE.names)
    whole = pd.concat(
        [frame.reindex(columns=names, fill_value="").assign(file=path.name, line=frame.index + 2)
         for path, frame in zip(paths, frames, strict=True)], ignore_index=True,
    )  # fmt: skip
    rows = whole.drop_duplicates(names)
    twice = rows[rows.duplicated([*_SHOT, "second_chart"], keep="first")]
    if len(twice):
        problems = [
            Problem(
                row["file"], "", row["line"], "attempt", f"{row['player']}, {row['drill']}",
                "two files tell one shot alike", "leave out the earlier save of this basket",
                "error", 1, "two files tell one shot differently",
            )
            for row in twice.to_dict(orient="records")
        ]  # fmt: skip
        _refuse(problems, "tell shots differently", "leave out the earlier save of the basket")
    used = [name for name in PRACTICE.names if (rows[name] != "").any()]
    kept = rows.reset_index(drop=True)[list(dict.fromkeys([*used, "second_chart"]))]
    pairs, lone = _pairs(rows)
    agreement, why_not = _agreement(pairs)
    return Tapped(kept, len(whole) - len(rows), len(pairs), lone, agreement, why_not)


def _read(path: Path) -> pd.DataFrame:
    try:
        return pd.read_csv(path, dtype=str, keep_default_na=False)
    except (OSError, ValueError) as error:
        raise StorageError(
            f"{path.name} cannot be read as a table",
            rule="a CSV file with a header row",
            next_step="check the name, and save the rows again from the page",
        ) from error


def _lacking(path: Path, frame: pd.DataFrame) -> list[Problem]:
    return [
        Problem(
            path.name, "", 1, name, "", "rows charted by tap have this column",
            "save the rows again from the page", "error", 1, f"the column {name} is missing",
        )
        for name in _NEEDED
        if name not in frame
    ]  # fmt: skip


def _refuse(problems: Sequence[Problem], what: str, next_step: str) -> None:
    files = ", ".join(sorted({problem.file for problem in problems}))
    raise RecordsError(
        f"{len(problems)} problems: {files} {what}",
        tuple(problem.to_dict() for problem in problems),
        rule="every shot is told once by each charter",
        next_step=next_step,
    )


def _pairs(rows: pd.DataFrame) -> tuple[pd.DataFrame, int]:
    """Outcomes of the shots that two charters have, and how many only one of them has."""
    shot = list(_SHOT)
    outcome = pd.Series("miss", index=rows.index)
    for name, column in (("fouled", "fouled"), ("blocked", "blocked"), ("make", "made")):
        outcome[rows[column] == "1"] = name
    told = rows[shot].assign(outcome=outcome, second=rows["second_chart"] == "yes")
    first, second = told[~told["second"]], told[told["second"]]
    both = first.merge(second, on=shot, suffixes=("_first", "_second"))
    # Shots of the drills, days and players of which there is a second chart.
    work = [name for name in shot if name != "attempt"]
    near = first.merge(second[work].drop_duplicates(), on=work)
    return both, len(near) + len(second) - 2 * len(both)


def _agreement(pairs: pd.DataFrame) -> tuple[Agreement | None, str]:
    if pairs.empty:
        return None, "No basket was charted twice, so agreement between charters is not known."
    try:
        return cohen_agreement(pairs["outcome_first"], pairs["outcome_second"], OUTCOMES), ""
    except IdentificationError as error:
        return None, f"Agreement between charters cannot be judged: {error.message}."
