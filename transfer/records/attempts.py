"""One canonical form: rows of counts. One row per attempt is summed here, spots get distances."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from transfer.errors import ArgumentError
from transfer.records.checked import Checked, encode_numbers, group_codes, relabel
from transfer.records.geometry import parse_spot, spot
from transfer.records.problems import Problems
from transfer.records.rules import is_attempt_form

__all__ = ["canonical", "check_sets", "fill_distances"]

#: Difference between a charted distance and its spot's distance that is worth a warning, ft
#: (judgement, no source: three times the spot's own tolerance).
_SPOT_CONFLICT = 3.0

#: Rows that share one block of practice minutes when every attempt has its row.
_BLOCK = ("program", "season", "date", "session", "player", "drill", "set", "second_chart")
#: Labels that travel with a row without being part of its key.
_CARRIED = ("charter", "opponent")


def fill_distances(checked: Checked, body: str, problems: Problems) -> None:
    """Give rows with a spot its distance; a charted distance wins.

    Parameters
    ----------
    checked : Checked
        Practice or games; columns spot, side and distance_ft are changed in place.
    body : str
        Rule body of the geometry.
    problems : Problems
        Collector: unknown spots without a charted distance, spots far from the charted distance.
    """
    if not checked.has("spot"):
        return
    spots = checked.columns["spot"]
    own = checked.get("distance_ft").numbers()
    by_spot = np.full(len(spots.values) + 1, np.nan)
    names: list[object] = []
    sides: list[str] = []
    for code, label in enumerate(spots.values):
        name, side = parse_spot(str(label))
        names.append(name)
        sides.append(side)
        try:
            by_spot[code] = round(spot(str(label), body).distance_ft, 4)
        except ArgumentError as error:
            checked.report(
                (spots.codes == code) & np.isnan(own) & ~checked.get("distance_ft").bad,
                error.rule,
                f"{error.next_step} distance_ft may stand instead",
                problems,
                column="spot",
                value=str(label),
            )
    from_label = by_spot[spots.codes]
    checked.report(
        np.abs(own - from_label) > _SPOT_CONFLICT,
        f"distance_ft and the spot's distance differ by more than {_SPOT_CONFLICT:g} ft; "
        "the charted distance is used",
        "correct the spot or the distance",
        problems,
        column="distance_ft",
        severity="warning",
        value=lambda row: f"{own[row]:g} ft, {names[spots.codes[row]]} {from_label[row]:.1f} ft",
    )
    checked.columns["distance_ft"] = encode_numbers(np.where(np.isnan(own), from_label, own))
    _fill_sides(checked, sides, problems)
    checked.columns["spot"] = relabel(spots.codes, names, spots.bad)


def _fill_sides(checked: Checked, sides: list[str], problems: Problems) -> None:
    """Take the side from labels such as left_block; contradictions are errors."""
    if "side" not in checked.table.names or not any(sides):
        return
    spots = checked.columns["spot"]
    said = relabel(spots.codes, list(sides), spots.bad)
    if not checked.has("side"):
        checked.columns["side"] = said
        return
    own = checked.columns["side"]
    texts, own_texts = said.labels(), own.labels()
    checked.report(
        (said.codes >= 0) & (own.codes >= 0) & (texts != own_texts),
        "the spot's side and the column side agree",
        "correct one of them",
        problems,
        column="side",
        value=lambda row: f"{own_texts[row]}, {texts[row]}",
    )
    shift = len(own.values)
    codes = np.where((own.codes < 0) & (said.codes >= 0), said.codes + shift, own.codes)
    checked.columns["side"] = relabel(codes, [*own.values, *said.values], own.bad)


def check_sets(checked: Checked, problems: Problems) -> None:
    """A first-to-k set ends with its k-th make, so a set never holds more makes than k."""
    if not checked.has("target"):
        return
    target = checked.columns["target"].numbers()
    makes = np.nan_to_num(checked.get("made" if is_attempt_form(checked) else "makes").numbers())
    group = group_codes([checked.get(name) for name in _BLOCK], checked.raw.n)
    held = ~np.isnan(target)
    total = np.bincount(group[held], makes[held], minlength=int(group.max(initial=-1)) + 1)
    over = np.flatnonzero(held & (total[group] > np.nan_to_num(target)))
    _, where = np.unique(group[over], return_index=True)
    checked.report(
        over[np.sort(where)],
        "a set that ends with the k-th make holds at most k makes",
        "number several sets of one drill and session in the column set, or correct target",
        problems,
        column="target",
        value=lambda row: f"target {target[row]:.0f}, makes {total[group[row]]:.0f}",
    )


def _check_constant(
    checked: Checked, name: str, block: np.ndarray, problems: Problems
) -> np.ndarray:
    """The one value a block of rows repeats (NaN where none), per block; differences reported."""
    values = checked.get(name).numbers()
    size = int(block.max(initial=-1)) + 1
    high = np.full(size, -np.inf)
    low = np.full(size, np.inf)
    held = ~np.isnan(values)
    np.maximum.at(high, block[held], values[held])
    np.minimum.at(low, block[held], values[held])
    checked.report(
        held & (high > low)[block] & (values != high[block]),
        f"{name} is the same on all rows of one player's drill or game",
        f"write the whole {name} on each row",
        problems,
        column=name,
        value=lambda row: f"{values[row]:g} and {high[block[row]]:g}",
    )
    return np.where(np.isfinite(high), high, np.nan)


def _spread_minutes(checked: Checked, problems: Problems) -> np.ndarray | None:
    """Minutes per row: as charted, or a block's minutes shared over its attempt rows."""
    if not checked.has("minutes"):
        return None
    if checked.table.name == "games":
        names = ("program", "season", "date", "game", "player")
        block = group_codes([checked.get(name) for name in names], checked.raw.n)
        return _check_constant(checked, "minutes", block, problems)[block]
    if not is_attempt_form(checked):
        return checked.columns["minutes"].numbers()
    block = group_codes([checked.get(name) for name in _BLOCK], checked.raw.n)
    whole = _check_constant(checked, "minutes", block, problems)
    return (whole / np.bincount(block))[block]


