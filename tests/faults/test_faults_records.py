"""Odd record files: a right answer, or a message that says what to do."""

from __future__ import annotations

import hashlib
import json
import time

import numpy as np
import pandas as pd
import pytest

from transfer.errors import RecordsError
from transfer.records.reading import read_records

HEAD = "date,session,player,drill,mode,contest,attempts,makes"
GAME_HEAD = "date,game,player,attempts,makes"


@pytest.fixture
def plain(season):
    """Texts of the record files."""
    return {n: (season / f"{n}.csv").read_text("utf-8") for n in ("practice", "games")}


FORMS = {
    "windows line ends": lambda t: t.replace("\n", "\r\n").encode(),
    "old line ends": lambda t: t.replace("\n", "\r").encode(),
    "UTF-8 with mark": lambda t: t.encode("utf-8-sig"),
    "UTF-16": lambda t: t.encode("utf-16"),
    "UTF-16 of another byte order": lambda t: b"\xfe\xff" + t.encode("utf-16-be"),
    "no last line end": lambda t: t.rstrip("\n").encode(),
    "blank lines": lambda t: (t + "\n\n,,,,\n").encode(),
    "semicolons": lambda t: t.replace(",", ";").encode(),
    "tabs": lambda t: t.replace(",", "\t").encode(),
}


@pytest.mark.fault("line ends, byte order marks and encodings")
@pytest.mark.parametrize("form", list(FORMS))
def test_forms_of_text_give_the_same_records(season, plain, form):
    expected = read_records(season / "practice.csv", season / "games.csv").data_hash
    for name, text in plain.items():
        (season / f"{name}.csv").write_bytes(FORMS[form](text))
    found = read_records(season / "practice.csv", season / "games.csv")
    assert found.data_hash == expected


@pytest.mark.fault("line ends, byte order marks and encodings")
@pytest.mark.parametrize(
    "form",
    [lambda t: t.encode("utf-16-le"), lambda t: t.encode("utf-32"), lambda t: t.encode() + b"\xff"],
    ids=["UTF-16 without mark", "UTF-32", "bytes of no encoding"],
)  # fmt: skip
def test_other_encodings_are_refused_with_what_to_do(season, plain, form):
    (season / "games.csv").write_bytes(form(plain["games"]))
    with pytest.raises(RecordsError) as caught:
        read_records(season / "practice.csv", season / "games.csv")
    assert [(p["file"], "UTF-8" in p["next_step"]) for p in caught.value.problems] == [
        ("games.csv", True)
    ]


@pytest.mark.fault("huge files (300,000 rows)")
def test_a_large_file_is_counted_right(tmp_path):
    n = 300_000
    rng = np.random.default_rng(1)
    attempts = rng.integers(1, 9, n)
    frame = pd.DataFrame(
        {
            "date": "2025-11-03", "session": np.arange(n) // 300,
            "player": np.char.add("P", (np.arange(n) % 300).astype(str)), "drill": "on_air",
            "mode": "rep", "contest": "none", "attempts": attempts,
            "makes": rng.binomial(attempts, 0.5),
        }
    )  # fmt: skip
    frame.to_csv(tmp_path / "p.csv", index=False)
    records = read_records(tmp_path / "p.csv")
    assert records.practice["attempts"].sum() == attempts.sum()
    assert records.practice["makes"].sum() == frame["makes"].sum()


@pytest.mark.fault("10,000 columns")
def test_ten_thousand_columns_are_read_past_with_few_notes(tmp_path, run):
    extra = [f"c{i}" for i in range(10_000)]
    text = f"{HEAD},{','.join(extra)}\n2025-11-03,1,P01,a,rep,none,10,4{',1' * 10_000}\n"
    (tmp_path / "p.csv").write_text(text)
    started = time.monotonic()
    records = read_records(tmp_path / "p.csv")
    assert time.monotonic() - started < 60
    assert records.practice["attempts"].sum() == 10
    assert [p.column for p in records.problems[:2]] == ["c0", "c1"]
    assert len(records.problems) == 12
    told = [p.rule for p in records.problems if "more columns" in p.rule]
    assert told == ["9,989 more columns are not known and are not read"]
    code, out, _ = run("check", "--practice", tmp_path / "p.csv")
    assert code == 0
    assert len(out) < 3000


@pytest.mark.fault("10,000 columns")
def test_ten_thousand_columns_that_lack_a_needed_one_are_one_error(tmp_path):
    extra = [f"c{i}" for i in range(10_000)]
    head = HEAD.replace("player,", "")
    text = f"{head},{','.join(extra)}\n2025-11-03,1,a,rep,none,10,4{',1' * 10_000}\n"
    (tmp_path / "p.csv").write_text(text)
    with pytest.raises(RecordsError) as caught:
        read_records(tmp_path / "p.csv")
    errors = [p for p in caught.value.problems if p["severity"] == "error"]
    assert [p["column"] for p in errors] == ["player"]
    assert len(str(caught.value)) < 3000


