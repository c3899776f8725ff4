"""The schema file beside an export: tables, columns, types, units, and its origin.

For CSV it is "Metadata Vocabulary for Tabular Data" (W3C Recommendation, 17 December
2015, "CSV on the Web"); for JSON Lines a JSON Schema of one line (draft 2020-12); for
Parquet the same description as for CSV, since W3C's vocabulary is of tables, too.
"""

from __future__ import annotations

import json
from typing import Any, Final

from tidegate import __version__
from tidegate.clock import rfc3339
from tidegate.cyclelog.export import meaning
from tidegate.cyclelog.export.columns import Column, Exported, Kind
from tidegate.cyclelog.export.source import Source, Tally

CSVW: Final = "http://www.w3.org/ns/csvw"
JSON_SCHEMA: Final = "https://json-schema.org/draft/2020-12/schema"

_TABULAR: Final[dict[Kind, Any]] = {
    "whole": "long",
    "decimal": "decimal",
    "truth": {"base": "boolean", "format": "true|false"},
    "text": "string",
    "time": "dateTimeStamp",
}
_JSON: Final[dict[Kind, dict[str, Any]]] = {
    "whole": {"type": "integer"},
    "decimal": {"type": "number"},
    "truth": {"type": "boolean"},
    "text": {"type": "string"},
    "time": {"type": "string", "format": "date-time"},
}
_EMPTY: Final = (
    "An empty cell is null. Where a text may be null, one that is there and empty is "
    'written as "" in quotes; other texts may be empty, and are never null.'
)
_AS_LOGGED: Final = (
    "Texts stand as they were logged, whatever they say: have a spreadsheet take them "
    "as text, not as formulas."
)


def origin(source: Source, tally: Tally) -> dict[str, Any]:
    """Return where an export comes from: program, log, its head, what was selected and
    what that came to.
    """
    chosen, head = source.selection, source.log.head
    return {
        "tidegate_version": __version__,
        "schema_version": source.log.last.version,
        "files": [reader.path.name for reader in source.log.readers],
        "head": {"link": head.link, "number": head.number, "row": head.last_id}
        if head.number
        else None,
        "station": chosen.station,
        "since": _at(chosen.since_ms),
        "until": _at(chosen.until_ms),
        "rows": dict(tally.rows),
        "span": {
            "first_row": tally.first_id,
            "last_row": tally.last_id,
            "begin": _at(tally.begin_ms),
            "end": _at(tally.end_ms),
        },
    }


def _at(wall_ms: int | None) -> str | None:
    """Return a time as RFC 3339, ``None`` for what no calendar has."""
    try:
        return None if wall_ms is None else rfc3339(wall_ms)
    except (ValueError, OverflowError):
        return None


def tabular(source: Source, tally: Tally, *, end: str) -> dict[str, Any]:
    """Return the metadata of a folder with a file a table, whose names have this end.

    Source: W3C, Metadata Vocabulary for Tabular Data, sections 5.3 to 5.6.
    """
    comments = [meaning.RUNS]
    if end == ".csv":
        comments += [_EMPTY, _AS_LOGGED]
    return {
        "@context": [CSVW, {"@language": "en"}],
        "dc:title": "tidegate cycle log",
        "dc:description": " ".join(comments),
        "notes": [origin(source, tally)],
        "tables": [
            {
                "url": table.name + end,
                "dc:description": table.meaning,
                "tableSchema": {
                    "columns": [
                        {**_tabular_column(each), **_null(each, end)}
                        for each in table.columns
                    ],
                    "primaryKey": "id",
                },
            }
            for table in source.tables
        ],
    }


def _tabular_column(column: Column) -> dict[str, Any]:
    unit = {"schema:unitText": column.unit} if column.unit else {}
    return {
        "name": column.name,
        "titles": column.name,
        "dc:description": column.meaning,
        "datatype": _words(column) or _TABULAR[column.kind],
        **unit,
        "required": not column.nullable,
    }


def _null(column: Column, end: str) -> dict[str, Any]:
    """Return which cells are null. Parquet knows; by the vocabulary's default an empty
    cell of CSV is, also where an empty text is meant.
    """
    if end != ".csv":
        return {}
    return {"null": "" if column.nullable else []}


def _words(column: Column) -> dict[str, Any] | None:
    if not column.words:
        return None
    return {"base": "string", "format": "|".join(column.words)}


def of_lines(source: Source, tally: Tally) -> dict[str, Any]:
    """Return the schema of one line of JSON: which table, then its columns.

    Source: JSON Schema, draft 2020-12, Core and Validation.
    """
    return {
        "$schema": JSON_SCHEMA,
        "title": "tidegate cycle log, one row a line",
        "description": meaning.RUNS,
        "$comment": json.dumps(origin(source, tally)),
        "type": "object",
        "required": ["table", "id"],
        "oneOf": [{"$ref": f"#/$defs/{table.name}"} for table in source.tables],
        "$defs": {table.name: _of_table(table) for table in source.tables},
    }


def _of_table(table: Exported) -> dict[str, Any]:
    columns = {column.name: _json_column(column) for column in table.columns}
    return {
        "title": table.name,
        "description": table.meaning,
        "properties": {"table": {"const": table.name}, **columns},
        "required": ["table", *columns],
        "additionalProperties": False,
    }


def _json_column(column: Column) -> dict[str, Any]:
    said = {"description": column.meaning}
    if column.unit:
        said["description"] += f" Unit: {column.unit}."
    typed = _JSON[column.kind]
    if column.words:
        typed = {"enum": [*column.words, *([None] if column.nullable else [])]}
    elif column.nullable:
        typed = {**typed, "type": [typed["type"], "null"]}
    return {**said, **typed}
