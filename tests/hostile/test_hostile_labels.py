"""Every label of the records, made to harm, through every page, table and workbook that goes out.

One data set holds them all: codes of players, programs, defenders and charters, names of drills,
sessions, games, opponents and seasons, descriptions and squads. What counts is what comes out: no
element or handler of a page, and no cell that a spreadsheet would run.
"""

from __future__ import annotations

import csv
import io
import re
import socket
import zipfile
from html.parser import HTMLParser

import openpyxl
import pandas as pd
import pytest
from invented import invented_posterior, write_invented_records

#: A code holds no slash, so the closing tag stands in free labels only.
PLAYERS = ("<script>pwn7()", '"><svg onload=pwn7()>', "=1+1", "+cmd|'C calc'!A0", "@SUM(1)", "-2+3")
PROGRAMS = ("<img src=x onerror=pwn7()>", "=HYPERLINK(A1)")
LABELS = (
    "<script>pwn7()</script>", "</script><script>pwn7()</script>", "javascript:pwn7()",
    "{{pwn7()}}", "</style><img src=x onerror=pwn7()>", "=1+1", "\t=1+1", "\r=1+1", "@SUM(1)",
    "-2+3", "+1+1|'C'!A0",
)  # fmt: skip
_FORMULA = re.compile(r"[\s']*[=+\-@]")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")


def spread(length, labels=LABELS):
    return [labels[i % len(labels)] for i in range(length)]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Hostile record files of two programs, as a spreadsheet would keep them."""
    folder = tmp_path_factory.mktemp("labels")
    plain = write_invented_records(folder)
    parts = {name: [] for name in plain}
    for number, program in enumerate(PROGRAMS):
        for name, path in plain.items():
            codes = {f"P{i + 1:02d}": code for i, code in enumerate(PLAYERS)}
            frame = pd.read_csv(path, dtype=str)
            frame["player"] = frame["player"].map(codes)
            frame["program"], frame["season"] = program, "=2025+26"
            if name == "practice":
                labels = [LABELS[(3 * number + i) % len(LABELS)] for i in range(2)]
                names = dict(zip(frame["drill"].unique(), labels, strict=True))
                frame["drill"] = frame["drill"].map(names)
                frame["session"] = "</script>=1"
                live = frame["mode"].eq("live")
                frame["defender"] = [PLAYERS[i % 6] if x else "" for i, x in enumerate(live)]
                frame.loc[frame["defender"].eq(frame["player"]), "defender"] = ""
                frame["charter"] = spread(len(frame))
            else:
                frame["opponent"] = spread(len(frame))
                frame["game"] = "<b onclick=pwn7()>" + frame["game"]
            parts[name].append(frame)
    tables = {name: pd.concat(frames) for name, frames in parts.items()}
    who = tables["practice"][["player", "program", "season"]].drop_duplicates()
    tables["roster"] = who.assign(position="guard", squad=spread(len(who)))
    kinds = tables["practice"][["drill", "mode", "contest", "program"]].drop_duplicates()
    tables["drills"] = kinds.assign(description=spread(len(kinds))[::-1])
    paths = {name: folder / f"hostile_{name}.csv" for name in tables}
    for name, frame in tables.items():
        frame.to_csv(paths[name], index=False, quoting=csv.QUOTE_ALL)
    return paths


@pytest.fixture
def prepared(monkeypatch):
    from transfer.forecast import held_out as scores
    from transfer.terminal import inputs

    def stand_in(cells, request, purpose="forecast"):
        return invented_posterior(cells, draws=80, seed=request.seed, purpose=purpose)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    monkeypatch.setattr(scores, "fit_cells", stand_in)


def files(made, *names):
    return [word for name in names for word in (f"--{name}", made[name])]


ALL = ("practice", "games", "roster", "drills")


class Page(HTMLParser):
    """What a browser would run of a page."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.runs, self.inside, self.shown = [], "", ""
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.inside = tag
        for name, value in attrs:
            code = name.startswith("on") or re.match(r"\s*(javascript|data:text)", value or "")
            if code and "pwn7" in (value or ""):
                self.runs.append(f"<{tag} {name}={value!r}>")
            if name in ("src", "href") and (value or "") == "x":
                self.runs.append(f"<{tag} {name}=x>")

    def handle_data(self, data):
        # Inside a script only a text in quotes, with its signs of markup written as escapes.
        if self.inside in ("script", "style"):
            bare = re.sub(r'"(?:[^"\\]|\\.)*"', '""', data)
            if "pwn7" in bare or re.search(r"<\W*(script|img|svg|b )", data):
                self.runs.append(f"{self.inside}: {data[:200]}")
        self.shown += data

    def handle_endtag(self, tag):
        self.inside = ""


