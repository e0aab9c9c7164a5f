"""Rows of several baskets and charters: merged without doubling, compared, read as they are."""

import json

import numpy as np
import pandas as pd
import pytest

from transfer.cli import main
from transfer.errors import RecordsError, StorageError
from transfer.records.reading import read_records
from transfer.session.drills import DRILLS, in_order, named_drills, read_drills
from transfer.session.plan import plan_session
from transfer.session.tapped import OUTCOMES, merge_taps

OWN = (
    "drill,mode,contest,entry,description,program\n"
    "wall_pass_reps,rep,none,catch,Wall pass and finish.,A\n"
    "wall_pass_hand,rep,light,,A late hand.,A\n"
    "two_side_live,live,trailing,dribble,Drive with a trailing defender.,\n"
    "three_v_three,live,,,Small-sided game.,A\n"
    "elsewhere,rep,none,,Another program's.,B\n"
)


def kappa_of(first, second):
    """By the definition: agreement beyond that of independent charters with the same habits."""
    agreed = (first == second).mean()
    chance = sum((first == kind).mean() * (second == kind).mean() for kind in OUTCOMES)
    return (agreed - chance) / (1 - chance)


def tapped(path, players, kinds, second="no"):
    rows = pd.DataFrame(
        {
            "date": "2026-11-25", "session": "1", "player": players, "drill": "spot",
            "mode": "rep", "contest": "none", "made": [int(k == "make") for k in kinds],
            "minutes": 6, "attempt": np.arange(len(kinds)) + 1,
            "blocked": [int(k == "blocked") for k in kinds],
            "fouled": [int(k == "fouled") for k in kinds], "charter": f"C{second}",
            "second_chart": second,
        }
    )  # fmt: skip
    rows.to_csv(path, index=False)
    return path


@pytest.fixture
def charted(tmp_path):
    rng = np.random.default_rng(1)
    kinds = rng.choice(OUTCOMES, 120, p=[0.5, 0.4, 0.06, 0.04])
    again = np.where(rng.random(120) < 0.1, rng.choice(OUTCOMES, 120), kinds)
    players = [f"P{i % 5:02d}" for i in range(120)]
    one = tapped(tmp_path / "one.csv", players, kinds)
    other = tapped(tmp_path / "other.csv", [f"P{i % 4 + 10}" for i in range(80)], kinds[:80])
    second = tapped(tmp_path / "second.csv", players[:110], again[:110], "yes")
    return one, other, second, kinds, again


def test_baskets_add_up_and_a_file_given_twice_stands_once(charted, tmp_path):
    one, other, _, kinds, _ = charted
    merged = merge_taps([one, other, one])
    assert len(merged.rows) == 200
    assert merged.repeated == 120
    assert merged.agreement is None
    assert "not known" in merged.text
    merged.rows.to_csv(tmp_path / "practice.csv", index=False)
    practice = read_records(tmp_path / "practice.csv").practice
    fouled = (kinds == "fouled").sum() + (kinds[:80] == "fouled").sum()
    assert practice["attempts"].sum() == 200 - fouled
    assert practice["makes"].sum() == (kinds == "make").sum() + (kinds[:80] == "make").sum()


def test_two_charters_give_the_kappa_of_what_both_have_and_never_count_twice(charted, tmp_path):
    one, other, second, kinds, again = charted
    merged = merge_taps([one, other, second])
    assert merged.agreement is not None
    assert merged.agreement.kappa == pytest.approx(kappa_of(kinds[:110], again[:110]))
    assert (merged.pairs, merged.lone) == (110, 10)
    merged.rows.to_csv(tmp_path / "practice.csv", index=False)
    records = read_records(tmp_path / "practice.csv")
    counted = records.practice[records.practice["second_chart"] != "yes"]
    fouled = (kinds == "fouled").sum() + (kinds[:80] == "fouled").sum()
    assert counted["attempts"].sum() == 200 - fouled


