"""How often the words of live against rep are right, by size and settings.

    python tests/studies/verdict_operating.py --log FILE --page reports/studies/verdict.md

Reads the kept seasons of ``design_power.py`` and runs none: without a difference, for several
numbers of settings a mode, and for three pairs of true correlations.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import click
import numpy as np
import pandas as pd
from verdict_plan import (
    OPERATING_GAME,
    OPERATING_PRACTICE,
    PLANNED,
    PLAYERS,
    SPLITS,
    operating_seasons,
)
from verdict_seasons import read_log

from transfer.files import write_text
from transfer.provenance import package_versions


def share(found: pd.Series) -> str:
    """A share with its Monte Carlo standard error, that of one more success and failure."""
    smoothed = (found.sum() + 1) / (len(found) + 2)
    return f"{found.mean():.2f} ({np.sqrt(smoothed * (1 - smoothed) / (len(found) + 2)):.2f})"


def row(cell: str, lines: pd.DataFrame) -> str:
    """One line of the page."""
    failed = int(lines["word"].isna().sum())
    read = lines[lines["word"].notna()]
    contrast = read["contrast"]
    side = np.where(contrast > 0, "live", "rep")
    ahead = read["word"] == "ahead"
    lean = ahead | (read["word"] == "leaning")
    right = read["favours"] == side
    none = bool((contrast.abs() < 1e-9).all())
    covered = (read["low"] <= contrast) & (contrast <= read["high"])
    words = (lean, ahead) if none else (lean & right, ahead & right)
    wrong = f"{int((lean & (read['favours'] == 'live')).sum())} of {int(lean.sum())} live"
    if not none:
        wrong = f"{int((lean & ~right).sum())} wrong side"
    players, name = cell.split(",")
    return (
        f"| {players} | {name} | {len(read)} | {failed} | {share(words[0])} | {share(words[1])} "
        f"| {wrong} | {share(covered)} |"
    )


@click.command()
@click.option("--log", type=click.Path(path_type=Path), required=True, help="One line a season.")
@click.option("--page", type=click.Path(path_type=Path), required=True, help="Where it goes.")
def main(log: Path, page: Path) -> None:
    """Write the operating table of the kept seasons."""
    lines = pd.DataFrame(read_log(log))
    cells = list(dict.fromkeys(season.cell for season in operating_seasons()))
    found = [(cell, lines[lines["cell"] == cell]) for cell in cells]
    for players in PLAYERS:
        none = [f"{players},{rep}+{live}" for rep, live in SPLITS]
        found.append((f"{players},all without a difference", lines[lines["cell"].isin(none)]))
    versions = ", ".join(f"{k} {v}" for k, v in package_versions().items())
    rep, live = OPERATING_PRACTICE
    text = (
        "# How often the words of live against rep are right\n\n"
        "Shares of invented seasons, Monte Carlo standard error in brackets; 90 % equal-tailed "
        f"intervals. {rep:,} rep, {live} live and {OPERATING_GAME} game attempts a player; "
        "programs of 14 players. Each season is fitted and judged as the package does by "
        "default. 1+1, 2+2, 1+4, 4+1: settings of rep and live, no difference (correlations of "
        "both with games .60, words for either side); all: these four pooled. .26/.82 and "
        "others: true correlations of rep and live with games, "
        "one setting a mode, words for the right side.\n\n"
        f"**{PLANNED} seasons a cell are planned; the column says how many were run.** A share "
        "of twenty seasons cannot tell 5 % from 15 %.\n\n"
        f"Last written on {dt.datetime.now(dt.UTC).date().isoformat()} by `python "
        f"tests/studies/verdict_operating.py` (seeds 3000000 and up). {versions}.\n\n"
        "| players | settings or pair | seasons | gate failed | leaning or ahead | ahead | sides "
        "| covered |\n|---|---|---|---|---|---|---|---|\n"
        + "\n".join(row(cell, chosen) for cell, chosen in found if len(chosen))
        + "\n"
    )
    write_text(page, text)


if __name__ == "__main__":
    main()
