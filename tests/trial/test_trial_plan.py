"""Plans: calendar, arms, doses, hash and the pages they print."""

from __future__ import annotations

import json
import re

import numpy as np
import pandas as pd
import pytest

from transfer.errors import ArgumentError, InfeasibleError, StorageError
from transfer.page.pdf import page_count
from transfer.trial.design import plan_se
from transfer.trial.plan import make_plan, plan_from_dict, read_plan
from transfer.trial.precision import plan_warnings
from transfer.trial.protocol import protocol_html, protocol_text
from transfer.trial.schedule import block_numbers, calendar, weekly_arms
from transfer.trial.sheets import unit_sheets, week_sheets, write_plan


def roster(players: int = 8) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "player": [f"P{i:02d}" for i in range(1, players + 1)],
            "program": "C01",
            "position": [("guard", "big")[i % 2] for i in range(players)],
            "baseline": [0.30 + i / 100 for i in range(players)],
            "pair": [f"D{i // 2}" for i in range(players)],
        }
    )


def plan(**changes):
    values = {"weeks": 26, "start": "2026-11-02", "seed": 11, "registered": "2026-10-26", **changes}
    return make_plan(values.pop("roster", roster()), **values)


def test_calendar_counts_practice_weeks_around_a_break():
    weeks = calendar("2026-11-02", 10, [("2026-12-21", "2027-01-03")])
    assert list(weeks["practice_week"]) == [1, 2, 3, 4, 5, 6, 7, 0, 0, 8]
    assert weeks.loc[0, "last_day"] == "2026-11-08"
    assert weeks.loc[7, "first_day"] == "2026-12-21"
    three_days = calendar("2026-11-02", 10, [("2026-12-21", "2026-12-23")])
    assert (three_days["practice_week"] > 0).all()


def test_one_swap_gives_both_mixes_half_the_season_and_equal_minutes():
    table = plan().table
    assert len(table) == 8 * 26
    halves = table.groupby(["player", "arm"]).size().unstack()
    assert (halves["live_heavy"] == 13).all()
    assert (halves["rep_heavy"] == 13).all()
    np.testing.assert_allclose(table["live_minutes"] + table["rep_minutes"], 70.0)
    assert set(zip(table["arm"], table["live_share"], strict=True)) == {
        ("live_heavy", 0.8),
        ("rep_heavy", 0.2),
    }
    first = table[table["week"] == 1]["arm"].value_counts()
    assert first["live_heavy"] == first["rep_heavy"] == 4
    for _, rows in table.groupby("player"):
        assert rows["arm"].ne(rows["arm"].shift()).sum() == 2


def test_breaks_ask_for_nothing():
    table = plan(breaks=[("2026-12-21", "2027-01-03")]).table
    off = table[table["arm"] == "break"]
    assert set(off["week"]) == {8, 9}
    assert (off[["live_minutes", "rep_minutes"]] == 0).all(axis=None)
    assert off["live_share"].isna().all()


def test_parallel_and_blocks():
    fixed = plan(design="parallel").table
    assert (fixed.groupby("player")["arm"].nunique() == 1).all()
    assert block_numbers(12, "blocks", 4) == [0] * 4 + [1] * 4 + [2] * 4
    weeks = calendar("2026-11-02", 6)
    arms = weekly_arms(weeks, [0, 0, 1, 1, 2, 2], "rep_heavy")
    assert arms == ["rep_heavy"] * 2 + ["live_heavy"] * 2 + ["rep_heavy"] * 2


def test_pairs_share_a_mix():
    table = plan(unit="pair", strata=("baseline",)).table
    merged = table.merge(roster()[["player", "pair"]], on="player")
    assert (merged.groupby(["pair", "week"])["arm"].nunique() == 1).all()


def test_same_seed_same_plan_and_other_seed_other_lot():
    assert plan().plan_hash == plan(roster=roster().iloc[::-1]).plan_hash
    assert plan().plan_hash != plan(seed=12).plan_hash
    assert plan(rope=(-2, 2)).plan_hash != plan().plan_hash


@pytest.mark.parametrize(
    ("changes", "error", "message"),
    [
        ({"contrast": 0.5}, ArgumentError, "contrast=0.5"),
        ({"contrast": 1.0}, ArgumentError, "contrast=1.0"),
        ({"minutes_per_week": 0}, ArgumentError, "minutes_per_week=0"),
        ({"rope": (0.5, 1)}, ArgumentError, "rope=(0.5, 1)"),
        ({"weeks": 0}, ArgumentError, "weeks=0"),
        ({"weeks": 3}, InfeasibleError, "3 practice weeks"),
        ({"start": "2/11/26"}, ArgumentError, "start='2/11/26'"),
        ({"start": "2026-11-04"}, ArgumentError, "not a Monday"),
        ({"design": "latin"}, ArgumentError, "design='latin'"),
        ({"design": "blocks"}, ArgumentError, "without block_weeks"),
        ({"design": "parallel", "block_weeks": 4}, ArgumentError, "block_weeks=4"),
        ({"block_weeks": 26}, InfeasibleError, "no second block"),
        ({"looks": (30,)}, ArgumentError, "looks=(30,)"),
        ({"breaks": [("2027-01-03", "2026-12-21")]}, ArgumentError, "ends before it begins"),
        ({"breaks": [("2028-01-03", "2028-01-09")]}, ArgumentError, "outside the season"),
    ],
)
def test_refusals(changes, error, message):
    with pytest.raises(error) as caught:
        plan(**changes)
    assert message in str(caught.value)


