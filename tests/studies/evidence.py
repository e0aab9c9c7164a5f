"""Open records that nobody here made: readings, forecasts of held-out people, small samples.

    make evidence

writes ``reports/evidence.md`` and its picture. Every reading comes from `transfer compare` with its
documented defaults and ``--settings mode``; every forecast of a held-out person has seen what he
did in practice and nothing of his target. Results of finished parts are kept in the log, so that a
run that was stopped goes on.
"""

from __future__ import annotations

import argparse
import contextlib
import datetime as dt
import io
import json
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import evidence_forecasts as rivals
import numpy as np
import pandas as pd
from evidence_page import write_page

from transfer.cli import main as transfer
from transfer.errors import DiagnosticsError
from transfer.forecast.scoring import HeldOut, RateForecast, score_forecasts
from transfer.models.fit import fit_transfer
from transfer.records.cells import GAME, build_cells
from transfer.records.reading import Records, read_records

ROOT = Path(__file__).resolve().parents[2]
SETS = ROOT / "data" / "open_sets"
#: What each set is, and the answer that its design makes known.
KNOWN = {
    "moved_league": ("first league to the next one, batters", "no second setting"),
    "batting_pair": ("one season's batting to the next one's", "no second setting"),
    "blame_other": ("wanting to doing, another to blame", "live (the same blame) tells more"),
    "blame_self": ("wanting to doing, oneself to blame", "live (the same blame) tells more"),
    "strangers": ("own season (live) and a stranger's (rep)", "live (the own season) tells more"),
}
SIZES = (14, 42, 84, 168)
FOLDS = 5
PROB = 0.90
SEED = 20261126
_TABLES = ("practice", "games", "roster")


def tables(name: str) -> dict[str, pd.DataFrame]:
    """Record tables of a set; codes and seasons as text."""
    return {t: pd.read_csv(SETS / name / f"{t}.csv", dtype={"season": str}) for t in _TABLES}


