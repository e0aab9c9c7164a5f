"""What a season's design can tell about live against rep: the table behind "cannot tell".

    python tests/studies/design_power.py --log FILE --page PAGE

Seasons are invented for players x practice attempts of each mode x game attempts, with a true
contrast R2_live - R2_rep of .30 (half of the seasons the other way round) and with none, and each
is fitted and judged as the package does by default. One line a season is kept in the log, so that a
stopped run goes on where it stopped; the table holds shares of them, and with ``--page`` a page
shows them with their Monte Carlo errors. The same log holds the seasons of
``verdict_operating.py``, in rounds so that the cells of both tables grow alike.
"""

from __future__ import annotations

import datetime as dt
import json
from itertools import product
from pathlib import Path
from typing import Any

import click
import numpy as np
import pandas as pd
from verdict_plan import (
    BETWEEN,
    CONTRAST,
    GAME,
    PLAYERS,
    PRACTICE,
    PROGRAM_SD,
    RATE,
    RHO,
    RHO_NONE,
    TAU,
    in_order,
)
from verdict_seasons import run_missing

from transfer.files import write_text
from transfer.provenance import package_versions


def shares(lines: pd.DataFrame, players: int, practice: int, game: int) -> dict[str, Any]:
    """One row of the table."""
    found, none = (
        lines[lines["cell"] == f"{players},{practice},{game},{kind}"] for kind in ("true", "none")
    )
    failed = int(found["word"].isna().sum() + none["word"].isna().sum())
    found, none = found[found["word"].notna()], none[none["word"].notna()]
    side = np.where(found["contrast"] > 0, "live", "rep")
    right = found["favours"] == side
    lean, ahead = (lambda x: x["word"].isin(["leaning", "ahead"])), (lambda x: x["word"] == "ahead")

    def covered(x: pd.DataFrame) -> float:
        return float(((x["low"] <= x["contrast"]) & (x["contrast"] <= x["high"])).mean())

    odds = none["probability"] / np.maximum(1 - none["probability"], 1e-4)
    return {
        "players": players,
        "practice": practice,
        "game": game,
        "seasons": len(found),
        "seasons_none": len(none),
        "failed": failed,
        "leaning": float((lean(found) & right).mean()),
        "ahead": float((ahead(found) & right).mean()),
        "wrong_leaning": float((lean(found) & ~right).mean()),
        "covered": covered(found),
        "none_leaning": float(lean(none).mean()),
        "none_ahead": float(ahead(none).mean()),
        "none_live": float((lean(none) & (none["favours"] == "live")).mean()),
        "none_covered": covered(none),
        "none_odds_80": float(np.quantile(odds, 0.8)),
    }


def table_of(rows: list[dict[str, Any]], when: str) -> dict[str, Any]:
    """The committed table: what it is, and one row per design."""
    return {
        "about": "Share of invented seasons that reach 'leaning' or 'ahead' for the right side "
        "with a true contrast R2_live - R2_rep of .30, and for either side with none, by players "
        "and attempts a player. Own simulation by tests/studies/design_power.py: every season "
        "fitted and judged as the package does by default.",
        "date": when,
        "contrast": CONTRAST,
        "true": {
            "rho": RHO, "rho_none": RHO_NONE, "between": BETWEEN, "tau": TAU, "rate": RATE,
            "program_sd": PROGRAM_SD,
        },
        "half_attempts": {
            "practice": 1 / (TAU["rep"] ** 2 * RATE["rep"] * (1 - RATE["rep"])),
            "game": 1 / (TAU["game"] ** 2 * RATE["game"] * (1 - RATE["game"])),
        },
        "players": PLAYERS,
        "practice": PRACTICE,
        "game": GAME,
        "cells": rows,
    }  # fmt: skip


def _share(value: float, size: int) -> str:
    """A share with its Monte Carlo standard error, that of one more success and failure."""
    smoothed = (value * size + 1) / (size + 2)
    return f"{value:.2f} ({np.sqrt(smoothed * (1 - smoothed) / (size + 2)):.02f})"


def page_of(rows: list[dict[str, Any]], when: str, seconds: float) -> str:
    """The committed page."""
    heads = (
        "players", "practice attempts a mode", "game attempts", "seasons", "leaning or ahead",
        "ahead", "covered", "no difference: leaning or ahead", "of these live", "ahead", "covered",
        "gate failed",
    )  # fmt: skip
    lines = ["| " + " | ".join(heads) + " |", "|" + "---|" * len(heads)]
    for r in rows:
        true, none = r["seasons"], r["seasons_none"]
        cells = (
            str(r["players"]), f"{r['practice']:,}", str(r["game"]), f"{true} + {none}",
            _share(r["leaning"], true), _share(r["ahead"], true), _share(r["covered"], true),
            _share(r["none_leaning"], none), f"{r['none_live']:.2f}",
            _share(r["none_ahead"], none), _share(r["none_covered"], none), str(r["failed"]),
        )  # fmt: skip
        lines.append("| " + " | ".join(cells) + " |")
    versions = ", ".join(f"{k} {v}" for k, v in package_versions().items())
    return (
        "# What a design can tell about live against rep\n\n"
        "Shares of invented seasons, Monte Carlo standard error in brackets; 90 % equal-tailed "
        "intervals. A true contrast of .30 lies on either side in half of the seasons, and the "
        "shares of its words are for the right side; without a difference they are for either "
        f"side. True correlations with games {RHO[0]:.2f} and {RHO[1]:.2f}, or {RHO_NONE[0]:.2f} "
        f"for both; rep with live {BETWEEN:.2f}; spreads {TAU['rep']} and {TAU['live']} in "
        f"practice, {TAU['game']:.2f} in games; programs of 14 players, spread {PROGRAM_SD:.2f}; "
        "one setting a mode, equal attempts.\n\n"
        f"Last written on {when} by `python tests/studies/design_power.py` (seeds 1000000 and up); "
        f"median {seconds:.1f} s a fit on one core beside other work. {versions}.\n\n"
        + "\n".join(lines)
        + "\n"
    )


@click.command()
@click.option("--log", type=click.Path(path_type=Path), required=True, help="One line a season.")
@click.option("--out", type=click.Path(path_type=Path), help="Where the table goes.")
@click.option("--page", type=click.Path(path_type=Path), help="Where the page goes.")
@click.option("--seconds", type=float, default=None, help="Stop after this long, keep the rest.")
@click.option("--jobs", type=int, default=1, show_default=True, help="Seasons at a time.")
def main(log: Path, out: Path | None, page: Path | None, seconds: float | None, jobs: int) -> None:
    """Run what is missing, then write table and page."""
    lines = pd.DataFrame(run_missing(in_order(), log, jobs, seconds))
    if out is None and page is None:
        return
    rows = [shares(lines, *design) for design in product(PLAYERS, PRACTICE, GAME)]
    when = dt.datetime.now(dt.UTC).date().isoformat()
    if out is not None:
        write_text(out, json.dumps(table_of(rows, when), indent=1) + "\n")
    if page is not None:
        write_text(page, page_of(rows, when, float(lines["seconds"].median())))


if __name__ == "__main__":
    main()
