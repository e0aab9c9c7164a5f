"""Rules between tables: programs and seasons that must not mix, players known to only one."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from transfer.records.checked import Checked, group_codes, relabel
from transfer.records.problems import Problems, nearest
from transfer.records.values import masked

__all__ = ["check_players", "settle_codes", "warn_mixing", "warn_unmatched"]


def settle_codes(tables: dict[str, Checked], name: str, problems: Problems) -> None:
    """Make program (or season) complete in every table, or say why that cannot be done.

    With one label in all records, blanks take it. With several, a blank cannot be linked: equal
    player codes of two programs would become one player.

    Parameters
    ----------
    tables : dict of str to Checked
        Practice, games and roster, as far as given; changed in place.
    name : str
        ``program`` or ``season``.
    problems : Problems
        Takes what is found.
    """
    labels = sorted(
        {str(label) for checked in tables.values() for label in checked.get(name).values}
    )
    for checked in tables.values():
        parsed = checked.get(name)
        blank = (parsed.codes < 0) & ~parsed.bad
        if not labels or not blank.any():
            continue
        if len(labels) == 1:
            checked.columns[name] = relabel(
                np.zeros(checked.raw.n, dtype=np.int64), [labels[0]], parsed.bad
            )
            problems.add(
                checked.raw.place,
                f"blank {name} was taken as {labels[0]!r}, the only one in the records",
                f"fill in {name} to be sure",
                column=name,
                severity="note",
            )
            continue
        shown = ", ".join(labels[:5]) + (", …" if len(labels) > 5 else "")
        if not checked.has(name):
            problems.add(
                checked.raw.place,
                f"the records hold more than one {name} ({shown}) and this table has "
                f"no column {name}: players with equal codes would be mixed",
                f"add the column {name}",
                row=1,
                column=name,
            )
            continue
        checked.report(
            blank,
            f"{name} is needed in every row when the records hold more than one ({shown})",
            f"fill in {name}, or players with equal codes would be mixed",
            problems,
            column=name,
            value=_labelled(checked, "player"),
        )


def warn_unmatched(tables: dict[str, Checked], name: str, problems: Problems) -> None:
    """Warn about a program or season that only one of practice and games knows.

    Labels spelled two ways ("2025-26", "2025/26") would link no player of the two tables.
    """
    if not {"practice", "games"} <= set(tables):
        return
    known = {
        which: {str(label) for label in tables[which].get(name).values}
        for which in ("practice", "games")
    }
    for here, there in (("practice", "games"), ("games", "practice")):
        labels = tables[here].get(name).labels()
        for label in sorted(known[here] - known[there]):
            guess = nearest(label, known[there])
            tables[here].report(
                np.flatnonzero(labels == label)[:1],
                f"{name} {label!r} is in {here} but not in {there}",
                f"if it is {guess!r}, spell it one way in all files"
                if guess
                else "nothing to do if that is so; its players are linked to nothing",
                problems,
                column=name,
                value=label,
                severity="warning",
                cause=f"a {name} is in {here} but not in {there}",
            )


def _labelled(checked: Checked, name: str) -> Callable[[int], object]:
    """Row position to the label of a column, for the values of problems."""
    labels = checked.get(name).labels()
    return lambda row: masked(str(labels[row]))


def warn_mixing(games: Checked, problems: Problems) -> None:
    """Signs of two programs in one games table without a program column."""
    if games.has("program"):
        return
    for names, rule in (
        (("date", "player", "game"), "one player is in more than one game on the same day"),
        (("date", "game", "opponent"), "one game has more than one opponent"),
    ):
        if not all(games.has(column) for column in names):
            continue
        outer = group_codes([games.get(column) for column in names[:2]], games.raw.n)
        inner = group_codes([games.get(column) for column in names], games.raw.n)
        first = np.full(int(outer.max(initial=-1)) + 1, -1)
        first[outer[::-1]] = inner[::-1]
        known = (games.get(names[0]).codes >= 0) & (games.get(names[1]).codes >= 0)
        odd = np.flatnonzero((first[outer] != inner) & known)
        _, where = np.unique(outer[odd], return_index=True)
        games.report(
            odd[np.sort(where)],
            f"{rule}: are two programs with equal codes mixed here?",
            "add the column program; nothing to do if the schedule was like that",
            problems,
            column=names[1],
            value=_labelled(games, names[1]),
            severity="warning",
        )


def _players(checked: Checked) -> dict[tuple[object, object, object], int]:
    """(program, season, player) to its first row."""
    columns = [checked.get(column) for column in ("program", "season", "player")]
    group = group_codes(columns, checked.raw.n)
    first = np.full(int(group.max(initial=-1)) + 1, -1)
    first[group[::-1]] = np.arange(checked.raw.n)[::-1]
    labels = [column.labels() for column in columns]
    found = {(labels[0][row], labels[1][row], labels[2][row]): int(row) for row in first}
    return {key: row for key, row in found.items() if key[2] != ""}


def check_players(tables: dict[str, Checked], problems: Problems) -> None:
    """Notes on players that stand in one table only; warnings against the roster.

    Parameters
    ----------
    tables : dict of str to Checked
        Practice, games and roster, as far as given, with program and season settled.
    problems : Problems
        Takes what is found.
    """
    known = {name: _players(checked) for name, checked in tables.items()}
    sides = (
        ("games", "practice", "the forecast rests on games alone"),
        ("practice", "games", "nothing can be learned about transfer from this player yet"),
    )
    for here, there, result in sides:
        if here in known and there in known:
            for key, row in known[here].items():
                if key not in known[there]:
                    tables[here].report(
                        np.array([row]),
                        f"the player is in {here} but not in {there}",
                        f"check the code; if it is right, {result}",
                        problems,
                        column="player",
                        value="/".join(masked(str(part)) for part in key if part),
                        severity="note",
                    )
    for here in ("practice", "games"):
        if here in known and "roster" in known:
            for key, row in known[here].items():
                if key not in known["roster"]:
                    tables[here].report(
                        np.array([row]),
                        "the player is not on the roster",
                        "check the code, or add the player to the roster",
                        problems,
                        column="player",
                        value="/".join(masked(str(part)) for part in key if part),
                        severity="warning",
                    )
