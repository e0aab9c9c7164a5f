"""Every reader as a function from bytes: what may come out is an answer or the package's own error.

`TARGETS` maps the name of a reader to ``(file name, a good file, read)``. `mangle` makes a bad file
from a good one. The quick tests, the study of 100,000 inputs and the coverage-guided fuzzer share
them.
"""

from __future__ import annotations

import io
import json
import random
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
from invented import invented_cells, invented_posterior

from transfer.cli.trial_plan import read_table, with_baseline
from transfer.cli.verify import verify_run
from transfer.decisions.trial.plan import make_plan, read_plan
from transfer.errors import TransferError
from transfer.models.priors import TransferPriors
from transfer.models.storage import load_fit, save_fit
from transfer.records.pseudonyms import create_key, load_key, pseudonymise
from transfer.records.reading import read_records
from transfer.records.season import TEMPLATE, read_season

GAMES = (
    "date,game,player,attempts,makes,program\n"
    "2025-11-03,G1,P01,3,1,A\n2025-11-03,G1,P02,4,2,A\n2025-11-05,G2,P01,2,0,A\n"
)
Read = Callable[[Path], object]

#: Texts that readers stumble over, put into the middle of files.
SPLINTERS = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b'""', b"\r", b"\n", b",", b";", b"\t", b"'",
    b"=1+1", b"nan", b"inf", b"-1", b"1e999", b"9" * 30, b"0x10", b"\xed\xa0\x80", b"../../x",
    b"null", b"true", b"{", b"[", b"]", b"}", b"[" * 300, b"{\"a\":" * 200, b"1e-320",
    b"2025-02-30", b"9999-12-31", b"0000-00-00", b"\xe2\x80\xae", b"a" * 5000,
    b"\\u0000", b"\\ud800", b" ",
]  # fmt: skip


def _parquet() -> bytes:
    out = io.BytesIO()
    pd.read_csv(io.StringIO(GAMES)).to_parquet(out)
    return out.getvalue()


def _workbook() -> bytes:
    book = openpyxl.Workbook()
    book.active.title = "games"
    for line in GAMES.splitlines():
        book.active.append(line.split(","))
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def _plan() -> bytes:
    roster = pd.DataFrame({"player": [f"P{i:02d}" for i in range(8)], "program": "A"})
    plan = make_plan(roster, strata=(), weeks=8, start="2026-01-05", seed=3)
    return json.dumps(plan.to_dict()).encode()


def _fit(folder: Path) -> bytes:
    cells = invented_cells(players=3)
    return save_fit(invented_posterior(cells, draws=8), folder / "good.nc").read_bytes()


_MANIFEST = {
    "key": "k", "created": "2026-01-01", "options": {"seed": 1, "priors_sha256": None},
    "inputs": {"games": {"file": "g.csv", "sha256": "0" * 64}}, "versions": {"numpy": "2.1"},
}  # fmt: skip


def targets(folder: Path) -> dict[str, tuple[str, bytes, Read]]:
    """Readers with their good files; `folder` is for scratch."""
    roster = pd.DataFrame({"player": ["P01", "P02"]})
    forecast = {"players": [{"player": "P01", "mean": 0.4}, {"player": "P02", "mean": 0.5}]}
    priors = b"mu_game = [-0.4, 0.3]\ntau_game_sd = 0.2\ntilt_game = 'none'\n"
    create_key(folder / "key.json", folder / "out", pseudonymise({"roster": roster}).key)
    key = (folder / "key.json").read_bytes()
    return {
        "CSV": ("g.csv", GAMES.encode(), lambda p: read_records(games=p)),
        "Parquet": ("g.parquet", _parquet(), lambda p: read_records(games=p)),
        "xlsx": ("g.xlsx", _workbook(), lambda p: read_records(games=p)),
        "plan.json": ("plan.json", _plan(), read_plan),
        "saved fit": ("fit.nc", _fit(folder), load_fit),
        "transfer.toml": (
            "transfer.toml",
            TEMPLATE.format(level="other", rule_body="NFHS", seed=1).encode(),
            lambda p: read_season(p.parent),
        ),
        "priors file": ("priors.toml", priors, TransferPriors.from_file),
        "roster of a trial": (
            "roster.csv", b"player,program\nP01,A\nP02,A\n",
            lambda p: make_plan(
                read_table(p, "a roster"), strata=(), weeks=4, start="2026-01-05", seed=3
            ),
        ),
        "saved forecast": (
            "f.json", json.dumps(forecast).encode(), lambda p: with_baseline(roster, p)
        ),
        "run manifest": (
            "manifest.json", json.dumps(_MANIFEST).encode(), lambda p: verify_run(p.parent)
        ),
        "key of pseudonyms": ("key.json", key, load_key),
    }  # fmt: skip


def mangle(good: bytes, rng: random.Random) -> bytes:
    """A bad file: bits, bytes, pieces cut, doubled, swapped, splinters; seldom pure noise."""
    data = bytearray(good)
    if rng.random() < 0.03:
        return rng.randbytes(rng.randrange(400))
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