def test_written_plan_reads_back_and_a_second_lot_is_refused(tmp_path):
    drawn = plan(looks=(16,))
    files = write_plan(drawn, tmp_path)
    assert sorted(path.name for path in files) == [
        "assignments.csv",
        "plan.json",
        "protocol.html",
        "protocol.txt",
        "sheets_by_unit.html",
        "sheets_by_week.html",
    ]
    back = read_plan(tmp_path / "plan.json", expected_hash=drawn.plan_hash[:16])
    assert back.plan_hash == drawn.plan_hash
    pd.testing.assert_frame_equal(back.table, drawn.table)
    assert back.settings["looks"] == [16, 26]
    saved = pd.read_csv(tmp_path / "assignments.csv")
    assert list(saved.columns) == [
        "program",
        "player",
        "unit",
        "week",
        "first_day",
        "last_day",
        "arm",
        "live_share",
        "rep_minutes",
        "live_minutes",
    ]
    write_plan(drawn, tmp_path)
    with pytest.raises(StorageError, match="drawn once"):
        write_plan(plan(seed=12), tmp_path)


def swap_first_two(value: dict) -> None:
    arms = [row["first_arm"] for row in value["units"]]
    other = next(i for i, arm in enumerate(arms) if arm != arms[0])
    value["units"][0]["first_arm"], value["units"][other]["first_arm"] = arms[other], arms[0]


@pytest.mark.parametrize(
    "tamper",
    [
        swap_first_two,
        lambda v: v["settings"].update(rope=[-5, 5]),
        lambda v: v["settings"].update(seed=12),
        lambda v: v["calendar"][3].update(block=1),
        lambda v: v["units"].pop(),
        lambda v: v.pop("calendar"),
        lambda v: v.update(hash="0" * 64),
    ],
)
def test_changed_plan_is_refused(tmp_path, tamper):
    write_plan(plan(), tmp_path)
    value = json.loads((tmp_path / "plan.json").read_text())
    tamper(value)
    (tmp_path / "plan.json").write_text(json.dumps(value))
    with pytest.raises(StorageError, match="changed after the lot was drawn"):
        read_plan(tmp_path / "plan.json")


def test_changed_and_rehashed_plan_is_refused_by_lot_or_protocol():
    drawn = plan()
    value = drawn.to_dict()
    swap_first_two(value)
    value["hash"] = type(drawn)(
        value["settings"], pd.DataFrame(value["units"]), pd.DataFrame(value["calendar"])
    ).plan_hash
    with pytest.raises(StorageError, match="not the one its seed draws"):
        plan_from_dict(value)
    with pytest.raises(StorageError, match="the protocol has"):
        plan_from_dict(plan(rope=(-2, 2)).to_dict(), expected_hash=drawn.plan_hash)


@pytest.mark.parametrize("text", ["", "[]", '{"format": "other"}', "\x00"])
def test_not_a_plan(tmp_path, text):
    (tmp_path / "plan.json").write_text(text)
    with pytest.raises(StorageError):
        read_plan(tmp_path / "plan.json")


def test_protocol_says_what_is_fixed():
    text = " ".join(protocol_text(plan(looks=(13,), rope=(-1.5, 2))).split())
    for phrase in (
        "after weeks 13, 26",
        "between -1.5 and 2 points",
        "56 live and 14 rep minutes",
        "c > 0.85: cannot tell",
        ">= 0.975: ahead",
        "Missing weeks",
        "Rep: ",
        "Live: ",
        "does not know this week's mix",
        "licensed medical staff",
        "governing body",
        "seed 11",
        plan(looks=(13,), rope=(-1.5, 2)).plan_hash,
    ):
        assert phrase in text


def test_sheets_show_every_unit_and_week_and_escape_text():
    sheet = unit_sheets(plan())
    assert sheet.count('class="sheet"') == 8
    assert sheet.count("live-heavy") == sheet.count("rep-heavy") == 8 * 13
    by_week = week_sheets(plan(breaks=[("2026-12-21", "2027-01-03")]))
    assert by_week.count('class="sheet"') == 26
    assert by_week.count("No practice is asked for this week") == 2
    hostile = roster().assign(program="<script>alert(1)</script>")
    page = unit_sheets(plan(roster=hostile)) + protocol_html(plan(roster=hostile))
    assert "<script" not in page
    assert "&lt;script&gt;" in page


@pytest.mark.needs("pango")
def test_protocol_fits_one_page_and_each_sheet_one():
    drawn = plan(roster=roster(2), breaks=[("2026-12-21", "2027-01-03")], looks=(10, 20))
    pages = {"A4": protocol_html(drawn), "Letter": protocol_html(drawn)}
    for paper, page in pages.items():
        sized = page.replace("@page {", f"@page {{ size: {paper};")
        assert page_count(sized) == 1
    sheets = unit_sheets(drawn).replace("@page {", "@page { size: Letter;")
    assert page_count(sheets) == 2


def test_plan_says_what_it_can_tell_and_what_weakens_it():
    """One program of 8: most of the starting uncertainty stays; weaker designs leave more."""
    one_swap = plan_warnings(plan())
    assert len(one_swap) == 1
    assert "of the starting uncertainty" in one_swap[0]
    blocks = plan_warnings(plan(design="blocks", block_weeks=4))
    assert '"cannot tell"' in blocks[0]
    loss = float(re.search(r"standard error is ([0-9.]+) times", blocks[1]).group(1))
    exact = plan_se(plan(design="blocks", block_weeks=4)).se / plan_se(plan()).se
    assert loss == pytest.approx(exact, abs=0.005)
    assert loss > 1.8  # own simulation: 4-week blocks are about twice as wide as one swap
    assert any("Parallel" in w for w in plan_warnings(plan(design="parallel")))
    assert any("60%" in w for w in plan_warnings(plan(contrast=0.6)))
    looks = plan_warnings(plan(looks=(13,)))
    assert any("week 13 comes before" in w for w in looks)
    assert any("chance to be wrong" in w for w in looks)
