"""A study from Python: the results that the commands print, each worked out once."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

import transfer
from transfer.errors import ArgumentError, RecordsError, StorageError
from transfer.results import plain
from transfer.terminal.frame import json_text

ROOT = Path(__file__).resolve().parents[1]


def told(value) -> dict:
    """A result as a command prints it."""
    return without(json.loads(json_text(plain(value.to_dict()), "mix")))


def without(told: dict, *names: str) -> dict:
    return {key: value for key, value in told.items() if key not in {"schema", *names}}


@pytest.fixture
def study(files, fits):
    return transfer.Study(**files)


def test_paths_and_tables_in_memory_are_one_study(files, fits):
    by_path = transfer.Study(**files)
    tables = {name: pd.read_csv(path) for name, path in files.items()}
    in_memory = transfer.Study(**tables)
    assert in_memory.cells.data_hash == by_path.cells.data_hash
    assert in_memory.reading().text == by_path.reading().text
    assert in_memory.report().content.manifest["inputs"]["games"]["file"].endswith("in memory")


def test_nothing_is_read_or_fitted_before_it_is_needed(fits, tmp_path):
    study = transfer.Study(practice=tmp_path / "absent.csv", games=tmp_path / "absent.csv")
    assert "practice" in repr(study)
    assert fits == []
    with pytest.raises((StorageError, RecordsError), match=r"absent\.csv"):
        study.check()


def test_one_fit_answers_every_question(study, fits):
    fit = study.fit()
    study.reading()
    study.forecast()
    study.conversion()
    assert study.replace(rope_r2=(-0.1, 0.1)).fit() is fit
    assert len(fits) == 2  # by setting, and by mode for the verdict
    study.report("coach")
    assert [cells.settings for cells in fits[2:]] == [()]  # the games alone, for the scores
    fits.clear()
    other = study.replace(seed=5)
    assert other.fit() is not fit
    assert other.replace(seed=1).fit() is fit
    assert len(fits) == 1
    assert study.reading() is study.reading()
    assert study.reading(contrast="rho") is not study.reading()


def test_starting_assumptions_are_part_of_the_question(study, fits):
    priors = transfer.TransferPriors(tau_game_sd=0.3)
    study.fit()
    assert study.replace(priors=priors).fit() is study.replace(priors=priors).fit()
    assert len(fits) == 2


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"levle": "men_pro"}, "unknown setting 'levle'"),
        ({"level": "men_por"}, "level='men_por'"),
        ({"rope_r2": (0.1, 0.2)}, "rope_r2="),
    ],
)
def test_a_slip_in_a_setting_is_refused(files, settings, message):
    with pytest.raises(ArgumentError, match=message):
        transfer.Study(**files, **settings)
    with pytest.raises(ArgumentError, match=message):
        transfer.Study(**files).replace(**settings)


def test_a_folder_is_opened_with_or_without_settings(season, files, fits, tmp_path):
    start = transfer.Study.open(season)
    assert start.settings["level"] == "men_college"
    bare = transfer.Study.open(files["games"].parent, level="high_school")
    assert bare.settings["level"] == "high_school"
    assert bare.cells.data_hash == start.cells.data_hash
    (tmp_path / "empty").mkdir()
    with pytest.raises(StorageError, match=r"holds neither transfer\.toml"):
        transfer.Study.open(tmp_path / "empty")


def test_a_season_folder_shares_its_fits_with_the_commands(season, fits, run_json):
    transfer.Study.open(season).fit()
    assert len(fits) == 1
    code, told = run_json("compare")
    assert code == 0
    assert len(fits) == 2  # the one by mode, for the verdict, is new
    assert told["text"] == transfer.Study.open(season).reading().text
    assert len(fits) == 2
    transfer.Study.open(season, priors=transfer.TransferPriors(tau_game_sd=0.3)).fit()
    assert len(fits) == 3  # a saved fit does not tell the assumptions of a study in memory


def test_the_methods_return_what_the_commands_print(study, files, run_json):
    words = [word for name, path in files.items() for word in (f"--{name}", path)]
    _, rates = run_json("rates", *words)
    assert without(rates, "dispersion", "dispersion_text") == told(study.rates())
    _, compare = run_json("compare", *words)
    assert told(study.reading()).items() <= compare.items()
    assert compare["information_text"] == study.information().text
    assert compare["conversion"] == told(study.conversion())["conversion"]
    _, forecast = run_json("forecast", *words)
    assert forecast == {"schema": forecast["schema"], **told(study.forecast())}
    _, mix = run_json("mix", *words, "--floor", "live=5")
    advised = study.mix(floors={"live": 5.0})
    assert without(mix) == told(advised)
    assert advised.advice.text in advised.text
    _, checked = run_json("check", *words)
    assert without(checked, "passed", "causes") == told(study.check())


def test_a_log_is_analysed_as_the_command_does(run_json):
    folder = ROOT / "data" / "one_program"
    words = [word for name in ("practice", "games", "roster", "drills")
             for word in (f"--{name}", folder / f"{name}.csv")]  # fmt: skip
    _, trial = run_json("trial", "analyse", *words, "--fit", "quick")
    assert without(trial) == told(transfer.Study.open(folder).trial(quick=True))


def test_the_session_is_planned_with_the_records(study, files, run_json):
    plan = study.session(2, 40)
    codes = ",".join(sorted(pd.read_csv(files["practice"])["player"].unique()))
    _, printed = run_json(
        "session", "--practice", files["practice"], "--players", codes, "--baskets", 2,
        "--minutes", 40,
    )  # fmt: skip
    ours = told(plan)
    assert ours == {key: printed[key] for key in ours}
    assert study.session(2, 40, players=["P01", "P02", "P03"]).players == ("P01", "P02", "P03")


def test_a_report_is_made_and_saved(study, tmp_path):
    report = study.report("coach", title="Ours", assigned=True)
    path = report.save(tmp_path / "coach.html")
    assert path.read_text(encoding="utf-8") == report.html
    assert "Ours" in report.html
    assert report.content.reading.text == study.reading(assigned=True).text
    assert report.to_dict()["for"] == "coach"
    assert "<html" not in report._repr_html_()
    assert study.report("coach", title="Ours", assigned=True) is report
    with pytest.raises(ArgumentError, match="audience='parents'"):
        study.report("parents")


@pytest.mark.parametrize("ask", [lambda s: s.report("coach"), lambda s: s.mix()])
def test_what_a_study_returns_shows_itself(study, ask):
    figure = ask(study).plot()
    figure.canvas.draw()
    assert any(axes.has_data() for axes in figure.axes)
