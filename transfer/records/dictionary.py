"""The data dictionary, made from the specs: a JSON Schema per record table, and a page to read.

``python -m transfer.records.dictionary FOLDER`` writes ``practice.schema.json`` and so on (draft
2020-12). A schema describes one row as an object; blank cells are left out of the object.
"""

from __future__ import annotations

import json
import sys
import textwrap
from pathlib import Path
from typing import Any

from transfer.files import write_text
from transfer.records.schema import TABLES, Column, Table
from transfer.records.workbook_codes import meaning_of

__all__ = ["columns_text", "row_schema", "schema_text", "write_dictionary"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"
_TYPES: dict[str, dict[str, Any]] = {
    "text": {"type": "string", "minLength": 1},
    "date": {"type": "string", "format": "date", "pattern": r"^\d{4}-\d{2}-\d{2}$"},
    "level": {"type": "string"},
    "count": {"type": "integer"},
    "number": {"type": "number"},
    "flag": {"enum": [0, 1, True, False, "0", "1", "true", "false", "yes", "no"]},
}
_NEEDED = {
    "yes": "in every row",
    "or_drill": "in every row, or as the drill's default",
    "counts": "in every row, unless the table has one row per attempt",
    "attempt": "only in a table with one row per attempt",
    "no": "no",
}


def _property(column: Column) -> dict[str, Any]:
    """Schema of one cell."""
    spec: dict[str, Any] = {"description": column.meaning}
    spec |= _TYPES[column.type]
    if column.levels:
        spec["enum"] = list(column.levels)
    if column.low is not None:
        spec["minimum"] = column.low
    if column.high is not None:
        spec["maximum"] = column.high
    if column.unit:
        spec["x-unit"] = column.unit
    spec["x-required"] = _NEEDED[column.required]
    if column.example:
        spec["examples"] = [_typed(column)]
    return spec


def _typed(column: Column) -> str | int | float:
    """The example as a JSON value of the column's type."""
    if column.type in {"count", "flag"}:
        return int(column.example)
    if column.type == "number":
        return float(column.example)
    return column.example


def row_schema(table: Table) -> dict[str, Any]:
    """JSON Schema of one row of a table.

    Parameters
    ----------
    table : Table
        Spec from `transfer.records.schema`.

    Returns
    -------
    dict
        A draft 2020-12 schema. Levels that a drill may supply are not listed as required.
    """
    schema: dict[str, Any] = {
        "$schema": _DIALECT,
        "$id": f"urn:transfer:records:{table.name}",
        "title": table.name,
        "description": table.meaning,
        "type": "object",
        "properties": {column.name: _property(column) for column in table.columns},
        "required": [column.name for column in table.columns if column.required == "yes"],
        "x-row-key": list(table.key),
    }
    counts = [column.name for column in table.columns if column.required == "counts"]
    flags = [column.name for column in table.columns if column.required == "attempt"]
    if counts:
        schema["oneOf"] = [{"required": counts}, {"required": flags}]
    return schema


def schema_text(table: Table) -> str:
    """The schema as the text of its file."""
    return json.dumps(row_schema(table), indent=2, ensure_ascii=False) + "\n"


def columns_text() -> str:
    """Every column and level of every record file, as Markdown that reads well unrendered.

    Returns
    -------
    str
        Lines of at most 100 characters.
    """
    return "\n".join(
        [
            "# Columns of the record files",
            "",
            *_lines(
                "The files practice and games are needed, the others say more about players and "
                "drills. Keep the columns you chart and delete the rest; a cell stays blank where "
                "nothing was charted. Players are codes, never names."
            ),
            *(line for table in TABLES.values() for line in _table_lines(table)),
            "",
        ]
    )


def _table_lines(table: Table) -> list[str]:
    """One table: what a row is, what makes a row a duplicate, and its columns."""
    key = f"{table.meaning} A row that repeats {', '.join(table.key)} is taken for entered twice."
    lines = ["", f"## {table.name}", "", *_lines(key), ""]
    for column in table.columns:
        lines += _lines(f"- **{column.name}**: {_column_words(column)}", "  ")
        for level in column.levels:
            lines += _lines(f"  - `{level}`: {meaning_of(column, level)}", "    ")
    return lines


def _column_words(column: Column) -> str:
    """What a column holds, where it is needed, and what may stand in it."""
    needed = {"no": "Optional"}.get(column.required, f"Needed {_NEEDED[column.required]}")
    number = " ".join(part for part in (column.limits, column.unit) if part)
    parts = (column.meaning, needed, number, column.example and f"For example {column.example}")
    return " ".join(f"{part.rstrip('.')}." for part in parts if part)


def _lines(text: str, below: str = "") -> list[str]:
    """Text in lines of 100 characters, later ones indented."""
    return textwrap.wrap(
        text, 100, subsequent_indent=below, break_long_words=False, break_on_hyphens=False
    )


def write_dictionary(folder: Path | str) -> list[Path]:
    """Write one ``NAME.schema.json`` per table.

    Parameters
    ----------
    folder : path
        Where the files shall be.

    Raises
    ------
    StorageError
        When the folder cannot be written.
    """
    return [
        write_text(Path(folder) / f"{name}.schema.json", schema_text(table))
        for name, table in TABLES.items()
    ]


if __name__ == "__main__":
    for path in write_dictionary(sys.argv[1] if len(sys.argv) > 1 else "shared/schema"):
        print(path)
