"""The data dictionary: one JSON Schema (draft 2020-12) per record table, made from the specs.

``python -m transfer.records.dictionary FOLDER`` writes ``practice.schema.json`` and so on. A
schema describes one row as an object; blank cells are left out of the object.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from transfer.files import write_text
from transfer.records.schema import TABLES, Column, Table

__all__ = ["row_schema", "schema_text", "write_dictionary"]

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
        "properties": {c.name: _property(c) for c in table.columns},
        "required": [c.name for c in table.columns if c.required == "yes"],
        "x-row-key": list(table.key),
    }
    counts = [c.name for c in table.columns if c.required == "counts"]
    flags = [c.name for c in table.columns if c.required == "attempt"]
    if counts:
        schema["oneOf"] = [{"required": counts}, {"required": flags}]
    return schema


def schema_text(table: Table) -> str:
    """The schema as the text of its file."""
    return json.dumps(row_schema(table), indent=2, ensure_ascii=False) + "\n"


def write_dictionary(folder: Path | str) -> list[Path]:
    """Write one ``NAME.schema.json`` per table.

    Parameters
    ----------
    folder : path
        Where the files shall be.

    Returns
    -------
    list of Path

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
