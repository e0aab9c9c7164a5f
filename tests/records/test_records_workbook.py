"""The workbook helps while typing, forgets its example, and is checked like any other file."""

from __future__ import annotations

import datetime
import io
import shutil
import subprocess
import zipfile

import openpyxl
import pandas as pd
import pytest
from records_samples import put
from workbook_samples import DAY, FILLED, PRACTICE_ROWS, fill

from transfer.errors import ArgumentError, RecordsError, StorageError
from transfer.records.reading import read_records
from transfer.records.schema import TABLES
from transfer.records.workbook_codes import (
    MEANINGS,
    charted_columns,
    code_of,
    meaning_of,
)
from transfer.records.workbook_limits import SUGGESTED
from transfer.records.workbook_new import DEFINITIONS, new_workbook
from transfer.records.workbook_read import read_workbook, write_tables


@pytest.fixture(scope="module")
def blank():
    return new_workbook(rows=40)


@pytest.fixture(scope="module")
def book(blank):
    return openpyxl.load_workbook(io.BytesIO(blank))


def limits(sheet):
    """Column name to its data validation."""
    names = {cell.column_letter: cell.value for cell in sheet[1]}
    return {
        names[str(validation.sqref).split("3:")[0]]: validation
        for validation in sheet.data_validations.dataValidation
    }


def told(path, **options):
    """Error problems of a workbook that must be refused."""
    with pytest.raises(RecordsError) as caught:
        read_workbook(path, **options)
    return [p for p in caught.value.problems if p["severity"] == "error"]


def test_every_column_has_its_limit_and_hint(book):
    assert book.sheetnames == [*TABLES, DEFINITIONS]
    for name, table in TABLES.items():
        columns = charted_columns(table)
        assert [c.value for c in book[name][1]] == ["mark", *(c.name for c in columns)]
        by_name = limits(book[name])
        assert set(by_name) == {c.name for c in columns}
        for column in columns:
            validation = by_name[column.name]
            assert 0 < len(validation.prompt) <= 255
            assert len(validation.promptTitle) <= 32
            assert str(validation.sqref).endswith("42")
            if column.levels:
                assert validation.type == "list"
                assert validation.formula1.strip('"').split(",") == list(column.levels)
                assert len(validation.formula1) <= 255
            if validation.showErrorMessage:
                assert len(validation.error) <= 225
                assert validation.errorStyle == "stop"
            else:
                assert column.name in (*SUGGESTED, "description")


def test_counts_and_dates_are_limited(book):
    by_name = limits(book["practice"])
    letter = {cell.value: cell.column_letter for cell in book["practice"][1]}
    makes, attempts = f"{letter['makes']}3", f"{letter['attempts']}3"
    assert by_name["makes"].formula1 == (
        f"AND(ISNUMBER({makes}),{makes}=INT({makes}),{makes}>=0,{makes}<={attempts})"
    )
    whole = by_name["attempts"]
    assert (whole.type, whole.operator, whole.formula1, whole.formula2) == (
        "whole", "between", "0", "10000",
    )  # fmt: skip
    date = by_name["date"]
    assert date.type == "date"
    # Day numbers of a spreadsheet: 61 is 1900-03-01, 73415 is 2100-12-31 (computed with
    # datetime: days since 1899-12-30).
    origin = datetime.date(1899, 12, 30)
    assert int(date.formula1) == (datetime.date(1900, 3, 1) - origin).days
    assert int(date.formula2) == (datetime.date(2100, 12, 31) - origin).days


def test_headers_are_locked_and_cells_are_open(book):
    for name in TABLES:
        sheet = book[name]
        assert sheet.protection.sheet
        assert sheet.protection.password is None
        assert all(cell.protection.locked for row in sheet["A1:C2"] for cell in row)
        letters = [cell.column_letter for cell in sheet[1]][1:]
        assert all(not sheet.column_dimensions[k].protection.locked for k in letters)
        assert sheet.freeze_panes.endswith("2")
        assert sheet.page_setup.orientation == "landscape"
        assert sheet.print_title_rows == "$1:$1"


def test_definitions_hold_every_column_and_level(book):
    rows = list(book[DEFINITIONS].iter_rows(min_row=3, values_only=True))
    stated = {(row[0], row[1], row[2]) for row in rows}
    for name, table in TABLES.items():
        for column in charted_columns(table):
            assert (name, column.name, None) in stated
            assert all((name, column.name, level) in stated for level in column.levels)
    assert all(row[7] for row in rows)


