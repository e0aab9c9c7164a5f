"""Whatever was left blank and in whatever order files come: large files give the same cells."""

from __future__ import annotations

import tempfile
import zlib
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, event, given, settings
from hypothesis import strategies as st
from invented import files_of

from transfer.errors import RecordsError, StorageError
from transfer.records.bulk import bulk_cells
from transfer.records.cells import Cells, build_cells
from transfer.records.reading import read_records

_DAYS = ("2025-11-03", "2025-11-04", "2025-11-10", "2025-11-11T00:00:00")
#: One value in several spellings, and blanks of several kinds.
_MODES = ("rep", "live", " Live", "LIVE", "", "NA")
_CONTESTS = ("none", "light", "trailing", "Front and trailing", "front-and-trailing", "", "n/a")


def rows_of(**columns: Any) -> st.SearchStrategy[list[dict[str, str]]]:
    """Rows with a value of each column."""
    each = {name: st.sampled_from(values) for name, values in columns.items()}
    return st.lists(st.fixed_dictionaries(each), min_size=1, max_size=25)


practice_rows = rows_of(
    date=_DAYS, session=("1", " 1", "2"), player=("P01", "P01 ", "P02", "P03"),
    drill=("air", "chase", "unlisted"), mode=_MODES, contest=_CONTESTS,
    spot=("", "mark_1", "left_block", "Right elbow", "nan"), side=("", "left"), hand=("", "right"),
    distance_ft=("", "", "8", "8.0", "11.5"), defender=("", "P07", "P08"),
    second_chart=("", "no", "yes", "Y"), made=("1", "0", "yes", "F"), fouled=("0", "", "1"),
    blocked=("0", "0", ""), attempts=("3", "10", "0", "4.0"), makes=("0", "1", "3"),
    minutes=("charted", "charted", "", "NA"),
)  # fmt: skip
game_rows = rows_of(
    date=_DAYS, game=("G1", "G2"), player=("P01", "P02", "P04"), contest=("", "none", "Front"),
    spot=("", "mark_1"), distance_ft=("", "9"), made=("1", "0"), fouled=("0", "1"),
    attempts=("5", "0"), makes=("0", "1", "5"), minutes=("charted", "charted", ""),
)  # fmt: skip
#: Defaults of the drills; None stands for a column that the drills table does not have.
drill_rows = st.none() | st.lists(
    st.fixed_dictionaries(
        {
            "mode": st.sampled_from(("rep", "live", "")),
            "contest": st.sampled_from(("none", "light", "front", "")),
            "spot": st.sampled_from(("", "mark_2", "left_mark_1")),
            "distance_ft": st.sampled_from(("", "6.5")),
            "hand": st.sampled_from(("", "left")),
            "program": st.sampled_from(("", "A")),
        }
    ),
    min_size=2,
    max_size=2,
)
PLANS = {
    "counts": st.booleans(),
    "minutes": st.booleans(),
    "labels": st.sampled_from((("A",), ("A", ""), ("A", "B"), ("A", "B", ""), ("",))),
    "ending": st.sampled_from(("csv", "parquet")),
    "left_out": st.sets(st.sampled_from(("contest", "mode", "spot", "side", "second_chart"))),
    "settings": st.sampled_from(("mode,contest", "mode,contest,hand", "mode,spot", "mode,side",
                                 "mode,contest,drill")),
    "options": st.fixed_dictionaries(
        {n: st.booleans() for n in ("distance", "game_contest", "defenders", "fouled_miss_counts")}
    ),
    "mended": st.sampled_from((True, True, True, False)),
}  # fmt: skip


def mended(frame: pd.DataFrame, drills: list[dict[str, str]] | None) -> pd.DataFrame:
    """Blank modes and contests stand only where the drill has a default, fouls only on misses."""
    known = dict(zip(("air", "chase"), drills or (), strict=False))
    for name, plain in (("mode", "rep"), ("contest", "none")):
        lacks = [
            value in ("", "NA", "n/a")
            and (not (row := known.get(drill, {})).get(name) or row["program"] != "")
            for value, drill in zip(frame[name], frame["drill"], strict=True)
        ]
        frame[name] = frame[name].mask(pd.Series(lacks), plain)
    return frame


