"""The committed data dictionary is the generated one, is a valid schema, and holds good rows."""

from __future__ import annotations

import json
import re
from pathlib import Path

import jsonschema
import pytest

from transfer.errors import ArgumentError
from transfer.records.dictionary import columns_text, row_schema, schema_text, write_dictionary
from transfer.records.schema import TABLES, table_named

COMMITTED = Path(__file__).parents[2] / "shared" / "schema"


@pytest.mark.parametrize("name", list(TABLES))
def test_committed_equals_generated(name):
    committed = (COMMITTED / f"{name}.schema.json").read_text(encoding="utf-8")
    assert committed == schema_text(TABLES[name]), "run python -m transfer.records.dictionary"


@pytest.mark.parametrize("name", list(TABLES))
def test_schema_is_valid_and_accepts_the_examples(name):
    schema = row_schema(TABLES[name])
    jsonschema.Draft202012Validator.check_schema(schema)
    validator = jsonschema.Draft202012Validator(schema)
    example = {k: v["examples"][0] for k, v in schema["properties"].items() if "examples" in v}
    example.pop("made", None)
    assert list(validator.iter_errors(example)) == []
    assert set(example) | {"made"} >= set(TABLES[name].names)


@pytest.mark.parametrize(
    "change",
    [{"mode": "liv"}, {"attempts": -1}, {"attempts": 2.5}, {"date": "03/11/2025"}, {"made": 1},
     {"player": ""}, {"distance_ft": 100}],
)  # fmt: skip
def test_schema_refuses_what_reading_refuses(change):
    row = {"date": "2025-11-03", "session": "1", "player": "P01", "drill": "d", "mode": "rep",
           "contest": "none", "attempts": 3, "makes": 1}  # fmt: skip
    validator = jsonschema.Draft202012Validator(row_schema(TABLES["practice"]))
    assert validator.is_valid(row)
    assert not validator.is_valid({**row, **change})


def test_every_column_says_what_it_holds():
    for table in TABLES.values():
        assert len(set(table.names)) == len(table.names)
        assert set(table.key) <= set(table.names)
        for column in table.columns:
            assert len(column.meaning) > 10
            assert (column.type == "level") == bool(column.levels)


def test_levels_are_those_of_the_trade():
    practice = TABLES["practice"]
    assert practice.column("mode").levels == ("rep", "live")
    assert practice.column("contest").levels == (
        "none", "light", "trailing", "front", "front_and_trailing", "unknown"
    )  # fmt: skip
    assert practice.column("order").levels == ("blocked", "serial", "random")


def test_dictionary_is_written_whole(tmp_path):
    paths = write_dictionary(tmp_path)
    assert [json.loads(p.read_text())["title"] for p in paths] == list(TABLES)


def test_columns_are_told_in_words():
    text = columns_text()
    assert max(map(len, text.splitlines())) <= 100
    parts = dict(zip(re.findall(r"^## (\w+)$", text, re.M), text.split("\n## ")[1:], strict=True))
    assert list(parts) == list(TABLES)
    for name, table in TABLES.items():
        items = re.findall(r"^- \*\*(\w+)\*\*: (.+(?:\n  (?!- ).+)*)", parts[name], re.M)
        assert [column for column, _ in items] == list(table.names)
        said = {column: " ".join(words.split()) for column, words in items}
        for column in table.columns:
            assert " ".join(column.meaning.split()).rstrip(".") in said[column.name]
            assert column.example in said[column.name]
            assert column.limits in said[column.name]
            assert (column.required == "no") == ("Optional." in said[column.name])
            for level in column.levels:
                assert f"\n  - `{level}`: " in parts[name]
    assert "A row that repeats program, season, player is" in " ".join(parts["roster"].split())


def test_unknown_table_and_column():
    with pytest.raises(ArgumentError, match="practice"):
        table_named("practise")
    with pytest.raises(ArgumentError, match="attempts"):
        TABLES["games"].column("shots")


@pytest.mark.parametrize("name", list(TABLES))
def test_the_recording_guide_names_the_row_key(name):
    guide = (Path(__file__).parents[2] / "docs" / "recording.md").read_text(encoding="utf-8")
    key = ", ".join(f"`{column}`" for column in TABLES[name].key)
    assert f"| {name} | {key} |" in guide