def command(*words: str) -> dict[str, Any]:
    """What a command prints as JSON."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed):
        try:
            transfer([*words, "--json"])
        except SystemExit as ended:
            if ended.code:
                raise RuntimeError(f"{words}: exit code {ended.code}") from ended
    return json.loads(printed.getvalue())


def compare(records: dict[str, pd.DataFrame]) -> dict[str, Any]:
    """A reading by the command; what the table of the report needs of it."""
    with tempfile.TemporaryDirectory() as folder:
        words = ["compare", "--settings", "mode"]
        for table, rows in records.items():
            path = Path(folder) / f"{table}.csv"
            rows.to_csv(path, index=False)
            words += [f"--{table}", str(path)]
        started = time.process_time()
        found = command(*words)
    two = found["contrast"] is not None
    return {
        "seconds": time.process_time() - started,
        "word": found["verdict"] if two else None,
        "favours": found["favours"],
        "probability": found["probability"] if two else None,
        "bayes_factor": found["bayes_factor"] if two else None,
        "contrast": found["contrast"],
        "settings": found["settings"],
        "players": records["games"]["player"].nunique(),
    }


def sample(records: dict[str, pd.DataFrame], people: np.ndarray) -> dict[str, pd.DataFrame]:
    """The records of some people."""
    return {t: rows[rows["player"].isin(people)] for t, rows in records.items()}


def folds_of(records: dict[str, pd.DataFrame]) -> Iterator[np.ndarray]:
    """People by lot in `FOLDS` parts."""
    people = np.sort(records["games"]["player"].unique())
    yield from np.array_split(np.random.default_rng(SEED).permutation(people), FOLDS)


def held_out_forecasts(
    records: Records, asked: np.ndarray, roles: tuple[str, ...], seed: int
) -> tuple[HeldOut, list[RateForecast]]:
    """Forecasts of a fold by the package and its rivals.

    Parameters
    ----------
    records : Records
        Whole; games of the asked people are taken out before anything is fitted.
    asked : array of str
    roles : tuple of str
        Charted roles the package's model takes in.
    seed : int
    """
    whole = build_cells(records, "mode", roles=roles).table
    seen = replace(records, games=records.games[~records.games["player"].isin(asked)])
    cells = build_cells(seen, "mode", roles=roles)
    fit = fit_transfer(cells, seed=seed)
    at = [i for i, unit in enumerate(fit.units) if unit.split("/")[-1] in set(asked)]
    units = tuple(np.asarray(fit.units)[at])
    game = whole[whole["setting"] == GAME].set_index("unit").reindex(list(units))
    own = RateForecast("transfer", units, 1 / (1 + np.exp(-fit.theta[:, at, -1])))
    mu, tau = fit.population.mu[:, -1], fit.population.tau[:, -1]
    spread = np.random.default_rng(seed).standard_normal((len(mu), len(at)))
    blind = 1 / (1 + np.exp(-(mu[:, None] + tau[:, None] * spread)))
    split = split_of(whole, fit.settings, fit.units, np.isin(np.arange(len(fit.units)), at))
    found = [
        own,
        RateForecast("transfer, practice not looked at", units, blind),
        rivals.raw(split),
        rivals.pooled(split),
        rivals.beta_binomial(split, seed),
        rivals.regression(split, seed),
        rivals.mixture(split),
    ]
    held = HeldOut(units, game["n"].to_numpy(int), game["y"].to_numpy(int))
    return held, [forecast.for_units(units) for forecast in found]


def split_of(
    table: pd.DataFrame, settings: tuple[str, ...], units: tuple[str, ...], asked: np.ndarray
) -> rivals.Split:
    """Counts of everybody as the rivals take them; who is asked for has no known target."""

    def counts(column: str) -> pd.DataFrame:
        wide = table.pivot_table(column, "unit", "setting", "sum", fill_value=0)
        return wide.reindex(list(units), fill_value=0)

    n, y = counts("n"), counts("y")
    return rivals.Split(
        n[list(settings)].to_numpy(),
        y[list(settings)].to_numpy(),
        n[GAME].to_numpy(),
        y[GAME].to_numpy(),
        ~asked & (n[GAME].to_numpy() > 0),
        units,
    )


def count_band(forecast: RateForecast, n: np.ndarray, y: np.ndarray, seed: int) -> pd.DataFrame:
    """Whether each count fell into its band of makes to come, and how often it should have."""
    rng = np.random.default_rng(seed)
    rates = forecast.rates
    if forecast.log_weights is not None:
        weight = np.exp(forecast.log_weights - forecast.log_weights.max(axis=0))
        weight /= weight.sum(axis=0)
        rates = np.column_stack(
            [rng.choice(rates[:, i], 2000, p=weight[:, i]) for i in range(rates.shape[1])]
        )
    elif len(rates) < 100:
        rates = np.repeat(rates, 2000 // len(rates), axis=0)
    drawn = rng.binomial(n, rates)
    low, high = np.quantile(drawn, [(1 - PROB) / 2, (1 + PROB) / 2], axis=0)
    inside = (drawn >= low) & (drawn <= high)
    return pd.DataFrame(
        {"n": n, "inside": (y >= low) & (y <= high), "expected": inside.mean(axis=0)}
    )


def score_set(name: str, roles: tuple[str, ...] = ()) -> dict[str, Any]:
    """Out-of-sample scores of all forecasts on one set, and coverage of the count bands."""
    given = tables(name)
    records = read_records(given["practice"], given["games"], given["roster"])
    scored, bands, started = [], [], time.process_time()
    for number, asked in enumerate(folds_of(given)):
        held, forecasts = held_out_forecasts(records, asked, roles, SEED + number)
        scored.append(score_forecasts(held, forecasts).by_player)
        for forecast in forecasts:
            band = count_band(forecast, held.n, held.y, SEED)
            place = (
                dict(zip(given["roster"]["player"], given["roster"]["position"], strict=True))
                if "position" in given["roster"]
                else {}
            )
            who = [place.get(unit.split("/")[-1], "") for unit in held.units]
            bands.append(band.assign(forecast=forecast.name, position=who))
    each, bands = pd.concat(scored), pd.concat(bands)
    own = each[each["forecast"] == "transfer"].set_index("unit")["log_score"]
    rows = []
    for forecast, part in each.groupby("forecast", sort=False):
        gap = part.set_index("unit")["log_score"] - own
        band = bands[bands["forecast"] == forecast]
        rows.append(
            {
                "forecast": forecast,
                "log_score": float(part["log_score"].mean()),
                "minus_transfer": float(gap.mean()),
                "se": float(gap.std() / np.sqrt(len(gap))),
                "rmse": float(np.sqrt(part["squared_error"].mean())),
                "coverage": float(band["inside"].mean()),
                "expected": float(band["expected"].mean()),
            }
        )
    mine = bands[bands["forecast"] == "transfer"]
    parts = {
        "sixths": pd.qcut(mine["n"].rank(method="first"), 6, labels=False),
        "thirds": pd.qcut(mine["n"].rank(method="first"), 3, labels=False),
    }
    cover = {
        what: [
            {"from": int(g["n"].min()), "to": int(g["n"].max()), "people": len(g),
             "coverage": float(g["inside"].mean()), "expected": float(g["expected"].mean())}
            for _, g in mine.groupby(by)
        ]
        for what, by in parts.items()
    }  # fmt: skip
    cover["position"] = [
        {"position": str(p), "people": len(g), "coverage": float(g["inside"].mean())}
        for p, g in mine.groupby("position")
    ]
    return {"rows": rows, "cover": cover, "seconds": time.process_time() - started}


def rolling(linked: bool) -> list[dict[str, Any]]:
    """Forecast each of the last years from those before, players linked over seasons or not."""
    given = tables("batting_years")
    if not linked:
        for rows in given.values():
            rows["player"] = rows["player"] + "Y" + rows["season"]
    records = read_records(given["practice"], given["games"], given["roster"])
    years = sorted(given["games"]["season"].unique())
    found = []
    for year in years[2:]:
        cut = replace(
            records,
            practice=records.practice[records.practice["season"].astype(str) <= year],
            games=records.games[records.games["season"].astype(str) < year],
        )
        whole = build_cells(records, "mode").table
        try:
            fit = fit_transfer(build_cells(cut, "mode"), seed=SEED)
        except DiagnosticsError as error:
            found.append({"year": year, "refused": error.message})
            continue
        game = whole[(whole["setting"] == GAME) & (whole["season"].astype(str) == year)]
        game = game.set_index("unit")
        at = [i for i, unit in enumerate(fit.units) if unit in game.index]
        units = tuple(np.asarray(fit.units)[at])
        game = game.reindex(list(units))
        own = RateForecast("transfer", units, 1 / (1 + np.exp(-fit.theta[:, at, -1])))
        n, y = game["n"].to_numpy(int), game["y"].to_numpy(int)
        table = score_forecasts(HeldOut(units, n, y), [own]).by_player
        band = count_band(own, n, y, SEED)
        found.append(
            {"year": year, "people": len(units), "log_score": float(table["log_score"].mean()),
             "rmse": float(np.sqrt(table["squared_error"].mean())),
             "coverage": float(band["inside"].mean()),
             "expected": float(band["expected"].mean())}
        )  # fmt: skip
    return found


def subset(name: str, size: int, number: int, contrast: bool) -> dict[str, Any]:
    """The reading of a random sample of people."""
    given = tables(name)
    people = np.sort(given["games"]["player"].unique())
    drawn = np.random.default_rng([SEED, size, number]).choice(people, size, replace=False)
    found = compare(sample(given, drawn))
    row = {"word": found["word"], "favours": found["favours"], "seconds": found["seconds"]}
    if contrast:
        return {**row, **found["contrast"]["interval"]}
    setting = found["settings"][0]
    return {**row, "low": setting["rho"]["low"], "high": setting["rho"]["high"]}


def parts(samples: int) -> Iterator[tuple[str, Any]]:
    """Every part of the study with the function that makes it, cheap ones first."""
    for name in KNOWN:
        yield f"scores {name}", lambda name=name: score_set(name)
    for name in ("batting_pair", "moved_league"):
        yield f"scores {name}, position", lambda name=name: score_set(name, ("position",))
    for name in KNOWN:
        yield f"reading {name}", lambda name=name: compare(tables(name))
    for number in range(samples):
        for name in KNOWN:
            for size in SIZES:
                yield (
                    f"sample {name} {size} {number}",
                    lambda a=name, b=size, c=number: subset(
                        a, b, c, "no second" not in KNOWN[a][1]
                    ),
                )
    for linked in (True, False):
        yield f"rolling {'linked' if linked else 'apart'}", lambda linked=linked: rolling(linked)


def main() -> None:
    """Run what the log lacks, then write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--samples", type=int, default=20, help="Random samples of each size.")
    parser.add_argument("--log", type=Path, default=ROOT / "reports/studies/evidence.jsonl")
    parser.add_argument("--out", type=Path, default=ROOT / "reports")
    given = parser.parse_args()
    done: dict[str, Any] = {}
    if given.log.exists():
        lines = given.log.read_text(encoding="utf-8").splitlines()
        done = {row["part"]: row for row in map(json.loads, lines)}
    for part, make in parts(given.samples):
        if part in done:
            continue
        started = time.time()
        done[part] = {"part": part, "found": make(), "day": dt.date.today().isoformat()}
        with open(given.log, "a", encoding="utf-8") as log:
            log.write(json.dumps(done[part]) + "\n")
        print(f"{part}: {time.time() - started:.1f} s", flush=True)
    write_page(done, KNOWN, SIZES, given.out)


if __name__ == "__main__":
    main()
