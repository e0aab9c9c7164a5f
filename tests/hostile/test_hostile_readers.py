"""Every reader on bytes made to harm: an answer or a refusal that helps, never a traceback."""

from __future__ import annotations

import io
import json
import random
import time

import fuzz_study
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from readers import GAMES, Target, checked, meets, targets

from transfer.cli.verify import verify_run
from transfer.errors import ArgumentError, RecordsError, StorageError
from transfer.records.reading import read_records

NAMES = (
    "CSV, practice", "CSV, games", "CSV, roster", "CSV, drills", "Parquet", "xlsx",
    "xlsx, bent inside", "plan.json", "record of a lot", "assignments",
    "roster of a trial", "roster of a session", "saved fit", "saved forecast",
    "counts of an earlier run", "transfer.toml", "priors file", "run manifest",
    "manifest of an earlier run", "key of pseudonyms",
)  # fmt: skip
#: Readers that take tens of milliseconds.
DEAR = {
    "xlsx", "xlsx, bent inside", "saved fit", "roster of a trial",
    "counts of an earlier run", "manifest of an earlier run",
}  # fmt: skip


@pytest.fixture(scope="module")
def readers(tmp_path_factory):
    return targets(tmp_path_factory.mktemp("fuzz"))


@pytest.fixture(scope="module")
def commands(tmp_path_factory):
    return checked(tmp_path_factory.mktemp("commands"))


@pytest.mark.parametrize(
    "name",
    ["check, practice", "check, games", "check, roster", "check, drills", "check, Parquet",
     "check, xlsx bent inside"],
)  # fmt: skip
def test_the_command_tells_every_cause_of_mangled_files(commands, tmp_path, name):
    target = commands[name]
    assert meets(name, target.good, tmp_path / target.file, target.read)
    rng = random.Random(f"quick {name}")
    bent = [target.bend(target.good, rng) for _ in range(30)]
    met = [meets(name, data, tmp_path / target.file, target.read) for data in bent]
    assert not all(met), "no mangled file was refused"


def place(tmp_path_factory, name, file):
    return tmp_path_factory.getbasetemp() / name.replace(" ", "_").replace(".", "_") / file


def test_every_reader_is_here(readers):
    assert tuple(readers) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_the_good_file_is_read(readers, tmp_path, name):
    target = readers[name]
    assert meets(name, target.good, tmp_path / target.file, target.read)


@pytest.mark.parametrize("name", NAMES)
def test_mangled_files(readers, tmp_path, name):
    target = readers[name]
    rng = random.Random(f"quick {name}")
    tries = 8 if name in DEAR else 20
    bent = [target.bend(target.good, rng) for _ in range(tries)]
    met = [meets(name, data, tmp_path / target.file, target.read) for data in bent]
    assert not all(met), "no mangled file was refused"


@pytest.mark.parametrize("name", ["CSV, games", "plan.json", "transfer.toml", "priors file"])
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.one_of(st.binary(max_size=300), st.text(max_size=300).map(
    lambda t: t.encode("utf-8", "surrogatepass"))))  # fmt: skip
def test_anything_at_all(readers, tmp_path, name, data):
    meets(name, data, tmp_path / readers[name].file, readers[name].read)


@pytest.mark.parametrize(
    "text",
    ["[1]", "5", "null", '"x"', '{"inputs": 3}', '{"inputs": {"games": null}}',
     '{"inputs": {"x": {}}}', '{"inputs": {"x": {"file": 5}}}', "[" * 100_000],
)  # fmt: skip
def test_a_manifest_of_another_form_is_no_run_and_is_not_written_over(readers, tmp_path, text):
    for name in ("run manifest", "manifest of an earlier run"):
        target = readers[name]
        assert not meets(name, text.encode(), tmp_path / target.file, target.read)


