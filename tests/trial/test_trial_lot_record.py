"""One lot in a folder: two at once, a deleted plan, an edited plan with a new hash."""

from __future__ import annotations

import json
import threading

import pandas as pd
import pytest

from transfer.errors import StorageError
from transfer.trial import lot_record
from transfer.trial.lot_record import LOT, read_record
from transfer.trial.plan import TrialPlan, make_plan, read_plan
from transfer.trial.sheets import write_plan

ROSTER = pd.DataFrame({"player": [f"P{i}" for i in range(8)]})


def plan(**changes):
    terms = {
        "strata": (),
        "weeks": 8,
        "start": "2026-11-02",
        "seed": 11,
        "registered": "2026-10-26",
    }
    return make_plan(ROSTER, **{**terms, **changes})


def rehash(path, change):
    """Change a plan.json and give it a hash that fits."""
    value = json.loads(path.read_text())
    change(value)
    frames = (pd.DataFrame(value[name]) for name in ("units", "calendar"))
    value["hash"] = TrialPlan(value["settings"], *frames).plan_hash
    path.write_text(json.dumps(value))


def test_of_two_lots_at_once_one_is_drawn_and_the_other_is_told(tmp_path, monkeypatch):
    """Both look before either writes, as two commands at once do."""
    both_looked = threading.Barrier(2)
    looked, told, written = threading.local(), [], []

    def look_together(folder):
        found = read_record(folder)
        if not hasattr(looked, "once"):
            looked.once = True
            both_looked.wait(timeout=20)
        return found

    def draw(seed):
        try:
            write_plan(plan(seed=seed), tmp_path)
            written.append(seed)
        except StorageError as error:
            told.append(str(error))

    monkeypatch.setattr(lot_record, "read_record", look_together)
    threads = [threading.Thread(target=draw, args=(seed,)) for seed in (11, 12)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    monkeypatch.undo()
    assert (len(written), len(told)) == (1, 1)
    assert "drawn once" in told[0]
    kept = read_plan(tmp_path / "plan.json")
    assert kept.settings["seed"] == written[0]
    assert kept.plan_hash[:12] in (tmp_path / "protocol.txt").read_text()


@pytest.mark.parametrize("left", [["plan.json"], ["plan.json", "protocol.txt", "protocol.html"]])
def test_a_deleted_plan_makes_no_room_for_another(tmp_path, left):
    write_plan(plan(), tmp_path)
    for name in left:
        (tmp_path / name).unlink()
    with pytest.raises(StorageError, match="drawn once"):
        write_plan(plan(seed=12), tmp_path)
    assert not (tmp_path / "plan.json").exists()
    (tmp_path / LOT).unlink()
    with pytest.raises(StorageError, match=r"assignments\.csv of an earlier lot"):
        write_plan(plan(), tmp_path)


def test_the_same_lot_again_keeps_its_first_day_and_heals(tmp_path):
    first = plan()
    write_plan(first, tmp_path)
    (tmp_path / "plan.json").unlink()
    write_plan(plan(registered="2026-10-30"), tmp_path)
    assert read_plan(tmp_path / "plan.json").plan_hash == first.plan_hash


@pytest.mark.parametrize(
    "change",
    [
        lambda value: value["settings"].update(rope=[-9.0, 9.0]),
        lambda value: value["settings"].update(registered="2026-10-01"),
        lambda value: value["settings"].update(looks=[4, 8]),
    ],
)
def test_an_edited_plan_with_a_new_hash_is_refused_by_the_record(tmp_path, change):
    write_plan(plan(), tmp_path)
    rehash(tmp_path / "plan.json", change)
    with pytest.raises(StorageError, match=r"lot\.json beside it has"):
        read_plan(tmp_path / "plan.json")


def test_without_the_record_the_printed_hash_is_needed(tmp_path):
    drawn = plan()
    write_plan(drawn, tmp_path)
    (tmp_path / LOT).unlink()
    with pytest.raises(StorageError, match="record of its lot") as caught:
        read_plan(tmp_path / "plan.json")
    assert "--plan-hash" in caught.value.next_step
    found = read_plan(tmp_path / "plan.json", expected_hash=drawn.plan_hash[:12])
    assert found.plan_hash == drawn.plan_hash


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": "other"}', "\x00", "[" * 5000])
def test_a_damaged_record_is_refused(tmp_path, text):
    write_plan(plan(), tmp_path)
    (tmp_path / LOT).write_text(text)
    with pytest.raises(StorageError, match="record of a lot"):
        read_plan(tmp_path / "plan.json")
    with pytest.raises(StorageError, match="record of a lot"):
        write_plan(plan(), tmp_path)