def test_one_shot_told_differently_by_one_charter_is_refused_with_its_place(charted, tmp_path):
    one, *_ = charted
    rows = pd.read_csv(one)
    rows.loc[3, "made"] = 1 - rows.loc[3, "made"]
    rows.to_csv(tmp_path / "later.csv", index=False)
    with pytest.raises(RecordsError, match=r"later\.csv tell shots differently") as raised:
        merge_taps([one, tmp_path / "later.csv"])
    assert raised.value.problems[0]["row"] == 5
    (tmp_path / "bare.csv").write_text("date,player\n2026-11-25,P01\n")
    with pytest.raises(RecordsError, match="4 problems"):
        merge_taps([tmp_path / "bare.csv"])
    with pytest.raises(StorageError, match=r"none\.csv"):
        merge_taps([tmp_path / "none.csv"])


def run(*words):
    with pytest.raises(SystemExit) as ended:
        main([*map(str, words)])
    return ended.value.code


def test_the_command_merges_and_says_the_kappa(charted, tmp_path, capsys):
    one, other, second, *_ = charted
    out = tmp_path / "practice.csv"
    assert run("chart", "merge", one, other, second, "--out", out, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["pairs"] == 110
    assert told["agreement"]["kappa"] > 0.5
    assert run("check", "--practice", out) == 0


def test_pages_for_the_drills_of_a_program(tmp_path, capsys):
    (tmp_path / "drills.csv").write_text(OWN)
    words = ["chart", "pages", "--drills", tmp_path / "drills.csv", "--program", "A", "--players",
             "6", "--baskets", "2", "--minutes", "6", "--out", tmp_path / "taps"]  # fmt: skip
    assert run(*words) == 0
    pages = sorted(path.name for path in (tmp_path / "taps").iterdir())
    assert pages == ["tap_basket_1.html", "tap_basket_2.html"]
    page = (tmp_path / "taps" / "tap_basket_1.html").read_text()
    assert '"drill":"wall_pass_reps"' in page
    assert "elsewhere" not in page
    assert '"line":["P01","P03","P05"]' in page
    assert run(*words, "--drill", "wall_pas_reps") == 2
    assert "did you mean 'wall_pass_reps'?" in capsys.readouterr().err


def test_a_session_is_planned_from_the_programs_own_drills(tmp_path):
    (tmp_path / "drills.csv").write_text(OWN)
    own = read_drills(tmp_path / "drills.csv", "A")
    assert [d.name for d in own] == ["wall_pass_reps", "wall_pass_hand", "two_side_live",
                                     "three_v_three"]  # fmt: skip
    plan = plan_session([f"P{i}" for i in range(8)], 2, 40, 1, drills=own)
    assert set(plan.blocks["drill"]) == {d.name for d in own}
    assert plan.blocks["drill"].iloc[-1] == "three_v_three"
    calls = plan.calls.merge(plan.blocks[["block", "drill"]], on="block")
    assert set(calls.loc[calls["drill"] == "wall_pass_reps", "entry"]) == {"catch"}
    assert in_order(own[:2])[-1] is DRILLS[-1]
    assert named_drills(own, ["two_side_live"]) == [own[2]]


@pytest.mark.parametrize(
    ("row", "said"),
    [("x,dunk,none,\n", "mode 'dunk'"), ("x,rep,,\n", "contest ''"), ("x,rep,near,\n", "'near'"),
     ("x,rep,none,spin\n", "entry 'spin'")],
)  # fmt: skip
def test_a_wrong_drill_is_named_with_its_row(row, said, tmp_path, capsys):
    (tmp_path / "drills.csv").write_text("drill,mode,contest,entry\n" + row)
    words = ["session", "--players", "6", "--baskets", "1", "--minutes", "30"]
    assert run(*words, "--drills", tmp_path / "drills.csv") == 2
    told = capsys.readouterr().err
    assert said in told
    assert "drills.csv, row 2" in told