@pytest.mark.parametrize(
    ("rows", "what"),
    [
        ("program,season,player,n,y\nA,2025-26,P01,4,1", "no column unit"),
        ("unit,program,season,player,n\nA/P01,A,2025-26,P01,4", "no column y"),
        ("unit,program,season,player,n,y\nA/P01,A,2025-26,P01,4,x", "whole number"),
        ("unit,program,season,player,n,y\nA/P01,A,2025-26,P01,4,5", "above the attempts"),
        ("unit,program,season,player,n,y\nA/P01,A,2025-26,P01,4,-1", "below 0"),
        ("unit,program,season,player,n,y" + "\nA/P01,A,2025-26,P01,4,1" * 2, "twice"),
    ],
)  # fmt: skip
def test_damaged_counts_of_an_earlier_run_are_named(readers, tmp_path, rows, what):
    path = tmp_path / "games_then.csv"
    path.write_text(rows + "\n")
    with pytest.raises(StorageError, match=what) as caught:
        readers["counts of an earlier run"].read(path)
    assert "transfer report" in caught.value.next_step


@pytest.mark.parametrize("mean", ["NaN", "-0.1", "1.5", "null", "[]"])
def test_a_forecast_holds_rates(readers, tmp_path, mean):
    path = tmp_path / "f.json"
    path.write_text('{"players": [{"player": "P01", "mean": %s}]}' % mean)  # noqa: UP031
    with pytest.raises(RecordsError, match="forecast"):
        readers["saved forecast"].read(path)


def test_a_crash_or_a_reader_that_hangs_is_counted(tmp_path, monkeypatch):
    """What the study counts is what fails it."""
    monkeypatch.setattr(fuzz_study, "PATIENCE", 1)

    def broken(path):
        if path.read_bytes() != b"x":
            raise KeyError("x")
        time.sleep(5)

    known = Target("x", b"x", broken, lambda good, rng: rng.choice((b"x", b"y")))
    found = fuzz_study.fuzz("broken", known, 4, 2, tmp_path)
    assert found["accepted"] == 0
    told = "".join(found["crashes"])
    assert len(found["crashes"]) == 4
    assert "KeyError" in told
    assert "TimeoutError" in told


@pytest.mark.parametrize("name", ["transfer.toml", "priors file"])
def test_brackets_nested_without_end_are_refused(readers, tmp_path, name):
    target = readers[name]
    nested = b"seed = " + b"[" * 20_000
    assert not meets(name, nested, tmp_path / target.file, target.read)


def test_the_study_covers_every_reader():
    assert tuple(fuzz_study.WEIGHTS) == NAMES
    assert sum(fuzz_study.WEIGHTS.values()) == 1000
    assert sum(fuzz_study.COMMANDS.values()) == 100


def test_the_study_covers_every_record_file_of_the_command(commands):
    assert list(fuzz_study.COMMANDS) == list(commands)


def test_a_crash_of_the_guided_run_fails_the_study(monkeypatch):
    class Done:
        returncode, stderr = 77, "Traceback (most recent call last)"

    monkeypatch.setattr(fuzz_study.importlib.util, "find_spec", lambda _: object())
    monkeypatch.setattr(fuzz_study.subprocess, "run", lambda *_, **__: Done)
    told, crashed = fuzz_study.guided(1)
    assert crashed
    assert "Traceback" in told
    monkeypatch.setattr(fuzz_study.importlib.util, "find_spec", lambda _: None)
    assert fuzz_study.guided(1) == ("not run, the package atheris is not installed here", False)


def test_the_check_can_fail(tmp_path):
    def broken(path):
        raise KeyError("x")

    with pytest.raises(AssertionError, match="KeyError"):
        meets("broken", b"x", tmp_path / "x", broken)


def test_a_stopped_study_goes_on_where_it_stopped(tmp_path):
    log = tmp_path / "log.jsonl"
    row = {"inputs": 3, "accepted": 1, "crashes": [], "seed": 4, "seconds": 0}
    weights = fuzz_study.WEIGHTS.items()
    rows = [{**row, "reader": name, "inputs": 2 * weight} for name, weight in weights]
    log.write_text("".join(json.dumps(r) + "\n" for r in rows))
    counts = {name: 2 * weight for name, weight in weights}
    assert fuzz_study.all_rows(counts, 4, 1, log) == rows