def write(folder, practice, games=None):
    words = ["--practice", folder / "p.csv"] if practice is not None else []
    if practice is not None:
        (folder / "p.csv").write_text("\n".join([HEAD, *practice]) + "\n")
    if games is not None:
        (folder / "g.csv").write_text("\n".join([GAME_HEAD, *games]) + "\n")
        words += ["--games", folder / "g.csv"]
    return words


def rows(player, makes, n=20, mode="rep", contest="none"):
    return [f"2025-11-{d:02d},1,{player},a,{mode},{contest},{n},{makes}" for d in range(3, 9)]


@pytest.mark.fault("zero attempts everywhere")
def test_zero_attempts_everywhere(tmp_path, run):
    words = write(tmp_path, rows("P01", 0, n=0), ["2025-12-01,G1,P01,0,0"])
    code, out, _ = run("check", *words)
    assert code == 0
    assert "0 makes of 0 attempts" in out
    for command in ("rates", "compare"):
        code, _, err = run(command, *words)
        assert code == 2
        assert "no attempt" in err
        assert "Next:" in err


@pytest.mark.fault("a player with 100 % or 0 %")
@pytest.mark.parametrize(("makes", "raw"), [(20, 1.0), (0, 0.0)])
def test_all_or_nothing_is_shrunken_and_has_limits_inside(tmp_path, run_json, makes, raw):
    others = [r for i in range(2, 7) for r in rows(f"P{i:02d}", 8 + i)]
    words = write(tmp_path, rows("P01", makes) + others)
    code, found = run_json("rates", *words)
    assert code == 0
    row = next(r for r in found["players"] if "P01" in r["unit"])
    assert row["raw"] == raw
    assert 0 < row["shrunken_low"] < row["shrunken_high"] < 1
    assert abs(row["shrunken"] - raw) > 0


@pytest.mark.fault("one player; one setting")
def test_one_player_in_one_setting_has_a_raw_rate(tmp_path, run_json):
    code, found = run_json("rates", *write(tmp_path, rows("P01", 9)))
    assert code == 0
    assert [r["raw"] for r in found["players"]] == [0.45]


@pytest.mark.fault("no games; only games")
def test_only_games_have_rates_and_no_comparison(tmp_path, run, run_json):
    games = [f"2025-12-{d:02d},G{d},P{i:02d},5,2" for d in range(1, 5) for i in range(1, 6)]
    words = write(tmp_path, None, games)
    code, found = run_json("rates", *words)
    assert code == 0
    assert {r["setting"] for r in found["players"]} == {"game"}
    code, _, err = run("compare", *words)
    assert code == 2
    assert "--practice" in err


@pytest.mark.fault("no games; only games")
def test_no_games_has_rates_and_no_comparison(tmp_path, run, run_json):
    words = write(tmp_path, rows("P01", 9) + rows("P02", 12))
    assert run_json("rates", *words)[0] == 0
    code, _, err = run("compare", *words)
    assert code == 2
    assert "--games" in err
    # A file of games without a row.
    code, _, err = run("compare", *write(tmp_path, rows("P01", 9), []))
    assert code == 2
    assert "g.csv" in err


@pytest.mark.fault("clock and time zone")
@pytest.mark.parametrize("zone", ["Pacific/Kiritimati", "Etc/GMT+12", "Asia/Kathmandu", "nonsense"])
def test_the_time_zone_changes_nothing(season, run_json, monkeypatch, zone):
    before = run_json("check")[1]
    monkeypatch.setenv("TZ", zone)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "0")
    time.tzset()
    try:
        assert run_json("check")[1] == before
    finally:
        # The working folder stays with monkeypatch, which puts it back after the test.
        monkeypatch.delenv("TZ")
        time.tzset()


@pytest.mark.fault("clock and time zone")
@pytest.mark.parametrize("created", ["2999-01-01T00:00:00+00:00", "yesterday", None, 5])
def test_a_clock_that_was_wrong_does_not_lose_a_run(fitted, run, run_json, created):
    path = fitted / "manifest.json"
    manifest = json.loads(path.read_text())
    path.write_text(json.dumps({**manifest, "created": created}))
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    with open(fitted / "SHA256SUMS", "a") as listing:  # as if the run itself had written that day
        listing.write(f"{digest}  manifest.json\n")
    before = (fitted / "fit.nc").read_bytes()
    code, _, err = run("fit")
    assert code == 0, err
    assert (fitted / "fit.nc").read_bytes() == before
    assert len(list(fitted.parent.iterdir())) == 1
    assert run_json("verify", fitted)[0] == 0
