"""Workbooks made to harm, or merely broken, end in a refusal with a reason, never in a crash."""

from __future__ import annotations

import contextlib
import io
import time
import zipfile

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from records_samples import refused
from workbook_samples import FILLED, fill, part, repack

from transfer.errors import RecordsError
from transfer.records import limits
from transfer.records.reading import read_records
from transfer.records.workbook_guard import refusal_of
from transfer.records.workbook_new import new_workbook
from transfer.records.workbook_read import read_workbook

SHEET = "xl/worksheets/sheet1.xml"
RELS = "xl/_rels/workbook.xml.rels"
RELATION = (
    '<?xml version="1.0"?><Relationships '
    'xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
    '<Relationship Id="r1" Type="http://schemas.openxmlformats.org/officeDocument/2006/'
    'relationships/{kind}" Target="{target}" TargetMode="External"/></Relationships>'
)
HEAD = "date,game,player,attempts,makes".split(",")  # noqa: SIM905


def games(*rows):
    """Bytes of a small workbook of games."""
    book = openpyxl.Workbook()
    book.active.title = "games"
    book.active.append(HEAD)
    for row in rows:
        book.active.append(row)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


@pytest.fixture(scope="module")
def plain():
    return games(["2025-11-03", "G1", "P1", 3, 1])


def put(folder, data):
    path = folder / "g.xlsx"
    path.write_bytes(data)
    return path


def rule(folder, data):
    """The one rule that refuses these bytes."""
    table = refused(games=put(folder, data))
    assert len(table) == 1
    return table["rule"][0]


def test_own_and_foreign_workbooks_pass(plain):
    assert refusal_of(plain) is None
    assert refusal_of(new_workbook(rows=3)) is None


def test_a_zip_bomb_is_refused_unopened(tmp_path, plain, monkeypatch):
    bomb = repack(plain, {"xl/sharedStrings.xml": b"<sst>" + b" " * (64 << 20) + b"</sst>"})
    assert len(bomb) < 100_000

    def opened(*_, **__):
        raise AssertionError("the workbook was opened")

    monkeypatch.setattr(openpyxl, "load_workbook", opened)
    assert "times its packed size" in rule(tmp_path, bomb)


def test_too_much_in_many_parts_is_refused(tmp_path, plain, monkeypatch):
    monkeypatch.setattr(limits, "WORKBOOK_BYTES", len(plain))
    assert "unpacks to at most" in rule(tmp_path, plain)
    monkeypatch.undo()
    many = {f"xl/media/{i}.bin": b"" for i in range(limits.WORKBOOK_PARTS)}
    assert "parts" in rule(tmp_path, repack(plain, many))


def test_a_false_size_cannot_get_round_the_limit(tmp_path, plain):
    """The archive states 100 bytes for a part that unpacks to more; it is read no further."""
    bomb = repack(plain, {SHEET: part(plain, SHEET) + b" " * 1_000_000})
    with zipfile.ZipFile(io.BytesIO(bomb)) as archive:
        size = archive.getinfo(SHEET).file_size
    lying = bomb.replace(size.to_bytes(4, "little"), (100).to_bytes(4, "little"))
    assert lying != bomb
    assert "not readable" in rule(tmp_path, lying)


@pytest.mark.parametrize(
    "name", ["xl/externalLinks/externalLink1.xml", "xl/connections.xml", "xl/embeddings/o.bin"]
)
def test_links_to_outside_are_refused(tmp_path, plain, name):
    assert "no links" in rule(tmp_path, repack(plain, {name: b"<a/>"}))


@pytest.mark.parametrize("kind", ["image", "externalLinkPath", "oleObject", "attachedTemplate"])
def test_relations_to_outside_are_refused(tmp_path, plain, kind):
    relation = RELATION.format(kind=kind, target="file:///etc/hosts").encode()
    data = repack(plain, {"xl/worksheets/_rels/sheet1.xml.rels": relation})
    table = refused(games=put(tmp_path, data))
    assert "no links" in table["rule"][0]
    assert table["value"][0] == "file:///etc/hosts"


def test_an_address_behind_a_text_passes(tmp_path, plain):
    relation = RELATION.format(kind="hyperlink", target="https://example.org").encode()
    data = repack(plain, {"xl/worksheets/_rels/sheet1.xml.rels": relation})
    assert read_records(games=put(tmp_path, data)).games["makes"].sum() == 1


ENTITIES = '<!DOCTYPE a [<!ENTITY x "yyyyyyyyyy"><!ENTITY z "&x;&x;&x;&x;&x;&x;&x;&x;">]>'


@pytest.mark.parametrize("encoding", ["utf-8", "utf-16", "latin-1", "cp1252"])
@pytest.mark.parametrize("name", [SHEET, "xl/workbook.xml", RELS])
def test_document_types_are_refused_in_every_encoding(tmp_path, plain, encoding, name):
    text = f'<?xml version="1.0" encoding="{encoding}"?><!-- c -->{ENTITIES}<a>&z;</a>'
    data = repack(plain, {name: text.encode(encoding)})
    assert "no document type" in rule(tmp_path, data)


def test_an_encoding_that_hides_the_document_type_is_unreadable_as_a_whole(tmp_path, plain):
    text = f'<?xml version="1.0" encoding="cp037"?>{ENTITIES}<a>&z;</a>'
    assert "not readable" in rule(tmp_path, repack(plain, {SHEET: text.encode("cp037")}))


