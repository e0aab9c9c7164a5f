"""An invented season charted by hand the way people chart: many mistakes of few kinds."""

from __future__ import annotations

import random
from datetime import date, timedelta
from pathlib import Path

import pandas as pd

#: What was meant, and what was written for it.
_CONTESTS = {"none": ("none", "open", "no D"),
             "trailing": ("trailing", "Trailing", "trail", "behind"),
             "front": ("front", "in front", "tight")}  # fmt: skip


def bad_season(folder: Path, seed: int = 5) -> dict[str, Path]:
    """Write practice, games and roster of 14 players with the usual mistakes; return the paths.

    Dates as another program writes them, levels in own words, units and decimal commas in numbers,
    counts that cannot be, blanks, a sheet entered twice, totals between the rows, codes in two
    spellings, two names, columns of one's own, and a player whom the roster does not know.
    """
    rng = random.Random(seed)
    players = [f"P{i:02d}" for i in range(1, 15)]
    tables = {
        "practice": _practice(rng, players),
        "games": _games(rng, players),
        "roster": pd.DataFrame({"player": players[:-1], "position": "guard"}),
    }
    paths = {name: folder / f"{name}.csv" for name in tables}
    for name, table in tables.items():
        table.to_csv(paths[name], index=False)
    return paths


def _practice(rng: random.Random, players: list[str]) -> pd.DataFrame:
    rows = []
    for number in range(60):
        day = date(2025, 10, 6) + timedelta(days=2 * number)
        for player in players:
            mode = rng.choice(["rep", "live"])
            attempts = rng.randint(5, 20)
            makes = attempts + 2 if rng.random() < 0.02 else rng.randint(0, attempts)
            rows.append(
                {
                    "date": f"{day.month}/{day.day}/{day.year}" if number % 3 else day.isoformat(),
                    "session": number + 1,
                    "player": player.lower() if rng.random() < 0.02 else player,
                    "drill": f"{mode}_{rng.randint(1, 3)}",
                    "mode": {"rep": "rep", "live": "Live"}[mode],
                    "contest": rng.choice(_CONTESTS[rng.choice(list(_CONTESTS))]),
                    "attempts": "" if rng.random() < 0.01 else attempts,
                    "makes": makes,
                    "distance_ft": rng.choice(["8", "9.5", "10,5", "9 ft", "about 8", ""]),
                    "minutes": "6 min" if rng.random() < 0.1 else rng.randint(3, 9),
                    "weather": "",
                    "coach note": "good work" if rng.random() < 0.1 else "",
                }
            )
        total = dict.fromkeys(rows[-1], "") | {"player": "Total", "attempts": 14 * 12}
        rows += [total] if number % 10 == 9 else []
    rows += [dict(row) for row in rows[100:128]]  # two days entered twice
    rows[7]["player"], rows[21]["player"] = "Ada Byron", "Grace Hopper"
    return pd.DataFrame(rows)


def _games(rng: random.Random, players: list[str]) -> pd.DataFrame:
    rows = []
    for number in range(24):
        day = date(2025, 11, 10) + timedelta(days=5 * number)
        for player in players:
            attempts = rng.randint(0, 5)
            rows.append(
                {
                    "date": day.strftime("%d.%m.%Y") if number > 15 else day.isoformat(),
                    "game": f"G{number + 1:02d}",
                    "player": "P77" if player == "P03" and number > 12 else player,
                    "attempts": attempts,
                    "makes": rng.choice(["-", rng.randint(0, attempts)]),
                    "minutes": f"{rng.randint(5, 30)}:{rng.randint(0, 59):02d}",
                    "opponent": f"OPP{number}",
                }
            )
    return pd.DataFrame(rows)