@pytest.mark.parametrize("where", ["cell", "name of a column"])
def test_parquet_texts_that_are_no_utf8_are_refused(tmp_path, where):
    """Found by the study: they were decoded only after the file had been opened."""
    text = {"cell": b"OPPX", "name of a column": b"opponent"}[where]
    frame = pd.read_csv(io.StringIO(GAMES)).assign(opponent="OPPX")
    out = io.BytesIO()
    frame.to_parquet(out, compression="none", store_schema=False)
    data = out.getvalue().replace(text, b"\xe1" + text[1:])
    assert data != out.getvalue()
    (tmp_path / "g.parquet").write_bytes(data)
    with pytest.raises(RecordsError) as caught:
        read_records(games=tmp_path / "g.parquet")
    assert "not readable as Parquet" in caught.value.problems[0]["rule"]


@pytest.mark.parametrize("week", ["inf", "1.5", "1e300", "", "-inf"])
def test_a_week_that_is_no_whole_number_is_refused(readers, tmp_path, week):
    """Found by the study: an infinite week came out as a failed cast."""
    target = readers["assignments"]
    lines = target.good.decode().splitlines()
    cells = lines[2].split(",")
    cells[3] = week
    (tmp_path / "a.csv").write_text("\n".join([*lines[:2], ",".join(cells), *lines[3:]]))
    with pytest.raises(ArgumentError, match="week") as caught:
        target.read(tmp_path / "a.csv")
    assert caught.value.rule


@pytest.mark.parametrize(
    "line",
    ["mu_game = [0.3]", "mu_game = [0.1, 0.2, 0.3]", "mu_game = 0.3", "mu_game = ['a', 0.3]",
     "mu_game = [nan, 0.3]", "mu_game = 'none'", "tau_game_sd = 'x'", "tau_game_sd = true",
     "tau_game_sd = [1.0, 2.0]", "tau_game_sd = 9" + "9" * 40, "lkj_eta = inf", "lkj_eta = {a = 1}",
     "tilt_game = 5", "tau_family = 'normal'", "tau_family = [1]", "tau_game_sd = 2025-01-01"],
)  # fmt: skip
def test_priors_of_another_kind_are_refused_by_name(readers, tmp_path, line):
    """Found by the study: a list of one number; the rest would have failed in the fit."""
    (tmp_path / "p.toml").write_text(line + "\n")
    with pytest.raises(ArgumentError, match=line.split(" ")[0]) as caught:
        readers["priors file"].read(tmp_path / "p.toml")
    assert caught.value.rule
    assert caught.value.next_step


@pytest.mark.parametrize("name", ["d" * 300 + ".csv", "a/" + "b" * 300, "x\\u0000y", "x\\ny"])
def test_names_that_no_file_can_have_are_refused(readers, tmp_path, name):
    """Found by the study: too long a name came out of the operating system."""
    (tmp_path / "transfer.toml").write_text(f'[files]\nroster = "{name}"\n')
    with pytest.raises(ArgumentError, match=r"files\.roster") as caught:
        readers["transfer.toml"].read(tmp_path / "transfer.toml")
    assert "one line" in caught.value.rule


def test_a_manifest_that_names_no_possible_file_finds_it_missing(readers, tmp_path):
    """Found by the study: too long a name came out of the operating system."""
    manifest = json.loads(readers["run manifest"].good)
    manifest["inputs"]["games"]["file"] = "9" * 400
    manifest["inputs"]["practice"] = {"file": "x\0y", "sha256": "0" * 64}
    (tmp_path / "manifest.json").write_text(json.dumps(manifest))
    (tmp_path / "SHA256SUMS").write_text(f"{'0' * 64}  {'8' * 400}\n")
    found = verify_run(tmp_path).table.set_index("name")["state"]
    assert found["9" * 400] == found["x\0y"] == found["8" * 400] == "missing"