def formulas(text):
    """Cells of a CSV text that a spreadsheet would run, comma or semicolon its separator."""
    found = []
    for separator in ",;\t":
        rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
        # The first part of a line split by another sign is the line up to there, no cell.
        for cell in (cell for row in rows for cell in row[0 if separator == "," else 1 :]):
            safe = _NUMBER.fullmatch(cell) or cell.lstrip().startswith("'")
            if not safe and _FORMULA.match(cell):
                found.append((separator, cell))
    return found


def test_what_is_looked_for_would_be_found():
    assert Page("<p>a</p><script>pwn7()</script>").runs
    assert Page("<img src=x onerror=pwn7()>").runs
    assert Page('<a href="javascript:pwn7()">x</a>').runs
    assert Page('<script>const a = "<script>pwn7()";</script>').runs
    assert not Page('<p>&lt;script&gt;pwn7()</p><script>a = "\\u003cscript>pwn7()"</script>').runs
    for text in LABELS:
        assert bool(formulas('"' + text + '"')) is not text.startswith(("<", "{", "java"))
    assert formulas("a;=1+1")
    assert not formulas("-2,'=1+1,1e-5")


def test_such_records_are_accepted_so_that_they_can_harm(made, run):
    code, out, err = run("check", *files(made, *ALL))
    assert code == 0, out + err


def test_a_label_of_two_lines_is_refused(made, run, tmp_path):
    games = pd.read_csv(made["games"], dtype=str, keep_default_na=False)
    games.loc[3, "opponent"] = "x\n=1+1"
    games.to_csv(tmp_path / "g.csv", index=False)
    code, out, err = run("check", "--practice", made["practice"], "--games", tmp_path / "g.csv")
    assert code == 2
    assert "one short line" in out + err


@pytest.mark.parametrize("audience", ["analyst", "coach", "director"])
def test_no_label_runs_in_a_report(made, prepared, run, tmp_path, audience):
    words = (*files(made, *ALL), "--for", audience)
    own = ("--program", PROGRAMS[0], "--title", LABELS[1])
    code, _, err = run("report", *words, *own, "--out", tmp_path / "run")
    assert code == 0, err
    (path,) = (tmp_path / "run").glob("report*.html")
    page = Page(path.read_text("utf-8"))
    assert page.runs == []
    # The labels are there, as text.
    wanted = (LABELS[1],) if audience == "director" else (LABELS[1], PLAYERS[0])
    assert [label for label in wanted if label not in page.shown] == []
    code, _, err = run("report", *words, "--shared", "--out", tmp_path / "run")
    assert code == 0, err
    shared = Page((path.with_name(f"{path.stem}-shared.html")).read_text("utf-8"))
    assert shared.runs == []
    assert [label for label in PLAYERS if label in shared.shown] == []
    for table in (tmp_path / "run").glob("*.csv"):
        assert formulas(table.read_text("utf-8")) == [], table.name


def test_no_label_runs_in_a_session_or_its_tables(made, run, tmp_path):
    code, _, err = run(
        "session", *files(made, "practice", "roster", "drills"), "--program", PROGRAMS[0],
        "--baskets", "2", "--minutes", "40", "--out", tmp_path / "s", "--date", "2025-12-01",
        "--session", LABELS[0], "--season", LABELS[4],
    )  # fmt: skip
    assert code == 0, err
    pages, tables = list((tmp_path / "s").glob("*.html")), list((tmp_path / "s").glob("*.csv"))
    assert len(pages) >= 1
    assert len(tables) >= 3
    shown = ""
    for path in pages:
        page = Page(path.read_text("utf-8"))
        assert page.runs == [], path.name
        shown += page.shown
    assert PLAYERS[0] in shown
    for table in tables:
        assert formulas(table.read_text("utf-8")) == [], table.name