def test_a_word_about_document_types_in_a_cell_passes(tmp_path):
    data = games(["2025-11-03", "<!DOCTYPE a>", "P1", 3, 1])
    assert read_records(games=put(tmp_path, data)).games["game"].tolist() == ["<!DOCTYPE a>"]


@pytest.mark.parametrize("at", [b'<row r="99999999999"', b'<row r="2000000"'])
def test_a_far_row_does_not_run_for_ever(tmp_path, plain, at):
    sheet = part(plain, SHEET).replace(b'<row r="2"', at)
    start = time.perf_counter()
    assert "not readable" in rule(tmp_path, repack(plain, {SHEET: sheet}))
    assert time.perf_counter() - start < 60.0


def test_a_day_number_beyond_the_calendar_is_a_problem(tmp_path):
    book = openpyxl.load_workbook(io.BytesIO(games(["2025-11-03", "G1", "P1", 3, 1])))
    book.active["A2"] = 10**9
    book.active["A2"].number_format = "yyyy-mm-dd"
    book.save(tmp_path / "g.xlsx")
    table = refused(games=tmp_path / "g.xlsx")
    assert table[["row", "column"]].to_numpy().tolist() == [[2, "date"]]
    assert "spreadsheet error" in table["rule"][0]


def test_wide_rows_do_not_fill_the_memory(tmp_path, plain, monkeypatch):
    monkeypatch.setattr(limits, "WORKBOOK_CELLS", 50_000)
    row = b'<row r="%d"><c r="XFD%d"><v>1</v></c></row>'
    rows = b"".join(row % (i, i) for i in range(3, 9))
    sheet = part(plain, SHEET).replace(b"</sheetData>", rows + b"</sheetData>")
    assert "not readable" in rule(tmp_path, repack(plain, {SHEET: sheet}))


def test_a_password_is_said(tmp_path, plain):
    data = bytearray(plain)
    for mark, offset in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = data.find(mark)
        while at >= 0:
            data[at + offset] |= 1
            at = data.find(mark, at + 4)
    assert "password" in rule(tmp_path, bytes(data))


def survives(path):
    """Both ways of reading end in a result or in problems with rule and next step."""
    for read in (lambda: read_workbook(path), lambda: read_records(path, path)):
        refusal = None
        try:
            read()
        except RecordsError as error:
            refusal = error
        if refusal is not None:
            assert refusal.next_step
            assert all(p["rule"] and p["next_step"] for p in refusal.problems)


QUICK = {"deadline": None, "suppress_health_check": list(HealthCheck)}


@settings(max_examples=15, **QUICK)
@given(st.floats(0, 0.999))
def test_truncated_workbooks(tmp_path, share):
    data = games(["2025-11-03", "G1", "P1", 3, 1])
    survives(put(tmp_path, data[: int(share * len(data))]))


@settings(max_examples=25, **QUICK)
@given(st.binary(max_size=300), st.booleans())
def test_random_bytes(tmp_path, junk, as_zip):
    survives(put(tmp_path, b"PK\x03\x04" + junk if as_zip else junk))


@settings(max_examples=25, **QUICK)
@given(
    st.sampled_from([SHEET, RELS, "xl/workbook.xml", "xl/styles.xml", "[Content_Types].xml"]),
    st.lists(st.tuples(st.floats(0, 0.999), st.binary(max_size=3)), min_size=1, max_size=4),
)
def test_changed_parts(tmp_path, name, changes):
    data = games(["2025-11-03", "G1", "P1", 3, 1])
    content = bytearray(part(data, name))
    for where, piece in changes:
        at = int(where * len(content))
        content[at : at + 2] = piece
    survives(put(tmp_path, repack(data, {name: bytes(content)})))


cells = st.one_of(
    st.none(), st.booleans(), st.integers(-(10**18), 10**18),
    st.floats(allow_nan=False, allow_infinity=False), st.dates(), st.times(), st.timedeltas(),
    st.datetimes(),
    st.text(st.characters(min_codepoint=32, exclude_categories=["Cs"]), max_size=12),
    st.sampled_from(["=1/0", "#REF!", "=cmd|' /C calc'!A0", "'", "1e999", "٣", "2025-11-03"]),
)  # fmt: skip


@settings(max_examples=40, **QUICK)
@given(st.lists(st.lists(cells, max_size=7), min_size=1, max_size=4))
def test_random_cells(tmp_path, rows):
    with contextlib.suppress(openpyxl.utils.exceptions.IllegalCharacterError):
        survives(put(tmp_path, games(*rows)))


@pytest.fixture(scope="module")
def filled(tmp_path_factory):
    path = tmp_path_factory.mktemp("w") / "w.xlsx"
    return fill(new_workbook(rows=3), path, FILLED).read_bytes()


@settings(max_examples=12, **QUICK)
@given(st.lists(st.tuples(st.floats(0, 0.999), st.integers(0, 255)), min_size=1, max_size=6))
def test_changed_bytes_of_a_record_workbook(tmp_path, filled, changes):
    data = bytearray(filled)
    for where, byte in changes:
        data[int(where * len(data))] = byte
    survives(put(tmp_path, bytes(data)))
