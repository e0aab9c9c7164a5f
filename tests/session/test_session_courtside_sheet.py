"""The courtside sheet holds the charted columns on one page, and nothing from outside."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from transfer.errors import ArgumentError
from transfer.page.pdf import laid_out
from transfer.records.schema import PRACTICE
from transfer.records.workbook_codes import charted_columns, code_of
from transfer.session.courtside_sheet import PAPERS, chart_sheet_html


def columns(page):
    """Columns to write in and fields written once, as their names."""
    heads = re.findall(r'<th scope="col"[^>]*>([a-z_\u200b]+)', page)
    once = re.findall(r'<th scope="row">([a-z_]+)</th>', page)
    return [head.replace("\u200b", "") for head in heads], once


def test_every_charted_column_stands_once():
    page = chart_sheet_html()
    heads, once = columns(page)
    charted = [column.name for column in charted_columns(PRACTICE)]
    assert sorted(heads + once) == sorted(charted)
    assert heads == [name for name in charted if name not in once]
    assert once == ["date", "session", "charter", "second_chart", "program", "season"]


def test_every_code_is_explained():
    page = chart_sheet_html()
    legend = page.split('class="legend"')[1]
    for column in charted_columns(PRACTICE):
        for level in column.levels:
            assert f'<b class="code">{code_of(level)}</b> {level}' in legend


@pytest.mark.needs("pango")
@pytest.mark.parametrize("paper", list(PAPERS))
def test_one_landscape_page(paper):
    pages = laid_out(chart_sheet_html(paper=paper)).pages
    assert len(pages) == 1
    assert pages[0].width > pages[0].height
    lines = chart_sheet_html(paper=paper).count('<td class="tally">') / 2
    assert lines == PAPERS[paper][1]


def test_equal_sheets_are_equal_pages():
    assert chart_sheet_html(lines=2) == chart_sheet_html(lines=2)


def test_planned_rows_are_printed_and_what_is_common_stands_once():
    rows = pd.DataFrame(
        {"date": "2025-11-03", "session": ["1", "2"], "player": ["P01", "<b>P02</b>"],
         "drill": "air", "minutes": [6.0, None]}
    )  # fmt: skip
    page = chart_sheet_html(rows, lines=3)
    heads, once = columns(page)
    assert "session" in heads
    assert "session" not in once
    assert '<th scope="row">date</th><td>2025-11-03</td>' in page
    assert "&lt;b&gt;P02&lt;/b&gt;" in page
    assert "<b>P02" not in page
    assert "nan" not in page.lower()
    assert page.count("<tr><td") == 3


def test_nothing_comes_from_outside():
    page = chart_sheet_html()
    assert not re.search(r"https?:|src=|url\(|<script|@import", page)


@pytest.mark.parametrize(
    "wrong",
    [{"paper": "a5"}, {"columns": ["made"]}, {"columns": ["sport"]}, {"lines": 0}, {"lines": 501}],
)
def test_wrong_arguments(wrong):
    with pytest.raises(ArgumentError):
        chart_sheet_html(**wrong)


def test_more_planned_rows_than_lines():
    with pytest.raises(ArgumentError, match="lines=1"):
        chart_sheet_html(pd.DataFrame({"player": ["P01", "P02"]}), lines=1)
