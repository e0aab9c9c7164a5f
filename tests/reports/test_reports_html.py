from __future__ import annotations

import html.parser
import re
from dataclasses import replace

import numpy as np
import pytest
from invented import invented_cells, invented_posterior
from markupsafe import escape

from transfer.errors import StorageError
from transfer.forecast.game_only import game_cells
from transfer.forecast.leave_out import score_leave_player_out
from transfer.page import words
from transfer.page.cautions import CAUTIONS
from transfer.reading.reading import read_transfer
from transfer.records.problems import Problem, problem_table
from transfer.reports.content import ReportContent
from transfer.reports.html import render_report
from transfer.reports.report import Report
from transfer.reports.section_records import quality_section

VOID = {"meta", "path", "use", "br", "rect", "link", "img"}


class Outline(html.parser.HTMLParser):
    """Tags, ids, headings and figures of a page; fails on tags that do not nest."""

    def __init__(self):
        super().__init__()
        self.open, self.tags, self.ids, self.levels, self.alts = [], [], [], [], []
        self.links, self.lang, self.text = [], None, []

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        self.tags.append(tag)
        if "id" in given:
            self.ids.append(given["id"])
        if tag == "html":
            self.lang = given.get("lang")
        if re.fullmatch(r"h[1-6]", tag):
            self.levels.append(int(tag[1]))
        if tag == "svg":
            self.alts.append((given.get("role"), given.get("aria-label")))
        self.links += [given[k] for k in ("href", "src") if k in given]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "title"):
            self.text.append(data)


@pytest.fixture(scope="module")
def content():
    cells = invented_cells(5, ("A", "B"))
    posterior = invented_posterior(cells, draws=300)
    verdict_fit = invented_posterior(cells, draws=300, purpose="verdict")
    problems = problem_table(
        [Problem("games.csv", "", 7, "player", "<b>P99</b>", "no practice", "chart it", "note")]
    )
    return ReportContent(
        title="Practice & games <test>",
        reading=read_transfer(verdict_fit, posterior),
        posterior=posterior,
        verdict_fit=verdict_fit,
        left_out_player=score_leave_player_out(
            posterior, games=invented_posterior(game_cells(cells), draws=300)
        ),
        missing_scores=("No score on later games: one day of games.",),
        problems=problems,
        summary=[("rep attempts", "10 makes of 20")],
        remarks=["Adding up sessions was harmless."],
        manifest={
            "inputs": {"games": {"file": "games.csv", "sha256": "ab" * 32}},
            "options": {"seed": 7, "rope": [-0.05, 0.05]},
        },
    )


@pytest.fixture(scope="module")
def page(content):
    return render_report(content)


@pytest.fixture(scope="module")
def outline(page):
    found = Outline()
    found.feed(page)
    assert found.open == []
    return found


def test_the_page_is_well_nested_with_unique_ids_and_a_language(outline):
    assert outline.lang == "en"
    assert len(outline.ids) == len(set(outline.ids))


def test_headings_do_not_skip_a_level(outline):
    assert outline.levels[0] == 1
    assert outline.levels.count(1) == 1
    assert all(b - a <= 1 for a, b in zip(outline.levels, outline.levels[1:], strict=False))


def test_no_script_and_nothing_from_outside(page, outline):
    assert "script" not in outline.tags
    assert not {"img", "link", "iframe", "object"} & set(outline.tags)
    assert all(link.startswith("#") for link in outline.links)
    assert {link[1:] for link in outline.links} <= set(outline.ids)
    assert "http" not in page
    assert not re.search(r"url\((?!#)", page)


def test_every_figure_has_alternative_text_with_numbers(outline):
    assert len(outline.alts) == 6
    for role, alt in outline.alts:
        assert role == "img"
        assert len(alt) > 80
        assert re.search(r"\d", alt)


def test_the_verdict_stands_first(page, content):
    first = content.reading.text.split(". ")[0]
    assert page.index(first.replace("'", "&#39;")) < page.index("<h2")


def test_text_from_records_is_escaped(page):
    assert "<b>P99" not in page
    assert "&lt;b&gt;P99&lt;/b&gt;" in page
    assert "<title>Practice &amp; games &lt;test&gt;</title>" in page


