"""What the records hold and how far their counts can be trusted, for commands that show it."""

from __future__ import annotations

from typing import Any

from transfer.errors import ArgumentError, IdentificationError
from transfer.rates.agreement import cohen_agreement
from transfer.rates.dispersion import dispersion
from transfer.records.cells import Cells
from transfer.records.reading import Records

__all__ = ["charter_agreement", "records_summary", "session_spread"]

#: What makes two rows a double charting of the same work.
_BLOCK = ["program", "season", "date", "session", "player", "drill", "set"]


def session_spread(cells: Cells) -> tuple[str, dict[str, Any] | None]:
    """Say whether adding up sessions was harmless; sets with a target are left out.

    Parameters
    ----------
    cells : Cells
        Counts of records, with their sessions.

    Returns
    -------
    str, dict or None
        A sentence and its numbers; no numbers when there are too few sessions.
    """
    sessions = cells.sessions
    if sessions is None:
        return "Variation between sessions cannot be judged: the counts came without them.", None
    free = sessions[sessions["target"].isna()]
    keys = ["unit", "setting", "date", "session"]
    counts = free.groupby(keys, as_index=False, observed=True)[["n", "y"]].sum()
    try:
        found = dispersion(counts)
    except IdentificationError as error:
        return f"Variation between sessions cannot be judged: {error.message}.", None
    return found.text, found.to_dict()


def records_summary(records: Records, cells: Cells) -> list[tuple[str, str]]:
    """Names and values of what was counted; work charted twice counts once.

    Parameters
    ----------
    records : Records
        Checked records.
    cells : Cells
        Their counts.
    """
    rows = []
    for mode, counts in cells.table.groupby("mode", sort=False):
        players = counts.loc[counts["n"] > 0, "unit"].nunique()
        rows.append(
            (
                f"{mode} attempts",
                f"{counts['y'].sum():,} makes of {counts['n'].sum():,}, {players} player-seasons",
            )
        )
    for name, frame, label in (
        ("practice sessions", records.practice, "session"),
        ("games", records.games, "game"),
    ):
        if frame is not None:
            held = frame[["program", "season", "date", label]].drop_duplicates()
            first, last = frame["date"].min(), frame["date"].max()
            rows.append((name, f"{len(held):,}, {first:%Y-%m-%d} to {last:%Y-%m-%d}"))
    if records.practice is not None and "charter" in records.practice:
        rows.append(("charters", str(int(records.practice["charter"].nunique()))))
    return rows


def charter_agreement(records: Records) -> str:
    """Say how far two charters of the same work agree on its kind.

    Parameters
    ----------
    records : Records
        Checked records.

    Returns
    -------
    str
        Agreement and Cohen's kappa of mode and contest over work charted twice in one row each,
        or why there is none.
    """
    practice = records.practice
    if practice is None or "second_chart" not in practice:
        return "No session was charted twice, so agreement between charters is not known."
    keys = [key for key in _BLOCK if key in practice]
    label = practice["mode"].astype(str) + ", " + practice["contest"].astype(str)
    rows = practice[keys].assign(label=label, second=practice["second_chart"] == "yes")
    single = rows[~rows.duplicated([*keys, "second"], keep=False)]
    first, second = single[~single["second"]], single[single["second"]]
    pairs = first.merge(second, on=keys, suffixes=("_first", "_second"))
    try:
        found = cohen_agreement(pairs["label_first"], pairs["label_second"])
    except (ArgumentError, IdentificationError) as error:
        return f"Agreement between charters cannot be judged: {error.message}."
    return (
        f"Two charters: {len(pairs)} blocks of work were charted twice; mode and contest agree in "
        f"{found.agreement:.0%} of them, Cohen's kappa {found.kappa:.2f} "
        f"({found.interval.prob:.0%} interval {found.interval.low:.2f} to "
        f"{found.interval.high:.2f})."
    )
