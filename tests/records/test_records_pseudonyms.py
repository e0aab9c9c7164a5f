"""Codes are random, consistent and undone by the key alone; the key is never lost or shown."""

from __future__ import annotations

import json
import os
import re
import stat

import pandas as pd
import pytest
from records_samples import put

from transfer.errors import ArgumentError, RecordsError, StorageError
from transfer.records.pseudonyms import Key, create_key, load_key, pseudonymise, save_key
from transfer.records.reading import read_records

PRACTICE = pd.DataFrame(
    {
        "date": "2025-11-03", "session": ["Ada special", "2", "2"], "drill": "air", "mode": "live",
        "contest": "front", "player": ["Ada Example", "Bo Sample", "Ada Example"],
        "defender": ["Bo Sample", "Ada Example", ""], "charter": ["Coach", "Coach", "Bo Sample"],
        "program": "North", "attempts": ["5", "6", "7"], "makes": ["1", "2", "3"],
    }
)  # fmt: skip
GAMES = pd.DataFrame(
    {"date": "2025-11-10", "game": "G1", "player": ["Bo Sample", "Cy Third"], "opponent": "South",
     "program": ["North", "South"], "attempts": ["3", "2"], "makes": ["1", "1"]}
)  # fmt: skip
TABLES = {"practice": PRACTICE, "games": GAMES}


def test_codes_are_consistent_over_columns_and_tables():
    made = pseudonymise(TABLES)
    players, programs = made.key.codes["player"], made.key.codes["program"]
    assert set(players) == {"Ada Example", "Bo Sample", "Cy Third"}
    assert set(programs) == {"North", "South"}
    practice = made.tables["practice"].set_index("attempts")
    for attempts, player, defender in [("5", "Ada Example", "Bo Sample"), ("7", "Ada Example", "")]:
        assert practice.loc[attempts, "player"] == players[player]
        assert practice.loc[attempts, "defender"] == players.get(defender, "")
    assert set(made.tables["games"]["opponent"]) == {programs["South"]}
    # A person who charts and plays has two codes of two kinds.
    assert made.key.codes["charter"]["Bo Sample"] != players["Bo Sample"]
    codes = [c for kind in made.key.codes.values() for c in kind.values()]
    assert len(set(codes)) == len(codes) == made.drawn == 7
    assert all(re.fullmatch(r"[PCT][2-9A-HJKMNP-TV-Z]{6}", code) for code in codes)


def test_counts_stay_and_names_go(tmp_path):
    made = pseudonymise(TABLES)
    records = read_records(made.tables["practice"], made.tables["games"])
    assert (records.practice["attempts"].sum(), records.practice["makes"].sum()) == (18, 6)
    assert not any("names of people" in p.rule for p in records.problems)
    shown = made.tables["practice"].drop(columns="session").to_csv() + made.tables["games"].to_csv()
    assert not re.search("Ada|Bo |Cy|Example|Sample|Third|North|South|Coach", shown)


def test_two_runs_draw_different_codes():
    first, second = (pseudonymise(TABLES).key.codes["player"] for _ in range(2))
    assert set(first.values()).isdisjoint(second.values())


def test_row_order_tells_nothing():
    alphabetical = pseudonymise({"roster": pd.DataFrame({"player": [f"N{i}" for i in range(60)]})})
    players = alphabetical.tables["roster"]["player"].tolist()
    assert players == sorted(players)
    assert players != [alphabetical.key.codes["player"][f"N{i}"] for i in range(60)]


def test_a_given_key_is_used_again_and_grows():
    first = pseudonymise({"practice": PRACTICE})
    second = pseudonymise({"games": GAMES}, first.key)
    assert second.key.codes["player"]["Bo Sample"] == first.key.codes["player"]["Bo Sample"]
    assert second.drawn == 2  # Cy Third and South
    assert "Cy Third" not in first.key.codes["player"]


def test_free_text_is_named_and_leftover_names_are_found():
    made = pseudonymise({"practice": PRACTICE.assign(session=["with ada  example!", "2", "2"])})
    assert made.free_text == ("practice.session", "practice.drill")
    assert made.leftovers == ("practice.session",)
    clean = pseudonymise({"practice": PRACTICE.assign(session="1")})
    assert clean.leftovers == ()


def test_tables_without_people_are_refused():
    with pytest.raises(RecordsError, match="no table holds"):
        pseudonymise({"drills": pd.DataFrame({"drill": ["air"]})})
    with pytest.raises(ArgumentError):
        pseudonymise({"players": GAMES})


def test_the_key_is_its_owners_alone_and_is_never_overwritten(tmp_path):
    key = pseudonymise(TABLES).key
    before = os.umask(0)
    try:
        path = create_key(tmp_path / "keys" / "k.json", tmp_path / "out", key)
    finally:
        os.umask(before)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [p.name for p in path.parent.iterdir()] == ["k.json"]
    content = path.read_bytes()
    with pytest.raises(StorageError, match="exists already"):
        create_key(path, tmp_path / "out", Key())
    assert path.read_bytes() == content
    assert load_key(path).codes == key.codes


def test_a_saved_key_only_grows(tmp_path):
    first = pseudonymise({"practice": PRACTICE}).key
    path = create_key(tmp_path / "k.json", tmp_path / "out", first)
    grown = pseudonymise({"games": GAMES}, load_key(path)).key
    save_key(path, tmp_path / "out", grown)
    assert load_key(path).codes == grown.codes
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    content = path.read_bytes()
    for lesser in (first, pseudonymise(TABLES).key):
        with pytest.raises(StorageError, match="lacks or changes"):
            save_key(path, tmp_path / "out", lesser)
    assert path.read_bytes() == content


@pytest.mark.parametrize("name", ["out/k.json", "out/deep/k.json", "out/../out/k.json", "out"])
def test_the_key_stays_out_of_the_output_folder(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    with pytest.raises(ArgumentError, match="inside the output folder"):
        create_key(name, tmp_path / "out", Key())
    assert not (tmp_path / "out").exists()


def test_a_link_into_the_output_folder_is_seen_through(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "elsewhere").symlink_to(tmp_path / "out")
    with pytest.raises(ArgumentError):
        create_key(tmp_path / "elsewhere" / "k.json", tmp_path / "out", Key())


def test_a_key_that_others_may_read_is_refused(tmp_path):
    path = create_key(tmp_path / "k.json", tmp_path / "out", Key())
    path.chmod(0o644)
    with pytest.raises(StorageError, match="may be read by others"):
        load_key(path)


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "3", '{"format": "x"}', "[" * 5000,
     json.dumps({"format": "transfer pseudonym key, version 1", "codes": {"player": {}}}),
     json.dumps({"format": "transfer pseudonym key, version 1",
                 "codes": {"player": {"a": "P2", "b": "P2"}, "charter": {}, "program": {}}})],
)  # fmt: skip
def test_what_is_no_key_is_refused(tmp_path, text):
    path = put(tmp_path, "k.json", text)
    path.chmod(0o600)
    with pytest.raises(StorageError, match="is not a key file"):
        load_key(path)


def test_a_missing_or_binary_key_is_refused(tmp_path):
    with pytest.raises(StorageError, match="cannot be read"):
        load_key(tmp_path / "absent.json")
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(StorageError, match="cannot be read"):
        load_key(tmp_path / "b.json")
