from __future__ import annotations

import datetime as dt
import inspect

import pandas as pd
import pytest

import transfer
from transfer.errors import ArgumentError, StorageError
from transfer.mix.measured import growth_draws, measure_mix
from transfer.records.geometry import BODIES
from transfer.records.schema import PRACTICE, TABLES
from transfer.records.season import find_season, read_season, start_season
from transfer.records.settings import (
    DEFAULTS,
    LEVELS,
    RULE_BODIES,
    SETTING_COLUMNS,
    SETTINGS,
    read_setting,
)


def test_a_new_season_folder_reads_back_with_its_defaults(tmp_path):
    written = start_season(tmp_path / "s", level="women_college", rule_body="NCAA", seed=9)
    assert sorted(p.name for p in written) == [
        "columns.md", "drills.csv", "games.csv", "practice.csv", "roster.csv", "transfer.toml",
    ]  # fmt: skip
    config = read_season(tmp_path / "s")
    assert (config.level, config.rule_body, config.seed) == ("women_college", "NCAA", 9)
    assert config.settings == ("mode", "contest")
    assert config.rope_r2 == (-0.05, 0.05)
    assert config.season_end is None
    assert config.files["practice"] == (tmp_path / "s" / "practice.csv").resolve()


def test_templates_hold_the_columns_of_counted_rows(tmp_path):
    start_season(tmp_path)
    for name, table in TABLES.items():
        header = (tmp_path / f"{name}.csv").read_text(encoding="utf-8").strip().split(",")
        assert header == [c for c in table.names if c not in ("made", "attempt")]


def test_init_keeps_record_files_and_refuses_a_second_time(tmp_path):
    (tmp_path / "games.csv").write_text("mine", encoding="utf-8")
    start_season(tmp_path)
    assert (tmp_path / "games.csv").read_text(encoding="utf-8") == "mine"
    with pytest.raises(StorageError, match="season folder already"):
        start_season(tmp_path)


def test_untouched_optional_templates_are_left_out(tmp_path):
    start_season(tmp_path)
    assert set(read_season(tmp_path).files) == {"practice", "games"}
    with open(tmp_path / "roster.csv", "a", encoding="utf-8") as stream:
        stream.write("P01,guard,,,,\n")
    assert set(read_season(tmp_path).files) == {"practice", "games", "roster"}


def test_a_season_is_found_from_below(tmp_path):
    start_season(tmp_path)
    below = tmp_path / "runs" / "x"
    below.mkdir(parents=True)
    assert find_season(below) == tmp_path.resolve()


