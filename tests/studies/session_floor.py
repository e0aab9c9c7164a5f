"""Sessions of every size on the floor: balance, standing, pace, match-ups and calls, with bounds.

    python tests/studies/session_floor.py run  reports/studies/session-floor.jsonl --seeds 200
    python tests/studies/session_floor.py page reports/studies/session-floor.jsonl FILE.md

A row of the first file is a seed: every number of players from 6 to 20 on every number of baskets
from 1 to 4, and 24, 32 and 40 players, each in a length between 20 and 60 minutes that the seed
draws. A file that is there already is gone on with.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import sys
import time
from collections import Counter
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from transfer.provenance import package_versions
from transfer.session.drills import DRILLS
from transfer.session.pace import BASKET
from transfer.session.plan import SessionPlan, plan_session

DRILL = {drill.name: drill for drill in DRILLS}
PLAYERS, MANY, BASKETS, LENGTHS = range(6, 21), (24, 32, 40), range(1, 5), (20, 60)
#: Circles through all of n players that share no directed pair (n - 1; from memory, Tillson 1980).
CIRCLES = {1: 0, 2: 1, 4: 2, 6: 4}
TRAITS = ("side", "hand", "entry", "footwork", "spot")


def codes(count: int) -> list[str]:
    """Codes of so many players."""
    return [f"P{i:02d}" for i in range(1, count + 1)]


def spread(counts: Counter[str], group: tuple[str, ...]) -> int:
    """Largest minus smallest count in a group."""
    each = [counts[player] for player in group]
    return max(each) - min(each)


def measured(plan: SessionPlan) -> dict[str, float]:
    """What can go wrong on a floor, counted from the reps of a plan."""
    blocks, floor = plan.blocks.set_index("block"), plan.floor
    shots_apart = defends_apart = over_pace = sides = repeats = unavoidable = 0
    filled = []
    met: dict[tuple[int, int], list[set[tuple[str, str]]]] = {}
    for key, rows in plan.reps.groupby(["block", "squad", "basket"]):
        number, squad, basket = (int(str(part)) for part in key)
        group, row = floor.places[squad, basket], blocks.loc[number]
        drill = DRILL[str(row["drill"])]
        shots_apart = max(shots_apart, spread(Counter(rows["shooter"]), group))
        if drill.defenders:
            both = Counter([*rows["defender"], *rows["second_defender"]])
            defends_apart = max(defends_apart, spread(both, group))
        most = BASKET[drill.mode] * float(row["minutes"])
        over_pace += len(rows) > most + 1e-9
        filled.append(len(rows) / most)
        if drill.defenders == 1:
            pairs = set(zip(rows["shooter"], rows["defender"], strict=True))
            met.setdefault((squad, basket), []).append(pairs)
        if drill.alternate:
            sides += sum(
                a == b
                for _, own in rows.groupby("shooter")
                for a, b in pairwise(own["side"].tolist())
            )
    for (squad, basket), sets in met.items():
        size = len(floor.places[squad, basket])
        repeats += sum(len(s) for s in sets) - len(set().union(*sets))
        unavoidable += max(0, len(sets) - CIRCLES.get(size, size - 1)) * size
    uneven = wrong = 0
    for key, calls in plan.calls.groupby("block"):
        drill = DRILL[str(blocks.loc[key, "drill"])]
        wrong += int((~calls["entry"].isin(drill.entries)).sum())
        wrong += 0 if drill.ending == "ladder" else int((~calls["spot"].isin(drill.spots)).sum())
        uneven += sum(np.ptp(list(Counter(calls[trait]).values())) > 1 for trait in TRAITS)
    sizes = [len(group) for group in floor.places.values()]
    each = plan.reps.groupby("shooter").size().reindex(list(plan.players), fill_value=0)
    return {
        "shots_apart": shots_apart, "defends_apart": defends_apart,
        "groups_apart": max(sizes) - min(sizes),
        "most_shots_over_fewest": float(each.max() / each.min()),
        "idle": float(plan.blocks["idle"].max()),
        "idle_over_half": bool(plan.blocks["idle"].max() > 0.5),
        "over_pace": int(over_pace), "pace_used": float(np.mean(filled)),
        "repeats": repeats, "repeats_unavoidable": unavoidable,
        "sides": sides, "calls_wrong": wrong, "calls_uneven": int(uneven),
        "target_over_15": sum(t.race.target > 15 for t in plan.targets.values()),
        "chance_under_80": sum(t.race.probability < 0.8 for t in plan.targets.values()),
        "minutes_over": max(0, floor.squads * (floor.squad_minutes + 1) - 1 - plan.minutes),
        "blocks": len(blocks), "squads": floor.squads, "largest_group": max(sizes),
        "split_unsaid": bool((floor.squads > 1) != ("squads" in plan.headline)),
        "standing_unsaid": bool(floor.squads < floor.wanted) != ("stand in line" in plan.headline),
    }  # fmt: skip


def one_seed(seed: int) -> dict[str, object]:
    """Every size once, under one seed."""
    rng, rows = np.random.default_rng(seed), []
    began = time.perf_counter()
    for count in (*PLAYERS, *MANY):
        for baskets in BASKETS:
            minutes = int(rng.integers(LENGTHS[0], LENGTHS[1] + 1))
            plan = plan_session(codes(count), baskets, minutes, seed)
            rows.append(
                {"players": count, "baskets": baskets, "minutes": minutes, **measured(plan)}
            )
    return {"seed": seed, "seconds": round(time.perf_counter() - began, 1), "plans": rows}


def run(path: Path, seeds: int) -> None:
    """Add the seeds that the file lacks."""
    done = (
        [json.loads(line)["seed"] for line in path.read_text().splitlines()]
        if path.exists()
        else []
    )
    for seed in sorted(set(range(seeds)) - set(done)):
        line = json.dumps(one_seed(seed), default=float)
        with path.open("a", encoding="utf-8") as stream:
            stream.write(line + "\n")


def bounds(table: pd.DataFrame) -> list[tuple[str, str, str]]:
    """Measure, bound, and what was measured."""

    def worst(name: str) -> str:
        return f"{table[name].max():.0f} at most; over the bound in {int((table[name] > 0).sum())}"

    over = table["repeats"] - table["repeats_unavoidable"]
    again = int((table["repeats"] > 0).sum())
    return [
        ("shots of two players of a group, same block", "equal (exact)", worst("shots_apart")),
        ("trips as defender of two of a group, same block", "equal (exact)",
         worst("defends_apart")),
        ("sizes of groups", "1 apart (exact)", f"{table['groups_apart'].max():.0f} apart at most"),
        ("lines faster than their basket", "none", worst("over_pace")),
        ("match-ups that return in one-to-one work, beyond what the size of the group forces",
         "none (exact: a group of n has n - 1 orders without a common pair, 2 for 4, 4 for 6)",
         f"{over.max():.0f} at most; over the bound in {int((over > 0).sum())}, "
         f"a return at all in {again}"),
        ("shots that do not change sides where the drill says so", "none", worst("sides")),
        ("calls outside their drill", "none", worst("calls_wrong")),
        ("traits called more than once apart", "none (exact)", worst("calls_uneven")),
        ("targets above 15 makes", "none", worst("target_over_15")),
        ("sets with a chance below .80", "none", worst("chance_under_80")),
        ("minutes beyond those asked for", "none", worst("minutes_over")),
        ("splits into squads that the page does not say", "none", worst("split_unsaid")),
        ("long lines that the page does not say", "none", worst("standing_unsaid")),
    ]  # fmt: skip


def page(rows: list[dict[str, object]]) -> str:
    """The table as Markdown."""
    table = pd.concat([pd.DataFrame(row["plans"]) for row in rows], ignore_index=True)
    usual, many = table[table["players"] <= 20], table[table["players"] > 20]
    lines = [
        "# Sessions of every size on the floor", "",
        "Made by `tests/studies/session_floor.py`; "
        f"{dt.date.today().isoformat()}, {len(rows)} seeds, practice-transfer "
        f"{package_versions()['practice-transfer']}. Own simulation: {len(usual):,} sessions of "
        f"6 to 20 players on 1 to 4 baskets and {len(many):,} of 24, 32 and 40 players, each 20 to "
        "60 minutes long; starter drills, assumed pace and make rates.", "",
    ]  # fmt: skip
    for title, part, by in (
        ("6 to 20 players", usual, ["baskets"]),
        ("24, 32 and 40 players", many, ["players", "baskets"]),
    ):
        lines += [f"## {title}", "", f"{len(part):,} sessions.", "",
                  "| measure | bound | measured |", "|---|---|---|"]  # fmt: skip
        lines += [f"| {' | '.join(row)} |" for row in bounds(part)]
        lines += ["", f"| {' | '.join(HEADS)} |", f"|{'---|' * len(HEADS)}"]
        lines += [f"| {' | '.join(size_row(key, here))} |" for key, here in part.groupby(by)]
        lines.append("")
    return "\n".join([*lines, NOTE, ""])


HEADS = ("sessions of", "largest share of a group that stands", "above one half",
         "pace of a basket used", "most shots of a player over fewest", "squads",
         "largest group")  # fmt: skip
NOTE = (
    "Shots of two players differ over a whole session only where their groups differ by one: a "
    "line of four comes round sooner than a line of five. Pace used is shots over what the baskets "
    "of the session could see (10 repetitions or 4 live shots a minute: judgement, no source); it "
    "is below 1 where players shoot slower than that, and by the last round that would not be "
    "whole."
)


def size_row(key: tuple[int, ...], here: pd.DataFrame) -> list[str]:
    """One line of the table by size."""
    baskets = f"{key[-1]} basket{'s' * (key[-1] != 1)}"
    return [
        baskets if len(key) == 1 else f"{key[0]} on {baskets}",
        f"{here['idle'].max():.2f}",
        f"{int(here['idle_over_half'].sum())} of {len(here):,}",
        f"{here['pace_used'].mean():.2f}",
        f"{here['most_shots_over_fewest'].max():.2f}",
        f"{here['squads'].min():.0f} to {here['squads'].max():.0f}",
        f"{here['largest_group'].max():.0f}",
    ]


def main() -> None:
    """Run seeds, or write the page."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=["run", "page"])
    parser.add_argument("rows", type=Path)
    parser.add_argument("page", type=Path, nargs="?")
    parser.add_argument("--seeds", type=int, default=200)
    given = parser.parse_args()
    if given.what == "run":
        run(given.rows, given.seeds)
        return
    rows = [json.loads(line) for line in given.rows.read_text(encoding="utf-8").splitlines()]
    text = page(rows)
    if given.page is None:
        sys.stdout.write(text)
    else:
        given.page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
