"""Text from records into HTML, CSV and workbook; no pickle; no socket; outputs stay inside."""

from __future__ import annotations

import ast
import re
import socket
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from invented import invented_posterior, write_invented_records

import transfer
from transfer.cli import main

ROOM = Path(transfer.__file__).parent
SCRIPTS = (
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", '"><svg onload=alert(1)>',
    "'-alert(1)-'", "{{7*7}}",
)  # fmt: skip
FORMULAS = ("=1+1", "@SUM(1)", "+cmd", "-2+3", "\t=1")
PATHS = ("../../x", "/etc/x", "..", "C:x", "a/b")


def call(capsys, *words):
    capsys.readouterr()
    with pytest.raises(SystemExit) as stopped:
        main([str(w) for w in words])
    output = capsys.readouterr()
    return int(stopped.value.code or 0), output.out + output.err


def test_nothing_unpickles():
    """No import of a pickling module, and no reader of arrays or tables that would unpickle."""
    modules = {"pickle", "cPickle", "dill", "cloudpickle", "shelve", "marshal"}
    calls = re.compile(
        r"allow_pickle\s*=\s*True|joblib\.load|read_pickle|to_pickle|\beval\(|\bexec\("
    )
    files = list(ROOM.rglob("*.py"))
    assert len(files) > 100
    for path in files:
        text = path.read_text("utf-8")
        assert not calls.search(text), path.name
        for node in ast.walk(ast.parse(text)):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not {name.split(".")[0] for name in names} & modules, path.name


@pytest.fixture
def records(tmp_path):
    folder = tmp_path / "records"
    folder.mkdir()
    return write_invented_records(folder)


@pytest.fixture
def prepared(monkeypatch):
    from transfer.forecast import held_out as scores
    from transfer.terminal import inputs

    def stand_in(cells, request, purpose="forecast"):
        return invented_posterior(cells, draws=100, seed=request.seed, purpose=purpose)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    monkeypatch.setattr(scores, "fit_cells", stand_in)


def test_no_command_opens_a_socket(records, prepared, tmp_path, monkeypatch, capsys):
    def refuse(*_, **__):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    with pytest.raises(AssertionError, match="socket"):
        socket.create_connection(("localhost", 9))
    files = ["--practice", records["practice"], "--games", records["games"]]
    assert call(capsys, "check", *files)[0] == 0
    assert call(capsys, "rates", *files)[0] == 0
    assert call(capsys, "compare", *files, "--out", tmp_path / "run")[0] == 0
    code, told = call(capsys, "report", *files, "--out", tmp_path / "run", "--no-score")
    assert code == 0, told


@pytest.mark.parametrize("text", SCRIPTS)
def test_no_script_from_a_heading_or_a_drill_reaches_a_page(tmp_path, capsys, text):
    out = tmp_path / "sheet.html"
    code, told = call(capsys, "workbook", "sheet", "--out", out, "--title", text)
    assert code == 0, told
    page = out.read_text("utf-8")
    assert text not in page or text in ("{{7*7}}", "'-alert(1)-'")
    assert not re.search(r"<(script|img|svg)[^>]*alert", page)
    assert "49" not in re.findall(r"<h1[^>]*>(.*?)</h1>", page)


def plan_with(tmp_path, capsys, text):
    """Draw a lot for a roster with this code; exit code, words, and the new files."""
    roster = tmp_path / "roster.csv"
    names = [text, *(f"P{i:02d}" for i in range(7))]
    pd.DataFrame({"player": names, "program": "A"}).to_csv(roster, index=False)
    before = {p for p in tmp_path.rglob("*") if p.is_file()}
    code, told = call(
        capsys, "trial", "plan", "--roster", roster, "--out", tmp_path / "deep" / "plan",
        "--weeks", "8", "--start", "2026-01-05", "--seed", "1",
    )  # fmt: skip
    return code, told, {p for p in tmp_path.rglob("*") if p.is_file()} - before


@pytest.mark.parametrize("text", [*SCRIPTS, *PATHS])
def test_hostile_codes_of_a_trial_stay_text_and_stay_inside(tmp_path, capsys, text):
    code, told, new = plan_with(tmp_path, capsys, text)
    assert code == 0, told
    assert len(new) >= 4
    assert {p.parent for p in new} == {tmp_path / "deep" / "plan"}
    for page in (p for p in new if p.suffix == ".html"):
        assert not re.search(r"<(script|img|svg)[^>]*alert", page.read_text("utf-8")), page.name


@pytest.mark.parametrize("text", FORMULAS)
def test_codes_of_a_trial_that_are_formulas_are_refused(tmp_path, capsys, text):
    code, told, new = plan_with(tmp_path, capsys, text)
    assert code == 2
    assert "could run as a formula" in told
    assert "Next:" in told
    assert not new


@pytest.mark.parametrize("text", FORMULAS)
def test_no_formula_from_a_roster_reaches_a_workbook(tmp_path, capsys, text):
    roster = tmp_path / "roster.csv"
    pd.DataFrame({"player": [text, "P02"], "position": "guard"}).to_csv(roster, index=False)
    out = tmp_path / "book.xlsx"
    code, told = call(capsys, "workbook", "new", out, "--rows", "5", "--roster", roster)
    assert code == 0, told
    cells = [c for row in openpyxl.load_workbook(out)["roster"].iter_rows() for c in row]
    found = [c for c in cells if text.strip() in str(c.value)]
    assert found, told
    assert all(c.data_type == "s" for c in found)


@pytest.mark.parametrize("kind", ["bomb", "link"])
def test_hostile_workbooks_are_refused_by_the_commands(tmp_path, capsys, kind):
    import zipfile

    out = tmp_path / "book.xlsx"
    assert call(capsys, "workbook", "new", out, "--rows", "3")[0] == 0
    with zipfile.ZipFile(out, "a", zipfile.ZIP_DEFLATED) as book:
        if kind == "bomb":
            book.writestr("xl/more.xml", b"<a>" + b" " * (32 << 20) + b"</a>")
        else:
            book.writestr("xl/externalLinks/externalLink1.xml", b"<externalLink/>")
    for words in (("check", "--games", out), ("workbook", "read", out, "--out", tmp_path / "o")):
        code, told = call(capsys, *words)
        assert code == 2
        assert "times" in told or "links to other files" in told
    assert not (tmp_path / "o").exists()
