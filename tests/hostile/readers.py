"""Every reader as a function from bytes: what may come out is an answer or the package's own error.

`targets` maps the name of a reader to its `Target`: file name, a good file, how to read it and how
to bend it. `mangle` makes a bad file from a good one; `mangle_inside` bends one part of a zipped
file, so that it gets past the unpacking. The quick tests, the study of 100,000 inputs and the
coverage-guided fuzzer share them.
"""

from __future__ import annotations

import contextlib
import dataclasses
import io
import json
import random
import zipfile
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple

import openpyxl
import pandas as pd
from invented import invented_cells, invented_posterior

from transfer.cli import main
from transfer.cli.verify import verify_run
from transfer.errors import RecordsError, TransferError
from transfer.forecast.track_record import game_counts
from transfer.models.priors import TransferPriors
from transfer.models.storage import load_fit, save_fit
from transfer.records.pseudonyms import create_key, load_key, pseudonymise
from transfer.records.reading import read_records
from transfer.records.season import read_season, settings_file
from transfer.records.workbook_read import read_workbook
from transfer.reports.gather import GAMES_THEN, track_of
from transfer.session.command import _roster
from transfer.terminal.inputs import StudyRun
from transfer.terminal.options import Request
from transfer.terminal.runs import changed_since_last_run, open_run, saved_fit
from transfer.trial.command_plan import read_table, with_baseline
from transfer.trial.lot_record import read_record
from transfer.trial.plan import make_plan, read_plan
from transfer.trial.registered import plan_from_assignments

GAMES = (
    "date,game,player,attempts,makes,program\n"
    "2025-11-03,G1,P01,3,1,A\n2025-11-03,G1,P02,4,2,A\n2025-11-05,G2,P01,2,0,A\n"
)
PRACTICE = (
    "date,session,player,drill,mode,contest,attempts,makes,minutes,spot,distance_ft,defender,"
    "second_chart,program\n"
    "2025-11-03,1,P01,a,rep,none,20,9,8,,12.5,,no,A\n"
    "2025-11-03,1,P02,b,live,trailing,10,4,6,,,P01,no,A\n"
    "2025-11-04,2,P01,b,live,trailing,8,3,6,,11,P02,yes,A\n"
)
ROSTER = "player,position,squad,hand,program\nP01,guard,S1,left,A\nP02,big,S1,right,A\n"
DRILLS = "drill,mode,contest,description,program\na,rep,none,on air,A\nb,live,trailing,screen,A\n"
Read = Callable[[Path], object]
Bend = Callable[[bytes, random.Random], bytes]

#: Texts that readers stumble over, put into the middle of files.
SPLINTERS = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b'""', b"\r", b"\n", b",", b";", b"\t", b"'",
    b"=1+1", b"nan", b"inf", b"-1", b"1e999", b"9" * 30, b"0x10", b"\xed\xa0\x80", b"../../x",
    b"null", b"true", b"{", b"[", b"]", b"}", b"[" * 300, b"{\"a\":" * 200, b"1e-320",
    b"2025-02-30", b"9999-12-31", b"0000-00-00", b"\xe2\x80\xae", b"a" * 5000,
    b"\\u0000", b"\\ud800", b" ",
]  # fmt: skip


def mangle(good: bytes, rng: random.Random) -> bytes:
    """A bad file: bits, bytes, pieces cut, doubled, swapped, splinters; seldom pure noise."""
    data = bytearray(good)
    if rng.random() < 0.03:
        return rng.choice((rng.randbytes(rng.randrange(400)), rng.choice(SPLINTERS)))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        at = rng.randrange(len(data) + 1)
        end = min(len(data), at + rng.choice((1, 2, 5, 20, 200)))
        match rng.randrange(7):
            case 0 if data:
                data[at % len(data)] ^= 1 << rng.randrange(8)
            case 1 if data:
                data[at % len(data)] = rng.randrange(256)
            case 2:
                del data[at:end]
            case 3:
                data[at:at] = data[at:end]
            case 4:
                data[at:end] = rng.choice(SPLINTERS)
            case 5:
                data[at:at] = rng.choice(SPLINTERS)
            case _ if rng.random() < 0.2:
                del data[at:]
            case _:
                piece = bytes(data[at:end])
                del data[at:end]
                there = rng.randrange(len(data) + 1)
                data[there:there] = piece
    return bytes(data)


