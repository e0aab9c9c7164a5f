"""Every command that prints JSON, on small invented records with an invented fit.

``python tests/outputs/all_commands.py`` writes the keys and types of what they print to
``golden/NAME.txt`` beside this file.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import importlib
import io
import json
import pkgutil
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from invented import invented_posterior, write_invented_records

import transfer
from transfer.cli import main
from transfer.forecast import held_out, leave_out, rolling_origin
from transfer.forecast.game_only import game_cells
from transfer.models import fit
from transfer.results import Result
from transfer.terminal import inputs
from transfer.trial import plan


def call(*words: str | Path) -> dict:
    """The object that a command prints with ``--json``."""
    told = io.StringIO()
    with contextlib.redirect_stdout(told), pytest.raises(SystemExit):
        main([*map(str, words), "--json"])
    return json.loads(told.getvalue())


def outputs(folder: Path) -> Iterator[dict]:
    """Run the commands below `folder`, one after another."""
    with pytest.MonkeyPatch.context() as patch:

        def invented_fit(cells, request, purpose="forecast"):
            return invented_posterior(cells, draws=200, seed=request.seed, purpose=purpose)

        def invented_fit_of_many(cells, priors, **options):
            return invented_posterior(cells, draws=200, seed=options["seed"])

        def invented_fit_of_games(posterior):
            return invented_posterior(game_cells(posterior.cells), draws=200)

        patch.setattr(inputs, "fit_cells", invented_fit)
        patch.setattr(leave_out, "fit_game_only", invented_fit_of_games)
        patch.setattr(rolling_origin, "fit_game_only", invented_fit_of_games)
        patch.setattr(fit, "fit_transfer", invented_fit_of_many)
        patch.setattr(plan, "today", lambda: dt.date(2026, 10, 26))
        patch.setattr(held_out, "fit_cells", invented_fit)
        patch.chdir(folder)
        yield from season()
        yield from workbook()
        yield from sessions()
        yield from trial()
        yield from programs()
        yield from demo()


def season() -> Iterator[dict]:
    """One team's season, from the empty folder to the bundle."""
    yield call("init", "season")
    Path("log.csv").write_text(
        "Athlete,Date,Drill,Makes,Shots,Live?,Note\nA1,11/13/2025,Chair,5,11,N,\n"
        "A1,11/13/2025,Chair,1,2,N,\nA2,11/3/2025,Chase,3,8,Y,\nTotal,,,9,21,,\n"
    )
    with contextlib.chdir("season"):
        yield call("add", "../log.csv", "--dry-run")
        yield call("add", "../log.csv")
        yield call("add", "--undo")
    files = write_invented_records(Path("season"))
    words = ["--practice", files["practice"], "--games", files["games"]]
    yield call("check", *words)
    Path("bad.csv").write_text("date,game,player,attempts,makes\n2025-12-01,G1,P1,2,3\n")
    yield call("check", "--games", "bad.csv")
    yield call("rates", *words)
    yield call("rates", "--games", files["games"])
    yield call("fit", *words, "--out", "run")
    yield call("compare", *words)
    yield call("compare", "--games", files["games"])
    text = files["practice"].read_text(encoding="utf-8")
    rep = [line for line in text.splitlines() if ",live," not in line]
    Path("rep.csv").write_text("\n".join(rep) + "\n", encoding="utf-8")
    yield call("compare", "--practice", "rep.csv", "--games", files["games"])
    yield call("forecast", *words)
    yield call("forecast", *words, "--score", "--new", "live/trailing=20/50", "--out", "before")
    yield call("report", *words, "--no-score", "--out", "page")
    yield call("share", "run", "--out", "bundle.zip", *words)
    yield call("verify", "run", "--records", "season")
    with contextlib.chdir("season"):
        yield call("report", "--no-score", "--for", "coach")
    with files["games"].open("a", encoding="utf-8") as stream:
        stream.writelines(f"2025-12-20,G20,P{n:02d},{n + 3},{n}\n" for n in range(1, 7))
    yield call("report", *words, "--no-score", "--out", "since", "--previous", "page")
    with contextlib.chdir("season"):
        yield call("report", "--no-score", "--for", "coach")
    yield call("pseudonymise", *words, "--out", "coded", "--new-key", "key.json")
    yield call("cite")