def _count_columns(checked: Checked) -> dict[str, np.ndarray]:
    """Attempts, makes, blocked and fouled of every row, whichever the form."""
    counts: dict[str, np.ndarray] = {}
    blocked = np.nan_to_num(checked.get("blocked").numbers())
    fouled = np.nan_to_num(checked.get("fouled").numbers())
    if is_attempt_form(checked):
        makes = np.nan_to_num(checked.get("made").numbers())
        fouled = fouled * (1 - makes)  # a made shot with a foul is an attempt and a make
        counts["attempts"], counts["makes"] = 1 - fouled, makes
    else:
        counts["attempts"] = np.nan_to_num(checked.get("attempts").numbers())
        counts["makes"] = np.nan_to_num(checked.get("makes").numbers())
    if checked.has("blocked"):
        counts["blocked"] = blocked * (counts["attempts"] > 0)
    if checked.has("fouled"):
        counts["fouled"] = fouled
    return counts


def _values(checked: Checked, name: str, rows: np.ndarray) -> pd.Series:
    """A column's values at rows in its canonical type."""
    parsed = checked.get(name)
    kind = checked.table.column(name).type
    if kind == "date":
        return pd.Series(parsed.days()[rows].astype("datetime64[s]"))
    if kind in {"count", "number"}:
        return pd.Series(parsed.numbers()[rows])
    texts = pd.array([*map(str, parsed.values), ""], dtype="str")
    codes = parsed.codes[rows]
    return pd.Series(texts.take(np.where(codes < 0, len(parsed.values), codes)))