def mangle_inside(good: bytes, rng: random.Random) -> bytes:
    """A zipped file with one bent part, packed again with right lengths and checksums."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(good)) as old, zipfile.ZipFile(out, "w") as new:
        bent = rng.choice(old.namelist())
        for name in old.namelist():
            data = old.read(name)
            new.writestr(name, mangle(data, rng) if name == bent else data)
    return out.getvalue()


#: Values of the wrong kind for a place in JSON.
ODD = [
    None,
    True,
    0,
    -1,
    10**30,
    1e308,
    float("nan"),
    "",
    "x",
    "9" * 400,
    [],
    {},
    [[]],
    [1],
    {"a": 1},
]


def _swap(value: object, odd: object, rng: random.Random) -> object:
    """The same tree with one place, chosen at any depth, taken out or holding an odd value."""
    if isinstance(value, dict | list) and value and rng.random() < 0.85:
        keys = list(value) if isinstance(value, dict) else range(len(value))
        at = rng.choice(keys)
        copy = value.copy()
        if rng.random() < 0.15:
            del copy[at]
        else:
            copy[at] = _swap(value[at], odd, rng)
        return copy
    return odd


def mangle_tree(good: bytes, rng: random.Random) -> bytes:
    """Bad JSON: half the time bent bytes, else well formed with one wrong value."""
    if rng.random() < 0.5:
        return mangle(good, rng)
    return json.dumps(_swap(json.loads(good), rng.choice(ODD), rng)).encode()


def mangle_cells(good: bytes, rng: random.Random) -> bytes:
    """A bad table of text: half the time bent bytes, else up to four cells hold a splinter."""
    if rng.random() < 0.5:
        return mangle(good, rng)
    lines = [line.split(b",") for line in good.splitlines()]
    for _ in range(rng.randrange(1, 5)):
        line = rng.choice(lines)
        at = rng.randrange(len(line))
        line[at] = rng.choice((rng.choice(SPLINTERS), b"", line[at] * 2, rng.choice(line)))
    return b"\n".join(b",".join(line) for line in lines) + b"\n"


class Target(NamedTuple):
    """One reader: name of its file, a good file, how it reads, and how a bad file is made."""

    file: str
    good: bytes
    read: Read
    bend: Bend = mangle


def _parquet(text: str) -> bytes:
    out = io.BytesIO()
    pd.read_csv(io.StringIO(text)).to_parquet(out)
    return out.getvalue()


def _workbook(**sheets: str) -> bytes:
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, text in sheets.items():
        sheet = book.create_sheet(name)
        for line in text.splitlines():
            sheet.append(line.split(","))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _plan() -> tuple[bytes, bytes]:
    """A plan, and the same lot as a list of assignments."""
    roster = pd.DataFrame({"player": [f"P{i:02d}" for i in range(8)], "program": "A"})
    plan = make_plan(
        roster, strata=(), weeks=8, start="2026-01-05", seed=3, registered="2026-01-01"
    )
    return json.dumps(plan.to_dict()).encode(), plan.table.to_csv(index=False).encode()


def _earlier_manifest(folder: Path) -> Target:
    """The manifest of the last run in a season folder, as the next command meets it."""
    season = folder / "season"
    run = season / "runs" / "2025-11-03-abc"
    run.mkdir(parents=True)
    (season / "transfer.toml").write_text(settings_file(level="other"), encoding="utf-8")
    games = season / "games.csv"
    games.write_text(GAMES, encoding="utf-8")
    request = Request({"games": games}, season=dataclasses.replace(read_season(season)))
    good = json.dumps({**open_run(request).manifest, "created": "2025-11-03"}).encode()

    def read(path: Path) -> object:
        (run / "manifest.json").write_bytes(path.read_bytes())
        again = open_run(request)
        named = dataclasses.replace(request, out=run)
        return changed_since_last_run(request, again), saved_fit(again), open_run(named)

    return Target("manifest.json", good, read, mangle_tree)


def _earlier_counts(folder: Path) -> Target:
    """The game counts kept beside an earlier fit."""
    cells = invented_cells(players=4)
    then = game_counts(cells).assign(n=lambda t: t["n"] // 2, y=lambda t: t["y"] // 4)
    previous = folder / "previous"
    save_fit(invented_posterior(cells, draws=8), previous / "fit.nc")
    now: StudyRun = SimpleNamespace(cells=cells, request=SimpleNamespace(seed=1))

    def read(path: Path) -> object:
        (previous / GAMES_THEN).write_bytes(path.read_bytes())
        return track_of(previous, now)

    return Target(GAMES_THEN, then.to_csv(index=False).encode(), read, mangle_cells)


def _fit(folder: Path) -> bytes:
    cells = invented_cells(players=3)
    return save_fit(invented_posterior(cells, draws=8), folder / "good.nc").read_bytes()


_MANIFEST = {
    "key": "k", "created": "2026-01-01", "options": {"seed": 1, "priors_sha256": None},
    "inputs": {"games": {"file": "g.csv", "sha256": "0" * 64}}, "versions": {"numpy": "2.1"},
}  # fmt: skip


#: Several rows of one player and game, a blank program, a column of one's own.
CHECKED_GAMES = (
    "date,game,player,distance_ft,contest,attempts,makes,minutes,note,program\n"
    "2025-11-03,G1,P01,6,,2,1,24,,A\n2025-11-03,G1,P01,9.5,front,3,1,24,,A\n"
    "2025-11-03,G1,P02,,,4,2,11,x,\n2025-11-05,G2,P03,12,none,2,0,20,,A\n"
)


def _check(option: str, folder: Path) -> Read:
    """Run ``transfer check`` on one file beside good ones, as text and as JSON, in this process.

    Right is exit code 0, or 2 with a line for every cause on the screen, each with a rule and a
    next step; the same code and number of causes in both forms; nothing on standard error.
    """
    good = {"practice": PRACTICE, "games": CHECKED_GAMES}
    if option == "roster":
        good["roster"] = ROSTER
    for name, text in good.items():
        (folder / f"check_{name}.csv").write_text(text, encoding="utf-8")

    def read(path: Path) -> object:
        files = {name: folder / f"check_{name}.csv" for name in good} | {option: path}
        words = ["check", *(str(w) for name, at in files.items() for w in (f"--{name}", at))]
        code, shown = _called(words)
        as_json, text = _called([*words, "--json"])
        told = json.loads(text)
        assert code in (0, 2), code
        assert as_json == code
        assert told["passed"] is (code == 0)
        table = shown.split("\n\n")[0].splitlines() if told["causes"] else []
        assert len(table) - 2 - (code == 2) == len(told["causes"]) or not table, shown
        assert all(cause["rule"] and cause["next_step"] for cause in told["causes"])
        if code == 2:
            raise RecordsError(told["message"], next_step=told["next_step"])
        return told

    return read


def _called(words: list[str]) -> tuple[int, str]:
    """Exit code and standard output of the command line; what else it says is a mistake."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(words)
        except SystemExit as left:
            code = left.code
    assert not err.getvalue(), err.getvalue()
    return int(code or 0), out.getvalue()


