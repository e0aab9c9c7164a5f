"""PDF on machines that lack a system library: drawn all the same, or refused in words."""

from __future__ import annotations

import subprocess
import sys

import pytest

from transfer.page.pdf import page_pdf
from transfer.session.courtside_sheet import chart_sheet_html

#: Runs a command where libraries with these words in their names cannot be opened.
COMMAND = """
import sys
import cffi

hidden, *words = sys.argv[1:]
opened = cffi.FFI.dlopen

def dlopen(self, name, flags=0):
    if hidden in str(name):
        raise OSError(f"cannot load library '{name}'")
    return opened(self, name, flags)

cffi.FFI.dlopen = dlopen
from transfer.cli import main
main(words)
"""


def draw(hidden: str, target) -> subprocess.CompletedProcess[str]:
    """Make a courtside sheet by the command line, every warning shown."""
    return subprocess.run(
        [sys.executable, "-W", "always", "-c", COMMAND, hidden,
         "workbook", "sheet", "--lines", "2", "--out", str(target)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip


@pytest.mark.needs("pango")
def test_without_harfbuzz_subset_the_pdf_is_drawn_and_nothing_is_said(tmp_path):
    done = draw("harfbuzz-subset", tmp_path / "sheet.pdf")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert done.stdout.startswith("Made ")
    assert done.stdout.count("\n") == 1
    assert (tmp_path / "sheet.pdf").read_bytes().startswith(b"%PDF")


def test_without_pango_it_is_refused_in_words(tmp_path):
    done = draw("pango", tmp_path / "sheet.pdf")
    assert done.returncode == 5
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert "libpango-1.0-0" in done.stderr
    assert "print the HTML page" in " ".join(done.stderr.split())
    assert list(tmp_path.iterdir()) == []


def sheet_twice(monkeypatch) -> None:
    """Two PDFs of one page, years apart by the clock that fonts are stamped with."""
    page = chart_sheet_html(lines=2)
    first = page_pdf(page)
    monkeypatch.setattr("time.time", lambda: 2_000_000_000.0)
    assert page_pdf(page) == first
    assert b"CreationDate" not in first


@pytest.mark.needs("pango")
def test_equal_pages_are_equal_files_without_harfbuzz_subset(monkeypatch):
    page_pdf("<p>x</p>")  # loads WeasyPrint the quiet way
    monkeypatch.setattr("weasyprint.pdf.fonts.harfbuzz_subset", None)
    sheet_twice(monkeypatch)


@pytest.mark.needs("pango", "harfbuzz-subset")
def test_equal_pages_are_equal_files_with_harfbuzz_subset(monkeypatch):
    sheet_twice(monkeypatch)
