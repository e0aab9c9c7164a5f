"""A foreign sheet on its way into the records: texts by column, which rows are left out and why."""

from __future__ import annotations

import re

import pandas as pd

from transfer.records.adding.mapping import LayoutMapping
from transfer.records.adding.sources import Sheet
from transfer.records.problems import Problems
from transfer.records.raw import REPORTED
from transfer.records.values import PEOPLE, masked

__all__ = ["Work", "number_text", "pointed"]

_COMMA = re.compile(r"\d{1,3},\d{1,2}")


class Work:
    """A sheet's rows on their way: texts by column, who is left out and why."""

    def __init__(
        self, sheet: Sheet, mapping: LayoutMapping, rule_body: str, problems: Problems
    ) -> None:
        self.sheet, self.mapping, self.problems = sheet, mapping, problems
        self.rule_body = rule_body
        self.columns: dict[str, pd.Series] = {}
        self.rows = pd.Series(sheet.rows, index=sheet.frame.index)
        self.reason = pd.Series("", index=sheet.frame.index, dtype=object)
        self.notes: list[str] = []
        self.settings: dict[str, str] = {}

    @property
    def kept(self) -> pd.Series:
        """Rows that no reason leaves out, bool."""
        return self.reason == ""

    def leave_out(self, rows: pd.Series, reason: str) -> None:
        """Leave rows out that are still in."""
        self.reason = self.reason.mask(self.kept & rows, reason)

    def get(self, name: str) -> pd.Series:
        """Texts of a column, empty where there is none."""
        if name in self.columns:
            return self.columns[name]
        return pd.Series("", index=self.rows.index, dtype=object)

    def refuse(self, rows: pd.Series, column: str, texts: pd.Series, rule: str, step: str) -> None:
        """Report kept rows whose text breaks a rule, each distinct text by itself."""
        wrong = rows & self.kept & (texts != REPORTED)
        for text, at in texts[wrong].groupby(texts[wrong], sort=False).groups.items():
            shown = masked(str(text)) if column in PEOPLE else str(text)
            self.problems.add_rows(
                self.sheet.place, [int(n) for n in self.rows[at]], rule, step,
                column=self.mapping.columns.get(column, column), value=shown,
            )  # fmt: skip
        self.reason = self.reason.mask(rows & self.kept, "refused")


def pointed(text: str) -> str:
    """A number with a decimal comma, written with a point."""
    return text.replace(",", ".") if _COMMA.fullmatch(text) else text


def number_text(number: float) -> str:
    """A number as text, to four places; empty where there is none."""
    return "" if pd.isna(number) else f"{round(float(number), 4):g}"