def test_every_level_is_explained_and_its_code_is_its_own():
    levels = {f"{c.name}.{level}" for t in TABLES.values() for c in t.columns for level in c.levels}
    assert levels == set(MEANINGS)
    for table in TABLES.values():
        for column in table.columns:
            codes = [code_of(level) for level in column.levels]
            assert len(set(codes)) == len(codes)
            assert all(meaning_of(column, level) for level in column.levels)


def test_equal_workbooks_are_equal_files(blank):
    assert new_workbook(rows=40) == blank
    with zipfile.ZipFile(io.BytesIO(blank)) as archive:
        assert {part.date_time for part in archive.infolist()} == {(2000, 1, 1, 0, 0, 0)}
        core = archive.read("docProps/core.xml").decode()
    assert core.count("2000-01-01T00:00:00Z") == 2
    assert str(datetime.datetime.now(tz=datetime.UTC).year) not in core


def test_the_example_alone_is_no_record(tmp_path, blank):
    path = tmp_path / "w.xlsx"
    path.write_bytes(blank)
    with pytest.raises(RecordsError, match="marked as example is not read"):
        read_workbook(path)
    with pytest.raises(RecordsError) as caught:
        read_records(practice=path)
    assert "header and no rows" in caught.value.problems[0]["rule"]


@pytest.mark.parametrize("form", ["counts", "attempts"])
def test_the_example_is_a_valid_row(tmp_path, form):
    book = openpyxl.load_workbook(io.BytesIO(new_workbook(rows=5, form=form)))
    for name in TABLES:
        book[name]["A2"] = None
    book.save(tmp_path / "w.xlsx")
    found = read_workbook(tmp_path / "w.xlsx")
    assert {name: len(sheet) for name, sheet in found.sheets.items()} == dict.fromkeys(TABLES, 1)
    assert found.records.practice.loc[0, "contest"] == "trailing"


def test_charting_into_the_example_is_noticed(tmp_path, blank):
    path = fill(blank, tmp_path / "w.xlsx", FILLED)
    book = openpyxl.load_workbook(path)
    book["practice"]["D2"] = "P09"
    book.save(path)
    warned = [p for p in read_workbook(path).records.problems if "example row" in p.rule]
    assert [(p.sheet, p.row, p.column, p.value) for p in warned] == [
        ("practice", 2, "player", "P09")
    ]


def test_a_filled_workbook_gives_the_csv_records(tmp_path, blank):
    path = fill(blank, tmp_path / "w.xlsx", FILLED)
    found = read_workbook(path)
    assert found.left_out == ()
    assert found.records.practice["attempts"].sum() == 22
    assert sorted(found.records.practice["mode"]) == ["live", "rep"]  # rep from the drills sheet
    assert found.records.practice["season"].unique().tolist() == ["1-2"]
    assert [p for p in found.records.problems if p.severity != "note"] == []
    written = write_tables(found.sheets, tmp_path / "out")
    again = read_records(**{p.stem: p for p in written})
    assert again.data_hash == found.records.data_hash
    first = (tmp_path / "out" / "practice.csv").read_text(encoding="utf-8").splitlines()[:2]
    assert first[1].startswith("2025-11-03,1,P01,screen,live,trailing,10,4,6.5")
    assert "example" not in "".join(first).lower()


def test_a_sheet_without_rows_is_left_out(tmp_path, blank):
    found = read_workbook(fill(blank, tmp_path / "w.xlsx", {"practice": PRACTICE_ROWS[:1]}))
    assert found.left_out == ("games", "roster", "drills")
    assert "Without rows: games, roster, drills" in found.text
    assert found.to_dict()["rows"] == {"practice": 1}


@pytest.mark.parametrize(
    ("column", "value", "rule"),
    [
        ("contest", "behind", "contest is one of"),
        ("makes", 11, "makes are at most attempts"),
        ("attempts", -1, "whole number"),
        ("attempts", 2.5, "whole number"),
        ("date", "3.11.2025", "year-month-day"),
        ("makes", "=3+1", "formula"),
        ("player", None, "needed in every row"),
        ("minutes", "six", "digits"),
    ],
)
def test_values_pasted_over_the_limits_are_caught(tmp_path, blank, column, value, rule):
    rows = [PRACTICE_ROWS[0], {**PRACTICE_ROWS[0], "player": "P02", column: value}]
    problems = told(fill(blank, tmp_path / "w.xlsx", {**FILLED, "practice": rows}))
    assert [(p["sheet"], p["row"], p["column"]) for p in problems] == [("practice", 4, column)]
    assert rule in problems[0]["rule"]


