"""Charting by tap in headless Chromium: a whole session on one basket, then read as records."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections import Counter
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from needs import BROWSER_CHECKS

from transfer.records.reading import read_records
from transfer.records.schema import PRACTICE
from transfer.session.plan import plan_session
from transfer.session.tap_chart import tap_pages

in_a_browser = pytest.mark.needs("chromium", "node", "browser packages")
CODES = [f"P{i:02d}" for i in range(1, 8)]


def chart(page: str, width: int, actions: list, folder: Path) -> dict:
    chromium, node = shutil.which("chromium"), shutil.which("node")
    (folder / "page.html").write_text(page, encoding="utf-8")
    (folder / "actions.json").write_text(json.dumps(actions))
    words = [str(node), BROWSER_CHECKS / "tap_chart.mjs", str(chromium), folder / "page.html",
             folder / "p", str(width), folder / "actions.json"]  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, timeout=400, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


class Charter:
    """Taps at random, and keeps what a person would have seen: an account of its own."""

    def __init__(self, plan, seed):
        self.plan, self.rng = plan, np.random.default_rng(seed)
        self.actions, self.seen = [], []
        self.block, self.joined = 0, []
        self.line = self.planned()

    def planned(self):
        place = (self.block + 1, 1, 1)
        return [*self.plan.lines.get(place, self.plan.floor.places[1, 1]), *self.joined]

    @property
    def drill(self):
        return self.plan.blocks.iloc[self.block]

    def shot(self):
        contest = self.drill["contest"]
        if contest:
            player = self.line[0]
            self.line = [*self.line[1:], player]
            defends = self.drill["mode"] == "live"
            defender = self.line[-2] if defends else ""
        else:
            player, defender = str(self.rng.choice(self.line)), ""
            contest = str(self.rng.choice(["light", "front"]))
            self.actions += [["choose", player], ["contest", contest]]
        kind = str(self.rng.choice(["make", "miss", "blocked", "fouled"], p=[0.5, 0.4, 0.05, 0.05]))
        self.actions.append(["press", "make" if kind == "make" else "miss"])
        if kind in ("blocked", "fouled"):
            self.actions.append(["press", kind])
        self.seen.append((self.drill["drill"], player, contest, defender, kind))

    def wrong_tap_taken_back(self):
        self.actions += [["press", "make"], ["press", "back"]]

    def reload(self):
        self.actions.append(["reload"])

    def late(self, code):
        self.actions += [["type", "late", code], ["press", "arrive"]]
        self.joined.append(code)
        self.line.append(code)

    def next(self):
        self.actions.append(["press", "next"])
        self.block += 1
        self.line = self.planned()


@pytest.fixture(scope="module")
def plan():
    """A session that holds a ladder, a race and free play."""
    for seed in range(100):
        made = plan_session(CODES, 1, 40, seed)
        if {"ladder", "time"} <= set(made.blocks["ending"]) and 2 in made.blocks["defends"].round():
            return made
    raise AssertionError("no seed gives a ladder")


def session_of(plan, taps, seed=3):
    charter = Charter(plan, seed)
    charter.actions.append(["type", "charter", "C1"])
    blocks = len(plan.blocks)
    for block in range(blocks):
        share = taps // blocks + (block < taps % blocks)
        for shot in range(share):
            charter.shot()
            if shot == share // 2 and block == 1:
                charter.reload()
            if shot == 10:
                charter.wrong_tap_taken_back()
            if shot == 4 and block == 2:
                charter.late("P77")
        if block + 1 < blocks:
            charter.next()
    return charter


@in_a_browser
@pytest.mark.parametrize(
    ("width", "taps"),
    [(390, 120), (820, 120), *(pytest.param(width, 840, marks=pytest.mark.slow)
                               for width in (390, 820))],
)  # fmt: skip
def test_taps_are_rows_that_the_checks_read(plan, width, taps, tmp_path):
    page = tap_pages(plan, "Session 1", "2026-11-25", "1", "A", "2026-27")["tap_basket_1.html"]
    charter = session_of(plan, taps)
    told = chart(page, width, charter.actions, tmp_path)
    assert told["errors"] == []
    assert {url.split(":")[0] for url in told["asked"]} <= {"file", "blob"}
    assert not told["notKept"]
    assert told["slowest"] < 1000  # ms from a tap to the page after it, on a busy machine
    rows = pd.read_csv(StringIO(told["rows"]), dtype=str, keep_default_na=False)
    assert [file["text"] for file in told["saved"]] == [told["rows"]]
    assert told["saved"][0]["name"] == "practice_2026-11-25_1_Basket-1.csv"
    assert set(rows.columns) <= set(PRACTICE.names)
    kinds = np.select([rows["made"] == "1", rows["blocked"] == "1", rows["fouled"] == "1"],
                      ["make", "blocked", "fouled"], "miss")  # fmt: skip
    columns = (rows[name] for name in ("drill", "player", "contest", "defender"))
    assert list(zip(*columns, kinds, strict=True)) == charter.seen
    assert len(rows) == taps
    (tmp_path / "practice.csv").write_text(told["rows"])
    records = read_records(tmp_path / "practice.csv")
    assert [p for p in records.problems if p.severity != "note"] == []
    practice = records.practice
    counted = [seen for seen in charter.seen if seen[-1] != "fouled"]
    assert practice["attempts"].sum() == len(counted)
    assert practice["makes"].sum() == sum(seen[-1] == "make" for seen in counted)
    cells = practice.groupby(["drill", "player", "contest"], observed=True)[["attempts", "makes"]]
    seen = Counter((drill, player, contest) for drill, player, contest, _, _ in counted)
    made = Counter(shot[:3] for shot in counted if shot[-1] == "make")
    for key, cell in cells.sum().iterrows():
        assert (cell["attempts"], cell["makes"]) == (seen[key], made[key])
    minutes = practice.groupby(["player", "drill"], observed=True)["minutes"].sum()
    blocks = plan.blocks.set_index("drill")["minutes"]
    for (player, drill), spent in minutes.items():
        if player != "P77":
            assert spent == pytest.approx(blocks[drill], abs=0.1)


@in_a_browser
@pytest.mark.parametrize("width", [390, 820])
def test_the_page_fits_a_thumb_and_breaks_no_rule_of_accessibility(plan, width, tmp_path):
    page = tap_pages(plan, "Session 1", "2026-11-25")["tap_basket_1.html"]
    told = chart(page, width, session_of(plan, 30).actions, tmp_path)
    for look in (told["start"], told["end"]):
        assert look["violations"] == []
        assert look["overflow"] <= 0
        assert look["small"] == []
    assert max(told["start"]["keys"]) <= 844  # both keys are on the first screen


def test_a_page_holds_no_address_and_data_cannot_end_its_element():
    odd = plan_session(["<b>", "</script>", "P3", "P4"], 1, 30, 1)
    (page,) = tap_pages(odd, "Session <1>", "2026-11-25").values()
    assert "http" not in page
    assert page.count("</script>") == 2
    assert "Session &lt;1&gt;" in page