def checked(folder: Path) -> dict[str, Target]:
    """The command ``transfer check`` with one bent file among its good ones."""
    book = _workbook(practice=PRACTICE, games=CHECKED_GAMES)
    games = CHECKED_GAMES.encode()
    return {
        "check, practice": Target("p.csv", PRACTICE.encode(), _check("practice", folder),
                                  mangle_cells),
        "check, games": Target("g.csv", games, _check("games", folder), mangle_cells),
        "check, roster": Target("r.csv", ROSTER.encode(), _check("roster", folder), mangle_cells),
        "check, drills": Target("d.csv", DRILLS.encode(), _check("drills", folder), mangle_cells),
        "check, Parquet": Target("g.parquet", _parquet(CHECKED_GAMES), _check("games", folder)),
        "check, xlsx bent inside": Target(
            "g.xlsx", book, _check("games", folder), mangle_inside
        ),
    }  # fmt: skip


def targets(folder: Path) -> dict[str, Target]:
    """Readers with their good files; `folder` is for scratch."""
    roster = pd.DataFrame({"player": ["P01", "P02"]})
    games, drills = folder / "fixed_games.csv", folder / "fixed_practice.csv"
    games.write_text(GAMES, encoding="utf-8")
    drills.write_text(PRACTICE, encoding="utf-8")
    forecast = {"players": [{"player": "P01", "mean": 0.4}, {"player": "P02", "mean": 0.5}]}
    priors = b"mu_game = [-0.4, 0.3]\ntau_game_sd = 0.2\ntilt_game = 'none'\n"
    create_key(folder / "key.json", folder / "out", pseudonymise({"roster": roster}).key)
    plan, assignments = _plan()
    record = {"format": "transfer-trial-lot/1", "hash": "ab" * 32, "registered": "2026-01-01"}
    book = _workbook(practice=PRACTICE, games=GAMES, roster=ROSTER, drills=DRILLS)
    lot = {"strata": (), "weeks": 4, "start": "2026-01-05", "seed": 3}
    return {
        "CSV, practice": Target(
            "p.csv", PRACTICE.encode(), lambda p: read_records(practice=p), mangle_cells
        ),
        "CSV, games": Target("g.csv", GAMES.encode(), lambda p: read_records(games=p)),
        "CSV, roster": Target(
            "r.csv", ROSTER.encode(), lambda p: read_records(games=games, roster=p), mangle_cells
        ),
        "CSV, drills": Target(
            "d.csv", DRILLS.encode(), lambda p: read_records(practice=drills, drills=p),
            mangle_cells,
        ),
        "Parquet": Target("g.parquet", _parquet(GAMES), lambda p: read_records(games=p)),
        "xlsx": Target("g.xlsx", _workbook(games=GAMES), lambda p: read_records(games=p)),
        "xlsx, bent inside": Target("b.xlsx", book, read_workbook, mangle_inside),
        "plan.json": Target(
            "plan.json", plan,
            lambda p: read_plan(p, expected_hash=json.loads(plan)["hash"]), mangle_tree,
        ),
        "record of a lot": Target(
            "lot.json", json.dumps(record).encode(), lambda p: read_record(p.parent), mangle_tree
        ),
        "assignments": Target(
            "a.csv", assignments, lambda p: plan_from_assignments(read_table(p, "assignments")),
            mangle_cells,
        ),
        "roster of a trial": Target(
            "roster.csv", b"player,program\nP01,A\nP02,A\n",
            lambda p: make_plan(read_table(p, "a roster"), **lot),
        ),
        "roster of a session": Target("roster.csv", ROSTER.encode(), lambda p: _roster(p, None)),
        "saved fit": Target("fit.nc", _fit(folder), load_fit),
        "saved forecast": Target(
            "f.json", json.dumps(forecast).encode(), lambda p: with_baseline(roster, p),
            mangle_tree,
        ),
        "counts of an earlier run": _earlier_counts(folder),
        "transfer.toml": Target(
            "transfer.toml",
            settings_file(level="other").encode(),
            lambda p: read_season(p.parent),
        ),
        "priors file": Target("priors.toml", priors, TransferPriors.from_file),
        "run manifest": Target(
            "manifest.json", json.dumps(_MANIFEST).encode(), lambda p: verify_run(p.parent),
            mangle_tree,
        ),
        "manifest of an earlier run": _earlier_manifest(folder),
        "key of pseudonyms": Target(
            "key.json", (folder / "key.json").read_bytes(), load_key, mangle_tree
        ),
    }  # fmt: skip


def meets(name: str, data: bytes, path: Path, read: Read) -> bool:
    """Read these bytes; True when accepted, False when refused with a rule and a next step.

    Raises
    ------
    AssertionError
        When the refusal is no help, or anything but the package's own error came out.
    """
    path.write_bytes(data)
    path.chmod(0o600)
    try:
        read(path)
    except TransferError as error:
        problems = getattr(error, "problems", ())
        helped = bool(error.message) and bool(error.next_step or error.rule or problems)
        if not helped:
            raise AssertionError(f"{name}: refused without help: {error!r}") from error
        return False
    except Exception as error:
        raise AssertionError(f"{name}: {type(error).__name__}: {error}; input {data!r}") from error
    return True