def test_every_player_and_caution_is_on_the_page(outline, content):
    words = " ".join(outline.text)
    for unit in content.cells.units:
        assert unit.rsplit("/", 1)[1] in words
    assert len(CAUTIONS) == 8
    for caution in CAUTIONS:
        assert caution.title in words
        assert caution.text in words


def test_provenance_names_inputs_seed_and_versions(page, content):
    assert "ab" * 32 in page
    assert content.reading.provenance.data_hash in page
    for package in ("pymc", "nutpie", "numpy", "practice-transfer"):
        assert f"<dt>{package}</dt>" in page


def test_raw_rates_stand_beside_the_estimates(page, content):
    row = content.cells.table.query("n > 0").iloc[0]
    raw = f"raw {100 * row['y'] / row['n']:.0f}% of {row['n']}"
    assert raw in page
    assert "no attempts" in page


def test_equal_content_gives_equal_bytes(page, content):
    assert render_report(content) == page


def test_colours_of_text_reach_a_contrast_of_4_5(page):
    """WCAG 2.1 relative luminance and contrast ratio."""

    def luminance(colour):
        parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
        return float(np.dot([0.2126, 0.7152, 0.0722], linear))

    inks = dict(re.findall(r"--(ink|soft): (#[0-9a-f]{6})", page))
    links = re.findall(r"a \{ color: (#[0-9a-f]{6})", page)
    for colour in [*inks.values(), *links]:
        assert 1.05 / (luminance(colour) + 0.05) >= 4.5


def test_paper_rules_are_there(page):
    assert "@page" in page
    assert "@media print" in page


def test_one_mode_says_what_to_chart_and_gives_no_contrast():
    cells = invented_cells(5, ("A",), ("rep/none",))
    posterior = invented_posterior(cells, draws=200)
    verdict_fit = invented_posterior(cells, draws=200, purpose="verdict")
    page = render_report(
        ReportContent("Only rep", read_transfer(verdict_fit, posterior), posterior, verdict_fit)
    )
    assert "Only rep shooting was charted" in page
    assert "The figures behind the verdict" not in page
    assert "Chart live shooting" in page


def test_a_shared_page_has_no_players_and_hides_small_groups():
    cells = invented_cells(4)
    posterior = invented_posterior(cells, draws=200)
    verdict_fit = invented_posterior(cells, draws=200, purpose="verdict")
    reading = read_transfer(verdict_fit, posterior)
    none = problem_table([])
    page = render_report(
        ReportContent("t", reading, posterior, verdict_fit, problems=none, shared=True)
    )
    assert "No problems, warnings or notes" in page
    for row in cells.table.itertuples():
        assert row.player not in page
    assert page.count("hidden") == 2 * len(cells.settings)
    words = str(quality_section([], None, []).blocks)
    assert "were not part of this run" in words


def test_a_shared_page_has_no_hash_of_the_records():
    posterior = invented_posterior(invented_cells(4), draws=200)
    judged = invented_posterior(invented_cells(4), draws=200, purpose="verdict")
    manifest = {
        "inputs": {"games": {"file": "games.csv", "sha256": "ab" * 32}},
        "options": {"priors_sha256": "cd" * 32, "seed": 1},
    }
    given = {"manifest": manifest, "problems": problem_table([])}
    own, shared = (
        render_report(
            ReportContent("t", read_transfer(judged), posterior, judged, shared=s, **given)
        )
        for s in (False, True)
    )
    assert len(re.findall(r"\b[0-9a-f]{64}\b", own)) == 3
    assert re.findall(r"\b[0-9a-f]{64}\b", shared) == []


def test_a_shared_page_keeps_rows_of_record_files_back(content):
    section = quality_section([], content.problems, [], rows=False)
    assert "P99" not in str(section.blocks)
    assert "Warnings and notes: 1" in str(section.blocks)


def test_the_next_step_stands_once_whatever_follows_it(content):
    start = "Starting assumption of level men_college: between 29% and 52%."
    reading = replace(content.reading, text=f"{content.reading.text} {start}")
    (step, *_) = words.sentences(content.reading.next_step.text)
    page = render_report(replace(content, reading=reading))
    assert page.count(str(escape(step))) == 1
    assert start in page


def test_a_page_that_cannot_be_written_leaves_the_old_one(content, tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("old", encoding="utf-8")
    with pytest.raises(StorageError):
        Report("new", content).save(blocked / "report.html")
    assert blocked.read_text(encoding="utf-8") == "old"
