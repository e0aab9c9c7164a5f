"""What the records hold and what was noticed in them: one section of the analyst's page."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import pandas as pd

from transfer.page import blocks
from transfer.page.blocks import Section
from transfer.reports import figure_court as court

__all__ = ["hide_small", "quality_section"]


def hide_small(summary: Sequence[tuple[str, str]], modes: Collection[str]) -> list[tuple[str, str]]:
    """Put "hidden" for the makes and attempts of these modes."""
    return [
        (name, "hidden" if name.removesuffix(" attempts") in modes else value)
        for name, value in summary
    ]


def quality_section(
    summary: list[tuple[str, str]],
    problems: pd.DataFrame | None,
    remarks: list[str],
    rows: bool = True,
    spots: pd.DataFrame | None = None,
) -> Section:
    """What the records hold and what was noticed in them."""
    content: list[blocks.Block] = [blocks.pairs(summary), *(blocks.text(r) for r in remarks)]
    if spots is not None and len(spots):
        content.append(
            blocks.figure(
                court,
                spots,
                "court",
                "Where the charted attempts were taken, to scale; a larger mark stands for more "
                "attempts. A charted spot is good to about a foot.",
            )
        )
    if problems is None:
        content.append(blocks.text("The checks of the record files were not part of this run."))
    elif problems.empty:
        content.append(blocks.text("No problems, warnings or notes in the record files."))
    elif not rows:
        content.append(blocks.text(f"Warnings and notes: {len(problems)}, kept with the staff."))
    else:
        content.append(
            blocks.simple_table(
                problems.assign(
                    row=problems["row"].astype(object).where(problems["row"].notna(), "")
                ),
                "What the checks of the record files noticed",
                [
                    ("severity", "Kind", str),
                    ("file", "File", str),
                    ("row", "Row", str),
                    ("column", "Column", str),
                    ("value", "Value", str),
                    ("rule", "Rule", str),
                    ("next_step", "What to do", str),
                ],
            )
        )
    return Section("records", "The records", content)