def workbook() -> Iterator[dict]:
    """The workbook and the sheet to chart on."""
    yield call("workbook", "new", "chart.xlsx", "--rows", "3")
    book = openpyxl.load_workbook("chart.xlsx")
    at = {cell.value: cell.column for cell in book["games"][1]}
    row = {"date": "2025-12-01", "game": "G01", "player": "P01", "attempts": 3, "makes": 1}
    for name, value in row.items():
        book["games"].cell(3, at[name], value)
    book.save("chart.xlsx")
    yield call("workbook", "read", "chart.xlsx", "--out", "charted")
    yield call("workbook", "sheet", "--out", "sheet.html")


def sessions() -> Iterator[dict]:
    """A session from nothing, and one from charted practice."""
    size = ["--baskets", "2", "--minutes", "40", "--date", "2026-11-03"]
    yield call("session", "--players", "6", *size)
    rng = np.random.default_rng(8)
    spots = (("block", "catch"), ("mark_2", "dribble"), ("elbow", "turn"))
    rows = []
    for day in range(1, 11):
        for at in range(6):
            common = {"date": f"2026-10-{day:02d}", "session": 1, "player": f"P{at + 1:02d}"}
            for spot, entry in spots:
                rows.append(
                    {
                        **common, "drill": "reps", "mode": "rep", "contest": "none",
                        "attempts": 15, "makes": rng.binomial(15, 0.55), "minutes": 3,
                        "spot": spot, "side": "left" if day % 2 else "right",
                        "entry": entry, "footwork": "one_foot",
                    }
                )  # fmt: skip
            rows.append(
                {
                    **common, "drill": "screen", "mode": "live", "contest": "trailing",
                    "attempts": 9, "makes": rng.binomial(9, 0.4), "minutes": 10,
                    "defender": f"P{(at + (day % 6 or 5)) % 6 + 1:02d}",
                }
            )  # fmt: skip
    pd.DataFrame(rows).to_csv("charted.csv", index=False)
    yield call("session", "--players", "6", *size, "--practice", "charted.csv", "--out", "next")
    head = "date,session,player,drill,mode,contest,made,attempt,blocked,fouled,second_chart\n"
    for name, second, made in (("one.csv", "no", "1101"), ("two.csv", "yes", "1001")):
        rows = [
            f"2026-11-03,1,P01,spot,rep,none,{m},{i},0,0,{second}" for i, m in enumerate(made, 1)
        ]
        Path(name).write_text(head + "\n".join(rows) + "\n")
    yield call("chart", "merge", "one.csv", "two.csv", "--out", "tapped.csv")
    Path("own.csv").write_text("drill,mode,contest\nspot,rep,none\n")
    pages = ["--drills", "own.csv", "--players", "4", "--minutes", "5", "--out", "taps"]
    yield call("chart", "pages", *pages)


def trial() -> Iterator[dict]:
    """A trial by lot from its design to its answer, and what the mix room says of its records."""
    roster = [{"player": f"P{i:02d}", "position": ("guard", "big")[i % 2]} for i in range(8)]
    pd.DataFrame(roster).to_csv("roster.csv", index=False)
    lot = ["--roster", "roster.csv", "--weeks", "12", "--start", "2026-11-02", "--minutes", "60"]
    yield call("trial", "plan", *lot, "--seed", "3", "--look", "6", "--out", "trial")
    yield call("trial", "design", "--plan", "trial/plan.json")
    yield call("trial", "assurance", "--weeks", "8", "--seasons", "20")
    yield call("trial", "assurance", "--plan", "trial/plan.json", "--seasons", "20")
    table = pd.read_csv("trial/assignments.csv")
    rng = np.random.default_rng(4)
    work = [("rep", "none", row.rep_minutes, 4, row) for row in table.itertuples()]
    work += [("live", "trailing", row.live_minutes, 1, row) for row in table.itertuples()]
    practice = [
        {
            "date": row.first_day, "session": 1, "player": row.player, "drill": mode, "mode": mode,
            "contest": contest, "attempts": round(pace * minutes),
            "makes": rng.binomial(round(pace * minutes), 0.5), "minutes": minutes,
        }
        for mode, contest, minutes, pace, row in work
    ]  # fmt: skip
    pd.DataFrame(practice).to_csv("practice.csv", index=False)
    games = table[["player", "last_day", "week"]].rename(columns={"last_day": "date"})
    games = games.assign(game="G" + games.pop("week").astype(str), attempts=3)
    games.assign(makes=rng.binomial(3, 0.4, len(games))).to_csv("games.csv", index=False)
    throws = table[["player", "week"]].assign(attempts=4)
    throws.assign(makes=rng.binomial(4, 0.7, len(throws))).to_csv("throws.csv", index=False)
    words = ["--practice", "practice.csv", "--games", "games.csv"]
    quick = ["trial", "analyse", *words, "--fit", "quick"]
    yield call(*quick, "--plan", "trial/plan.json", "--free-throws", "throws.csv")
    yield call(*quick)
    yield call("mix", *words, "--charting")
    table = table.assign(minutes=table["rep_minutes"] + table["live_minutes"])
    table.to_csv("assignments.csv", index=False)
    yield call("trial", "register", "--assignments", "assignments.csv", "--out", "lot")