def test_text_numbers_and_spelled_levels_are_read(tmp_path, blank):
    row = {**PRACTICE_ROWS[0], "attempts": "10", "contest": "Front and trailing", "rotation": True}
    found = read_workbook(fill(blank, tmp_path / "w.xlsx", {"practice": [row]}))
    practice = found.records.practice
    assert practice.loc[0, ["attempts", "contest", "rotation"]].tolist() == [
        10, "front_and_trailing", "yes",
    ]  # fmt: skip
    assert any("numbers as text" in p.rule for p in found.records.problems)


def test_season_limits_are_passed_on(tmp_path, blank):
    path = fill(blank, tmp_path / "w.xlsx", {"practice": PRACTICE_ROWS[:1]})
    assert "season ends" in told(path, season_end=DAY - datetime.timedelta(days=1))[0]["rule"]


def test_a_broken_sheet_is_not_passed_over(tmp_path, blank):
    path = fill(blank, tmp_path / "w.xlsx", {"practice": PRACTICE_ROWS[:1]})
    book = openpyxl.load_workbook(path)
    book["games"].delete_rows(1, 5)
    book.save(path)
    assert [(p["sheet"], p["rule"]) for p in told(path)] == [("games", "the sheet is empty")]


def test_other_workbooks_are_refused_in_words(tmp_path):
    frame = pd.DataFrame({"a": [1]})
    frame.to_excel(tmp_path / "o.xlsx", index=False)
    with pytest.raises(RecordsError, match="no sheet named practice"):
        read_workbook(tmp_path / "o.xlsx")
    with pytest.raises(RecordsError, match="cannot be opened"):
        read_workbook(tmp_path / "absent.xlsx")


def test_records_that_hold_rows_are_kept(tmp_path):
    sheets = {"games": pd.DataFrame({"date": ["2025-11-03"], "game": ["G1"], "player": ["P1"]})}
    template = put(tmp_path, "games.csv", "date,game,player\n")
    write_tables(sheets, tmp_path)
    once = template.read_bytes()
    write_tables(sheets, tmp_path)  # the same rows again
    other = {"games": sheets["games"].assign(player="P2")}
    with pytest.raises(StorageError, match=r"games\.csv"):
        write_tables(other, tmp_path)
    assert template.read_bytes() == once
    write_tables(other, tmp_path, replace=True)
    assert b"P2" in template.read_bytes()


def test_a_roster_can_stand_in_the_workbook_already(tmp_path):
    roster = pd.DataFrame({"player": ["P01", "=1+1"], "hand": ["left", None]})
    data = new_workbook(rows=1, filled={"roster": roster})
    sheet = openpyxl.load_workbook(io.BytesIO(data))["roster"]
    assert [sheet["B3"].value, sheet["B4"].value] == ["P01", "'=1+1"]
    assert {sheet[k].data_type for k in ("B3", "B4")} == {"s"}
    assert not sheet["B3"].protection.locked
    path = fill(data, tmp_path / "w.xlsx", {"practice": PRACTICE_ROWS[:1]})
    assert sorted(read_workbook(path).records.roster["player"]) == ["=1+1", "P01"]


@pytest.mark.parametrize(
    "wrong", [{"rows": 0}, {"rows": 10**6}, {"form": "shots"}, {"filled": {"players": None}}]
)
def test_wrong_arguments(wrong):
    with pytest.raises(ArgumentError):
        new_workbook(**wrong)


def test_control_characters_are_refused():
    with pytest.raises(RecordsError, match="control characters"):
        new_workbook(rows=1, filled={"roster": pd.DataFrame({"player": ["P\x01"]})})


@pytest.mark.needs("office")
def test_libreoffice_keeps_limits_and_rows(tmp_path, blank):
    """Another program opens, saves and changes nothing that the checks or the typist need."""
    office = shutil.which("soffice") or shutil.which("libreoffice")
    path = fill(blank, tmp_path / "w.xlsx", FILLED)
    subprocess.run(
        [office, "--headless", f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}",
         "--convert-to", "xlsx:Calc MS Excel 2007 XML", "--outdir", tmp_path / "saved", path],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    saved = tmp_path / "saved" / "w.xlsx"
    before, after = read_workbook(path), read_workbook(saved)
    assert after.records.data_hash == before.records.data_hash
    assert list(after.sheets) == list(before.sheets)
    for name, sheet in before.sheets.items():
        pd.testing.assert_frame_equal(after.sheets[name], sheet)
    sheet = openpyxl.load_workbook(saved)["practice"]
    assert sheet.protection.sheet
    lists = {v.formula1 for v in sheet.data_validations.dataValidation if v.type == "list"}
    assert '"none,light,trailing,front,front_and_trailing,unknown"' in lists
    assert any("roster" in formula for formula in lists)
    custom = [v.formula1 for v in sheet.data_validations.dataValidation if v.type == "custom"]
    assert any("ISNUMBER(I3)" in formula for formula in custom)
