"""A first reading on the screen while the model is being prepared; it goes nowhere else."""

from __future__ import annotations

from typing import TYPE_CHECKING

from transfer.terminal.screen import aside, text_table, watched

if TYPE_CHECKING:
    from transfer.records.cells import Cells

__all__ = ["show_first_reading"]

#: Columns of the first reading as they are headed on the screen.
_COLUMNS = {
    "setting": "setting",
    "players": "players",
    "attempts": "attempts",
    "rate": "rate",
    "spread": "spread",
    "correlation": "with_games",
    "low": "low",
    "high": "high",
}


def show_first_reading(cells: Cells, as_json: bool) -> None:
    """Show what the counts say by moments, on the channel of progress, within a second.

    Nothing heavy is imported: neither sampler nor compiler. Where nobody looks (piped, or JSON was
    asked for) nothing is computed either.

    Parameters
    ----------
    cells : Cells
        What will be fitted.
    as_json : bool
        Whether the command prints JSON.
    """
    if not watched(as_json):
        return
    from transfer.rates.first_reading import first_reading

    found = first_reading(cells)
    table = found.table.rename(columns=_COLUMNS)
    lines = [found.label, text_table(table, list(_COLUMNS.values()), 2)]
    lines += [f"{row['setting']}: {row['note']}" for _, row in table.iterrows() if row["note"]]
    lines.append(
        "rate: of the average player. spread: standard deviation of true rates between players. "
        f"with_games: correlation\nof true rates with game rates, by moments; low, high: "
        f"{found.prob:.0%} bootstrap interval.\n"
    )
    aside("\n".join(lines), as_json)