def programs() -> Iterator[dict]:
    """Records of three programs."""
    Path("three").mkdir()
    files = write_invented_records(Path("three"), players=4)
    for path in files.values():
        header, *lines = path.read_text(encoding="utf-8").splitlines()
        rows = [f"{header},program"]
        rows += [f"{line.replace(',P', f',{g}')},{g}" for g in "ABC" for line in lines]
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    words = ["--practice", files["practice"], "--games", files["games"], "--jobs", "1"]
    yield call("programs", *words)
    yield call(
        "report", *words, "--each-program", "--no-score", "--for", "director", "--out", "pages"
    )


def demo() -> Iterator[dict]:
    """The demo, on records where it looks for its own."""
    for name in ("conference", "one_program"):
        folder = Path("data") / name
        folder.mkdir(parents=True)
        write_invented_records(folder)
        (folder / "roster.csv").write_text("player\nP01\n", encoding="utf-8")
        (folder / "drills.csv").write_text(
            "drill\nshort_roll_spot\nscreen_drop\n", encoding="utf-8"
        )
    yield call("demo", "--data", "data", "--out", "demo", "--no-score")


#: Names of JSON types, as JSON Schema has them.
TYPES = {dict: "object", list: "array", str: "string", int: "integer", float: "number",
         bool: "boolean", type(None): "null"}  # fmt: skip


def keys_and_types(values: list[dict]) -> str:
    """One line a key with the types its values have, whatever the values are."""
    found: dict[str, set[str]] = defaultdict(set)

    def walk(value: object, path: str) -> None:
        found[path].add(TYPES[type(value)])
        if isinstance(value, dict):
            for key, part in value.items():
                walk(part, f"{path}.{key}" if path else key)
        elif isinstance(value, list):
            for part in value:
                walk(part, f"{path}[]")

    for value in values:
        walk(value, "")
    del found[""]
    return "".join(f"{path}: {' or '.join(sorted(found[path]))}\n" for path in sorted(found))


GOLDEN = Path(__file__).parent / "golden"


def kinds_of_result(cls: type = Result) -> set[type]:
    """Every class of results."""
    return {kind for sub in cls.__subclasses__() for kind in {sub, *kinds_of_result(sub)}}


def by_name(folder: Path) -> tuple[dict[str, list[dict]], dict[type, Result]]:
    """All outputs, by the name of their schema, and a result of every class that was made."""
    found: dict[str, list[dict]] = defaultdict(list)
    made: dict[type, Result] = {}
    for package in pkgutil.walk_packages(transfer.__path__, "transfer."):
        importlib.import_module(package.name)
    with pytest.MonkeyPatch.context() as patch:
        for kind in kinds_of_result():

            def keep(result, *values, usual=kind.__init__, **named):
                usual(result, *values, **named)
                made.setdefault(type(result), result)

            patch.setattr(kind, "__init__", keep)
        for told in outputs(folder):
            found[told["schema"]["name"]].append(told)
    return dict(found), made


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        for name, values in by_name(Path(folder))[0].items():
            (GOLDEN / f"{name}.txt").write_text(keys_and_types(values), encoding="utf-8")
            print(name, file=sys.stderr)