def test_no_label_is_a_formula_in_a_workbook_or_in_what_is_read_from_it(made, run, tmp_path):
    book = tmp_path / "book.xlsx"
    code, _, err = run("workbook", "new", book, "--rows", "5", *files(made, "roster", "drills"))
    assert code == 0, err
    cells = [c for s in openpyxl.load_workbook(book) for row in s.iter_rows() for c in row]
    assert [c.value for c in cells if c.data_type == "f"] == []
    held = {str(c.value) for c in cells}
    assert [p for p in PLAYERS if p not in held and f"'{p}" not in held] == []
    filled = openpyxl.Workbook()
    filled.remove(filled.active)
    for name in ALL:
        sheet = filled.create_sheet(name)
        for row in csv.reader(io.StringIO(made[name].read_bytes().decode(), newline="")):
            sheet.append(row)
            for cell in sheet[sheet.max_row]:
                cell.data_type = "s"  # a text, also where it looks like a formula
    filled.save(tmp_path / "filled.xlsx")
    code, out, err = run("workbook", "read", tmp_path / "filled.xlsx", "--out", tmp_path / "o")
    assert code == 0, out + err
    tables = list((tmp_path / "o").glob("*.csv"))
    assert len(tables) == 4
    for table in tables:
        assert formulas(table.read_text("utf-8")) == [], table.name
    again = run("check", *(w for n in ALL for w in (f"--{n}", tmp_path / "o" / f"{n}.csv")))
    assert again[0] == 0, again


def test_no_label_is_a_formula_in_a_bundle_or_behind_pseudonyms(made, prepared, run, tmp_path):
    words = files(made, *ALL)
    assert run("fit", *words, "--out", tmp_path / "run")[0] == 0
    bundle = tmp_path / "share.zip"
    code, _, err = run("share", tmp_path / "run", "--out", bundle, *words)
    assert code == 0, err
    with zipfile.ZipFile(bundle) as archive:
        texts = {name: archive.read(name).decode() for name in archive.namelist()}
    tables = [name for name in texts if name.endswith(".csv")]
    assert len(tables) == 2
    assert "HYPERLINK" in texts["counts.csv"], "the label of a program is in it"
    for name in tables:
        assert formulas(texts[name]) == [], name
    code, _, err = run(
        "pseudonymise", *words, "--out", tmp_path / "coded", "--new-key", tmp_path / "key.json"
    )
    assert code == 0, err
    for table in (tmp_path / "coded").glob("*.csv"):
        text = table.read_text("utf-8")
        assert formulas(text) == [], table.name
        assert "C calc" not in text


def test_counts_kept_beside_a_fit_are_safe_cells_and_read_back(made, prepared, run, tmp_path):
    """Codes that a spreadsheet would run are kept with an apostrophe and known again."""
    words = files(made, *ALL)
    games = pd.read_csv(made["games"], dtype=str, keep_default_na=False)
    games[games["date"] < "2025-12-05"].to_csv(tmp_path / "early.csv", index=False)
    early = [tmp_path / "early.csv" if w == made["games"] else w for w in words]
    assert run("report", *early, "--out", tmp_path / "early", "--for", "director")[0] == 0
    assert formulas((tmp_path / "early" / "games_then.csv").read_text("utf-8")) == []
    code, out, err = run(
        "report", *words, "--out", tmp_path / "later", "--previous", tmp_path / "early"
    )
    assert code == 0, err
    assert "12 players" in out, out


@pytest.mark.fit
def test_fit_report_and_share_open_no_socket(season, run, monkeypatch, tmp_path):
    """With the sampler itself at work; joblib and numba included."""

    def refuse(*_, **__):
        raise AssertionError("a socket was opened")

    for name in ("socket", "getaddrinfo", "create_connection"):
        monkeypatch.setattr(socket, name, refuse)
    with pytest.raises(AssertionError, match="socket"):
        socket.create_connection(("localhost", 9))
    code, _, err = run("fit", "--settings", "mode")
    assert code == 0, err
    (folder,) = (season / "runs").iterdir()
    for audience in ("analyst", "coach", "director"):
        code, _, err = run("report", "--settings", "mode", "--for", audience)
        assert code == 0, err
    code, _, err = run("share", folder, "--settings", "mode", "--out", tmp_path / "b.zip")
    assert code == 0, err
    assert (tmp_path / "b.zip").is_file()
