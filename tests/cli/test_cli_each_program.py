"""One page per program: nothing of the others on it, and no page lost with another's failure."""

from __future__ import annotations

import json

import pytest
from invented import invented_posterior

from transfer.errors import DiagnosticsError
from transfer.terminal import inputs


@pytest.fixture
def three(tmp_path, files):
    """Records of programs A, B and C; the players of each have codes of their own."""
    for path in files.values():
        header, *lines = path.read_text(encoding="utf-8").splitlines()
        rows = [f"{header},program"]
        rows += [f"{line.replace(',P', f',{g}')},{g}" for g in "ABC" for line in lines]
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return ["--practice", files["practice"], "--games", files["games"]]


@pytest.fixture
def b_fails(monkeypatch):
    """Stand in for the sampler, whose checks fail for program B."""

    def stand_in(cells, request, purpose="forecast"):
        if "B" in set(cells.table["program"]):
            raise DiagnosticsError("the checks failed twice", next_step="record more")
        return invented_posterior(cells, draws=200, seed=request.seed, purpose=purpose)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)


EACH = ("report", "--each-program", "--jobs", "1", "--for", "director")


def test_a_failing_program_does_not_lose_the_others(three, b_fails, run, tmp_path):
    code, out, err = run(*EACH, *three, "--out", tmp_path / "out")
    assert code == DiagnosticsError.exit_code
    pages = sorted(p.name for p in (tmp_path / "out").glob("*.html"))
    assert pages == ["program-A-report-director.html", "program-C-report-director.html"]
    assert "B: no page" in err
    assert "the checks failed twice" in err
    assert "A: no page" not in err
    assert "program-A-report-director.html" in out
    assert not (tmp_path / "out" / "fit.nc").exists()


def test_json_is_one_object_with_pages_and_failures(three, b_fails, run, tmp_path):
    code, out, err = run(*EACH, *three, "--out", tmp_path / "out", "--json")
    told = json.loads(out)
    assert code == DiagnosticsError.exit_code
    assert err == ""
    assert [r["program"] for r in told["reports"]] == ["A", "C"]
    (failed,) = told["failed"]
    assert (failed["program"], failed["error"]) == ("B", "DiagnosticsError")


def test_a_defect_costs_one_page_and_is_named(three, monkeypatch, run, tmp_path):
    def stand_in(cells, request, purpose="forecast"):
        if "C" in set(cells.table["program"]):
            raise ZeroDivisionError("a slip")
        return invented_posterior(cells, draws=200, seed=request.seed, purpose=purpose)

    monkeypatch.setattr(inputs, "fit_cells", stand_in)
    code, _, err = run(*EACH, *three, "--out", tmp_path / "out")
    assert code == 1
    assert "ZeroDivisionError: a slip" in err
    assert len(list((tmp_path / "out").glob("*.html"))) == 2


def test_a_page_holds_its_own_players_only(three, fits, run, tmp_path):
    words = ("report", "--each-program", "--jobs", "1", "--for", "coach")
    assert run(*words, *three, "--out", tmp_path / "out")[0] == 0
    page = (tmp_path / "out" / "program-B-report-coach.html").read_text("utf-8")
    assert "B01" in page
    assert "A01" not in page
    assert "C01" not in page
    # Each is fitted with practice, by setting and to judge, and without to tell what practice is
    # worth.
    for practice, programs in ((True, "AABBCC"), (False, "ABC")):
        fitted = [cells for cells in fits if bool(cells.settings) == practice]
        assert [set(cells.table["program"]) for cells in fitted] == [{p} for p in programs]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("--each-program", "--program", "A"), "--each-program together with --program"),
        (("--jobs", "2"), "--jobs without --each-program"),
        (("--each-program", "--jobs", "0"), "workers=0"),
    ],
)
def test_contradictions_are_refused(three, fits, run, tmp_path, words, message):
    code, _, err = run("report", *words, *three, "--out", tmp_path / "out")
    assert code == 2
    assert message in err
    assert fits == []


def test_one_program_needs_no_pages_of_its_own(files, fits, run, tmp_path):
    words = ("--practice", files["practice"], "--games", files["games"], "--out", tmp_path / "out")
    code, _, err = run("report", "--each-program", *words)
    assert code == 2
    assert "the records hold one program" in err


@pytest.mark.fit
def test_two_processes_write_the_same_pages_as_one(three, run, tmp_path):
    """Real fits: everything on a page comes out equal, wherever it was fitted."""
    found = {}
    for jobs in ("1", "2"):
        out = tmp_path / jobs
        words = ("report", "--each-program", "--jobs", jobs, "--for", "director", "--json")
        code, said, _ = run(*words, *three, "--out", out, "--settings", "mode")
        assert code == 0, said
        found[jobs] = {p.name: p.read_bytes() for p in out.glob("*.html")}
    assert len(found["1"]) == 3
    assert found["1"] == found["2"]
