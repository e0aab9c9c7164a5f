"""Every kind of page at phone, tablet and desktop width: nothing is cut, what scrolls says so."""

from __future__ import annotations

import datetime as dt
import json
import re
import shutil
import subprocess
from dataclasses import replace

import pytest
from invented import invented_cells, invented_mix, invented_posterior
from needs import BROWSER_CHECKS

from transfer.page.document import AUDIENCES
from transfer.provenance import package_versions
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


#: What a reader never sees: empty values, marks of code, numbers that say nothing.
RAW = re.compile(
    r"\bnull\b|\bNone\b|\[\]|`|\bnan\b|\bundefined\b|probability 1\.00|\bR2\b|90 %|"
    r"from (\d+%) to \1(?!\d)|\bmark_\d|circle_bottom|one_foot|two_foot"
)


def shown(page):
    text = re.sub(r"<(style|script|title)\b.*?</\1>", "", page.read_text(), flags=re.DOTALL)
    if page.name == "sheet.html":  # its legend explains the charted labels themselves
        text = re.sub(r'<section class="legend".*?</section>', "", text, flags=re.DOTALL)
    return " ".join(re.sub(r"<[^>]*>", " ", text).split())


def test_no_page_shows_a_raw_value(pages):
    found = {page.name: [hit.group() for hit in RAW.finditer(shown(page))] for page in pages}
    assert {name: hits for name, hits in found.items() if hits} == {}
    for raw in ("a `b`", "from 100% to 100%", "90 %", "R2 is", "mark_1", "probability 1.00"):
        assert RAW.search(raw)


def test_every_page_says_what_it_is_about_and_what_made_it(pages):
    today, version = dt.date.today().isoformat(), package_versions()["practice-transfer"]
    for page in pages:
        assert f"rinted {today}; version {version}" in shown(page), page.name
        if page.name != "sheet.html":  # a blank sheet has neither records nor chance in it
            assert re.search(rf"version {re.escape(version)}; seed \d+\.", shown(page)), page.name
    for name in ("protocol.html", "sheets_by_unit.html", "what_it_can_tell.html"):
        (page,) = [page for page in pages if page.name == name]
        assert "ractice planned from 2026-11-02 to 2027-01-24" in shown(page)


def test_all_pages_are_set_in_one_family(pages):
    families = {
        re.sub(r'"DejaVu Sans Condensed", ', "", family)
        for page in pages
        for family in re.findall(r'("[\w ]+"(?:, "[\w ]+")*, (?:sans-serif|serif|monospace))',
                                 page.read_text())
    }  # fmt: skip
    assert families == {'"DejaVu Sans", "Noto Sans", "Liberation Sans", sans-serif'}
    for page in pages:
        assert not re.search(r"monospace|Georgia|system-ui|[^-]serif;", page.read_text()), page.name