def canonical(checked: Checked, problems: Problems) -> pd.DataFrame:
    """Rows of counts in a fixed order, whichever form and order the file had.

    Parameters
    ----------
    checked : Checked
        Practice or games after all other rules.
    problems : Problems
        Collector: minutes that differ inside one block.

    Returns
    -------
    DataFrame
        Columns in schema order, of those the records carry; program and season always. Blank
        labels are empty texts, blank numbers NaN, counts whole numbers, dates ``datetime64``.
        Practice minutes add up over rows; a game's minutes repeat on each row of its player.
    """
    minutes = _spread_minutes(checked, problems)
    counts = _count_columns(checked)
    labels = [
        name
        for name in (*checked.table.key, *_CARRIED)
        if name in checked.table.names and checked.has(name)
    ]
    if is_attempt_form(checked):
        group = group_codes([checked.get(name) for name in labels], checked.raw.n)
        size = int(group.max(initial=-1)) + 1
        rows = np.zeros(size, dtype=np.int64)
        rows[group[::-1]] = np.arange(checked.raw.n)[::-1]
        counts = {
            name: np.bincount(group, values, minlength=size) for name, values in counts.items()
        }
        if minutes is not None and checked.table.name == "practice":
            minutes = np.bincount(group, minutes, minlength=size)
        elif minutes is not None:
            minutes = minutes[rows]
    else:
        rows = np.arange(checked.raw.n)
    numbers: dict[str, np.ndarray] = {
        name: values.astype(np.int64) for name, values in counts.items()
    }
    if minutes is not None:
        numbers["minutes"] = minutes
    order = _row_order(checked, labels, rows, list(numbers.values()))
    rows = rows[order]
    data: dict[str, object] = {name: _values(checked, name, rows) for name in labels}
    data |= {name: values[order] for name, values in numbers.items()}
    for name in ("program", "season"):
        if name not in data:
            data[name] = pd.Series("", index=range(len(rows)), dtype="str")
    return pd.DataFrame({name: data[name] for name in checked.table.names if name in data})


def _ranks(checked: Checked, name: str) -> np.ndarray:
    """Place of each distinct value of a column in their order, the blank's place at the end.

    A blank label comes before the others, a blank number or date after them.
    """
    parsed = checked.get(name)
    values = np.empty(len(parsed.values), dtype=object)
    values[:] = parsed.values
    blank_first = checked.table.column(name).type in {"text", "level"}
    ranks = np.full(len(values) + 1, 0 if blank_first else len(values), dtype=np.int64)
    ranks[np.argsort(values, kind="stable")] = np.arange(len(values)) + blank_first
    return ranks


def _row_order(
    checked: Checked, labels: list[str], rows: np.ndarray, numbers: Sequence[np.ndarray]
) -> np.ndarray:
    """Positions among `rows` that sort them by labels, and rows of equal labels by numbers.

    Parameters
    ----------
    checked : Checked
        Practice or games.
    labels : list of str
        Columns, the first decides first.
    rows : int array, shape (N,)
        Row positions in the table.
    numbers : sequence of arrays, shape (N,)
        The first decides first.
    """
    keys = [np.zeros(len(rows), dtype=np.int64)]  # several columns are one key while they fit
    size = 1
    for name in labels:
        ranks = _ranks(checked, name)
        if size * len(ranks) > 2**62:
            keys.append(np.zeros(len(rows), dtype=np.int64))
            size = 1
        keys[-1] *= len(ranks)
        keys[-1] += ranks[checked.get(name).codes[rows]]
        size *= len(ranks)
    if len(keys) == 1:
        order = np.argsort(keys[0], kind="stable")
        if np.all(np.diff(keys[0][order])):
            return order
    return np.lexsort([*numbers[::-1], *keys[::-1]])


def plain_frame(checked: Checked) -> pd.DataFrame:
    """Roster or drills as a frame: columns in schema order, of those the records carry."""
    rows = np.arange(checked.raw.n)
    frame = pd.DataFrame(
        {name: _values(checked, name, rows) for name in checked.table.names if checked.has(name)}
    )
    if "season" in checked.table.names:
        for name in ("program", "season"):
            if name not in frame:
                frame[name] = pd.Series([""] * checked.raw.n, dtype="str")
    return frame.sort_values(
        [name for name in checked.table.key if name in frame], ignore_index=True
    )