@pytest.mark.parametrize(
    ("text", "named"),
    [
        ("sed = 3", "seed"),
        ("[files]\npractise = 'p.csv'", "practice"),
        ("level = 'men_colege'", "men_college"),
        ("rule_body = 'NCCA'", "NCAA"),
        ("settings = ['mode', 'contrast']", "contest"),
        ("terms = ['distanse']", "distance"),
    ],
)
def test_a_slip_is_refused_with_the_nearest_known_word(tmp_path, text, named):
    (tmp_path / "transfer.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ArgumentError) as caught:
        read_season(tmp_path)
    assert repr(named) in caught.value.next_step


@pytest.mark.parametrize(
    "text",
    [
        "rope_r2 = [0.01, 0.05]",
        "rope_r2 = [0, 0]",
        "rope_r2 = 0.05",
        "rope_r2 = [true, false]",
        "budget_minutes = 0",
        "budget_minutes = 'much'",
        "season_end = '2026-03-31'",
        "season_end = 2026-03-31T10:00:00",
        "seed = -1",
        "seed = true",
        "settings = ['contest']",
        "settings = 'mode'",
        "terms = 'distance'",
        "files = 3",
        "priors = ''",
        "level = ",
    ],
)
def test_values_outside_their_rule_are_refused(tmp_path, text):
    (tmp_path / "transfer.toml").write_text(text, encoding="utf-8")
    with pytest.raises(ArgumentError) as caught:
        read_season(tmp_path)
    assert "transfer.toml" in caught.value.message
    assert caught.value.next_step


def test_all_keys_are_read(tmp_path):
    (tmp_path / "transfer.toml").write_text(
        "settings=['mode']\nterms=['distance']\nlevel='men_pro'\nrule_body='FIBA'\n"
        "rope_r2=[-0.1, 0.2]\nbudget_minutes=55\nseason_end=2026-03-31\nseed=0\n"
        "priors='mine.toml'\n[files]\npractice='log.xlsx'\n",
        encoding="utf-8",
    )
    config = read_season(tmp_path)
    assert config.settings == ("mode",)
    assert config.terms == ("distance",)
    assert config.rope_r2 == (-0.1, 0.2)
    assert config.budget_minutes == 55.0
    assert config.season_end == dt.date(2026, 3, 31)
    assert config.seed == 0
    assert config.priors == tmp_path.resolve() / "mine.toml"
    assert config.files["practice"].name == "log.xlsx"
    assert set(config.files) == {"practice", "games"}


def test_levels_are_those_of_the_starting_assumptions():
    from transfer.models.priors import LEVELS as WITH_PRIORS

    assert tuple(WITH_PRIORS) == LEVELS


def test_rule_bodies_are_those_of_the_court():
    assert tuple(BODIES) == RULE_BODIES


@pytest.mark.parametrize("name", SETTINGS)
def test_a_default_and_the_example_are_read_alike_in_every_door(name):
    setting = SETTINGS[name]
    default = getattr(DEFAULTS, name)
    assert setting.about.endswith(".")
    for value in (setting.example, default):
        if value is not None:
            held = read_setting(name, value)
            assert read_setting(name, value, "file") == held
            assert read_setting(name, setting.to_word(value), "option") == held
    if default is not None:
        assert read_setting(name, default) == default


@pytest.mark.parametrize(
    ("door", "value", "told", "next_step"),
    [
        ("file", [0.1, 0.2], "transfer.toml: rope_r2 = [0.1, 0.2]", "rope_r2 = [-0.05, 0.05]"),
        ("option", "0.1:0.2", "--rope-r2 '0.1:0.2'", "--rope-r2=-0.05:0.05"),
        ("python", (0.1, 0.2), "rope_r2=(0.1, 0.2)", "rope_r2=[-0.05, 0.05]"),
    ],
)
def test_a_refusal_speaks_as_its_door(door, value, told, next_step):
    with pytest.raises(ArgumentError) as caught:
        read_setting("rope_r2", value, door)
    assert caught.value.message == told
    assert caught.value.next_step == f"write e.g. {next_step}"


def test_a_new_settings_file_holds_every_setting_and_what_init_was_told(tmp_path):
    start_season(tmp_path, settings=("mode", "entry"), budget_minutes=55.0)
    text = (tmp_path / "transfer.toml").read_text(encoding="utf-8")
    assert all(f"\n{name} = " in text or f"\n# {name} = " in text for name in SETTINGS)
    config = read_season(tmp_path)
    assert (config.settings, config.budget_minutes) == (("mode", "entry"), 55.0)
    with pytest.raises(ArgumentError, match="unknown setting 'levle'"):
        start_season(tmp_path / "other", levle="men_pro")


@pytest.mark.parametrize(
    ("function", "argument", "setting"),
    [
        ("build_cells", "settings", "settings"),
        (measure_mix, "settings", "settings"),
        ("read_records", "rule_body", "rule_body"),
        ("read_records", "season_end", "season_end"),
        ("read_transfer", "rope", "rope_r2"),
        ("fit_transfer", "seed", "seed"),
        ("fit_growth", "seed", "seed"),
        (growth_draws, "seed", "seed"),
        ("analyse_trial", "seed", "seed"),
        ("TransferPriors", "level", "level"),
    ],
)
def test_functions_start_from_the_defaults_of_the_settings(function, argument, setting):
    called = getattr(transfer, function) if isinstance(function, str) else function
    parameter = inspect.signature(called).parameters[argument]
    assert parameter.default == getattr(DEFAULTS, setting)


@pytest.mark.parametrize("column", SETTING_COLUMNS[1:])
def test_practice_is_split_by_any_charted_column_in_both_doors(season, run_json, column):
    levels = PRACTICE.column(column).levels[:2] or ("elbow", "wing")
    records = pd.read_csv(season / "practice.csv")
    records[column] = [levels[row // 2 % 2] for row in range(len(records))]
    records.to_csv(season / "practice.csv", index=False)
    code, told = run_json("rates", "--settings", f"mode,{column}")
    assert code == 0, told
    file = season / "transfer.toml"
    stated = file.read_text(encoding="utf-8").replace(
        'settings = ["mode", "contest"]', f'settings = ["mode", "{column}"]'
    )
    assert column in stated
    file.write_text(stated, encoding="utf-8")
    code, by_file = run_json("rates")
    assert code == 0
    assert by_file["settings"] == told["settings"]
    assert {row["setting"] for row in told["settings"]} - {"game"} == {
        f"{mode}/{level}" for mode in ("rep", "live") for level in levels
    }
