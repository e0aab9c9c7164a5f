"""Every kind of page at phone, tablet and desktop width: nothing is cut, what scrolls says so."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from dataclasses import replace

import pytest
from invented import invented_cells, invented_mix, invented_posterior
from needs import BROWSER_CHECKS

from transfer.page.document import AUDIENCES
from transfer.reading.reading import read_transfer
from transfer.reports.content import ReportContent
from transfer.reports.html import render_report
from transfer.session.courtside_sheet import chart_sheet_html
from transfer.session.plan import plan_session
from transfer.session.write import write_session
from transfer.trial.command import command as trial

WIDTHS = (390, 820, 1280)


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """A page of every kind that a person opens, in one folder."""
    folder = tmp_path_factory.mktemp("pages")
    cells = invented_cells(9, ("A", "B"))
    posterior = invented_posterior(cells, draws=200)
    judged = invented_posterior(cells, draws=200, purpose="verdict")
    content = ReportContent(
        "Practice and game shooting", read_transfer(judged, posterior), posterior, judged,
        mix=invented_mix(), interactive=True,
    )  # fmt: skip
    for audience in AUDIENCES:
        page = render_report(replace(content, audience=audience))
        (folder / f"{audience}.html").write_text(page, encoding="utf-8")
    write_session(plan_session([f"P{i:02d}" for i in range(14)], 2, 40, 1), folder, "2026-11-25")
    (folder / "sheet.html").write_text(chart_sheet_html(), encoding="utf-8")
    roster = folder / "roster.csv"
    roster.write_text("player,position\n" + "".join(f"P{i:02d},guard\n" for i in range(8)))
    trial.main(
        ["plan", "--roster", str(roster), "--weeks", "12", "--start", "2026-11-02", "--minutes",
         "60", "--seed", "3", "--look", "6", "--out", str(folder)], standalone_mode=False,
    )  # fmt: skip
    return sorted(folder.glob("*.html"))


@pytest.fixture(scope="module")
def measured(pages, tmp_path_factory):
    chromium, node = shutil.which("chromium"), shutil.which("node")
    words = [str(node), BROWSER_CHECKS / "measure.mjs", str(chromium),
             tmp_path_factory.mktemp("profile"), ",".join(map(str, WIDTHS)), *pages]  # fmt: skip
    done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


@pytest.mark.needs("chromium", "node", "browser packages")
def test_no_page_is_wider_than_its_window_and_no_table_is_cut(measured, pages):
    names = {page.name for page in pages}
    assert {"analyst.html", "coach.html", "director.html", "session.html", "chart.html",
            "tap_basket_1.html", "sheet.html"} < names  # fmt: skip
    assert {(seen["page"], seen["width"]) for seen in measured} == {
        (name, width) for name in names for width in WIDTHS
    }
    assert [seen for seen in measured if seen["overflow"] > 0 or seen["cut"]] == []


@pytest.mark.needs("chromium", "node", "browser packages")
def test_what_scrolls_sideways_says_so_and_is_reached_by_keyboard(measured):
    assert any(seen["scrolling"] for seen in measured)
    assert [seen for seen in measured if seen["unreachable"] or seen["unsaid"]] == []


OF_A_TRIAL = {
    "protocol.html", "sheets_by_unit.html", "sheets_by_week.html", "what_it_can_tell.html",
}  # fmt: skip


def test_no_page_of_reading_and_session_shows_a_raw_value(pages):
    for page in pages:
        if page.name in OF_A_TRIAL:
            continue
        text = re.sub(r"<(style|script|title)\b.*?</\1>", "", page.read_text(), flags=re.DOTALL)
        text = re.sub(r"<[^>]*>", " ", text)
        if page.name != "sheet.html":  # its legend explains the charted labels themselves
            assert not re.search(r"\bmark_\d|circle_bottom|one_foot", text), page.name
        found = re.search(r"\bnull\b|\[\]|`|\bnan\b|\bundefined\b|probability 1\.00", text)
        assert not found, (page.name, found)