def laid_out(
    rows: list[dict[str, str]], plan: dict[str, Any], block: tuple[str, ...]
) -> pd.DataFrame:
    """Rows as a table of one form, minutes the same in one block of rows."""
    frame = pd.DataFrame(rows)
    labels = plan["labels"]
    frame["program"] = [labels[i % len(labels)] for i in range(len(frame))]
    frame["season"] = "2025-26"
    one = len([label for label in labels if label]) == 1
    whole = frame.assign(program="A") if one else frame
    key = whole[[*block]].apply(lambda r: "|".join(v.strip().lower()[:10] for v in r), axis=1)
    charted = key.map(lambda text: str(2 + zlib.crc32(text.encode()) % 7 / 4))
    frame["minutes"] = charted.where(frame["minutes"] == "charted", frame["minutes"])
    if plan["counts"]:
        frame = frame.drop(columns="made").assign(set=[str(i + 1) for i in range(len(frame))])
        frame["makes"] = [
            m if float(m) <= float(a) else "0"
            for m, a in zip(frame["makes"], frame["attempts"], strict=True)
        ]
    else:
        frame = frame.drop(columns=["attempts", "makes"])
    if not plan["minutes"]:
        frame = frame.drop(columns="minutes")
    return frame.drop(columns=[n for n in plan["left_out"] if n in frame and n in _PRACTICE_ONLY])


_PRACTICE_ONLY = ("contest", "mode", "spot", "side", "second_chart")


def in_files(frame: pd.DataFrame, folder: Path, name: str, ending: str) -> list[Path]:
    """One file per day."""
    return files_of(frame, frame["date"].str[:10], folder, name, ending)


def same(found: Cells, wanted: Cells) -> None:
    """Counts exactly; sums of minutes and distances are taken in another order."""
    assert found.settings == wanted.settings
    assert found.units == wanted.units
    pd.testing.assert_frame_equal(found.table, wanted.table, rtol=1e-9, atol=1e-7)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    practice=practice_rows,
    games=st.none() | game_rows,
    drills=drill_rows,
    plan=st.fixed_dictionaries(PLANS),
    order=st.randoms(use_true_random=False),
)
def test_cells_are_those_of_reading_everything(practice, games, drills, plan, order):
    block = ("program", "date", "session", "player", "drill", "second_chart")
    whole = laid_out(practice, plan, block)
    if plan["mended"] and drills is None:
        plan = {**plan, "left_out": plan["left_out"] - {"mode", "contest"}}
        whole = laid_out(practice, plan, block)
    if plan["mended"] and {"mode", "contest"} <= set(whole):
        whole = mended(whole, drills)
    played = None
    if games is not None:
        played = laid_out(games, {**plan, "left_out": ()}, ("program", "date", "game", "player"))
        # A player's game is one row of counts, so that no row stands twice.
        keys = ["program", "date", "game", "player", "spot", "distance_ft", "contest"]
        played = played.drop(columns="set", errors="ignore").drop_duplicates(keys)
    table = None
    if drills is not None:
        table = pd.DataFrame(drills).assign(drill=["air", "chase"])
    options, columns = plan["options"], plan["settings"]
    try:
        wanted = build_cells(read_records(whole, played, drills=table), columns, **options)
    except RecordsError as refused:
        wanted, rules = None, {str(p["rule"]) for p in refused.problems if p["severity"] == "error"}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = in_files(whole, folder, "practice", plan["ending"])
        others = [] if played is None else in_files(played, folder, "games", plan["ending"])

        def read() -> Cells:
            return bulk_cells(files, others, columns, drills=table, **options).cells

        if wanted is None:
            event("refused")
            # Large files are not asked for contest, nor for side, where no cell is made of it.
            unread = [n for n in ("contest", "side") if n not in columns]
            if not all(any(n in rule for n in unread) for rule in rules):
                with pytest.raises((RecordsError, StorageError)):
                    read()
            return
        event("the same cells")
        found = read()
        same(found, wanted)
        order.shuffle(files)
        order.shuffle(others)
        assert read().data_hash == found.data_hash
