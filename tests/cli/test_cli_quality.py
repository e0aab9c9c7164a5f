from __future__ import annotations

from dataclasses import replace

import pandas as pd
from invented import write_invented_records

from transfer.records.cells import build_cells
from transfer.records.reading import read_records
from transfer.terminal.quality import charter_agreement, records_summary, session_spread
from transfer.terminal.screen import text_table


def twice_charted(tmp_path):
    """Records in which P01's 16 blocks were charted twice, two of them with another contest."""
    paths = write_invented_records(tmp_path)
    practice = pd.read_csv(paths["practice"])
    again = practice[practice["player"] == "P01"].copy()
    live = again.index[again["mode"] == "live"]
    again.loc[live[:2], "contest"] = "light"
    both = pd.concat([practice.assign(second_chart=""), again.assign(second_chart="yes")])
    return read_records(both, paths["games"])


def test_agreement_of_charters_is_counted_over_work_charted_twice(tmp_path):
    text = charter_agreement(twice_charted(tmp_path))
    assert "16 blocks of work were charted twice" in text
    assert "agree in 88% of them" in text


def test_without_double_charting_it_says_so(tmp_path):
    paths = write_invented_records(tmp_path)
    records = read_records(paths["practice"], paths["games"])
    assert "not known" in charter_agreement(records)


def test_the_summary_counts_double_charted_work_once(tmp_path):
    records = twice_charted(tmp_path)
    summary = dict(records_summary(records, build_cells(records)))
    assert summary["live attempts"].endswith("of 480, 6 player-seasons")
    assert summary["practice sessions"].startswith("8, 2025-11-01 to 2025-11-08")
    assert summary["games"].startswith("6, ")


def test_session_spread_leaves_sets_with_a_target_out(tmp_path):
    paths = write_invented_records(tmp_path)
    cells = build_cells(read_records(paths["practice"], paths["games"]))
    text, numbers = session_spread(cells)
    assert numbers["cells"] == 6 * 8 * 2 + 6 * 6
    assert "design effect" in text
    text, numbers = session_spread(replace(cells, sessions=cells.sessions.assign(target=5.0)))
    assert numbers is None
    assert "cannot be judged" in text
    assert session_spread(replace(cells, sessions=None)) == (
        "Variation between sessions cannot be judged: the counts came without them.",
        None,
    )


def test_tables_align_and_show_missing_values_as_a_dash():
    table = pd.DataFrame({"name": ["a", "long"], "rate": [0.5, float("nan")], "n": [12, 7]})
    assert text_table(table, places=2).splitlines() == [
        "name  rate   n",
        "----  ----  --",
        "a     0.50  12",
        "long     -   7",
    ]
