"""Parquet, a file a table, by way of CSV and DuckDB.

DuckDB reads each table's CSV with every type given, writes it and forgets it; nothing
is guessed, fetched or installed. Quantities are decimals of 19 digits, so that each
number that the log can hold stays what it is; a double could only come near.
"""

from __future__ import annotations

import importlib
import json
from pathlib import Path
from typing import Any, Final

from tidegate.cyclelog.export.columns import Column, Exported, Kind
from tidegate.cyclelog.export.documents import origin, tabular
from tidegate.cyclelog.export.lines import write_csv, write_document
from tidegate.cyclelog.export.source import Progress, Source, Tally
from tidegate.cyclelog.export.target import (
    put_folder,
    refuse_folder,
    refuse_log,
    staged,
)
from tidegate.errors import LogError, Unsupported

SCHEMA: Final = "schema.json"
_MEMORY: Final = "256MB"
# A raw text is at most 4 KiB, but whoever writes into a log need not know that.
_LINE_BYTES: Final = 64 << 20
# A group is held in memory until it is full; a station-year makes seven of these.
_GROUP_ROWS: Final = 20_480
# 2^63 has 19 digits.
_DIGITS: Final = 19
_TYPES: Final[dict[Kind, str]] = {
    "whole": "BIGINT",
    "truth": "BOOLEAN",
    "text": "VARCHAR",
    "time": "TIMESTAMPTZ",
}


def parquet_folder(
    source: Source, path: Path, *, force: bool = False, progress: Progress | None = None
) -> Tally:
    """Write a folder with a Parquet file a table and their schema; return what it came
    to.

    Errors: Unsupported without DuckDB, LogError, TargetTaken.
    """
    duckdb = _duckdb()
    names = [f"{table.name}.parquet" for table in source.tables]
    refuse_log([path], source.log.last.path)
    refuse_folder(path, [*names, SCHEMA], force=force)
    with staged(path) as work:
        texts, folder = work / "csv", work / path.name
        texts.mkdir()
        folder.mkdir()
        tally = write_csv(source, texts, progress)
        known = json.dumps(origin(source, tally))
        try:
            with duckdb.connect(":memory:", config=_limits(work)) as connection:
                for table in source.tables:
                    statement = _statement(table, texts, folder, known)
                    found = connection.execute(statement).fetchone()[0]
                    _refuse_less(table, found, tally.rows[table.name])
                    (texts / f"{table.name}.csv").unlink()
        except duckdb.Error as error:
            raise LogError(
                f"the export to {path} was given up, nothing of it is left: {error}",
                remedy="Free some space, or name another place with --to.",
            ) from error
        write_document(tabular(source, tally, end=".parquet"), folder / SCHEMA)
        put_folder(folder, path)
    return tally


def _duckdb() -> Any:
    try:
        return importlib.import_module("duckdb")
    except ImportError as error:
        raise Unsupported(
            "Parquet needs DuckDB, which is not installed",
            target="log export",
            remedy="Install it: pip install 'tidegate[report]'",
        ) from error


def _refuse_less(table: Exported, found: int, wanted: int) -> None:
    """Believe no reader of CSV, not even this one, that it found every row."""
    if found != wanted:
        raise LogError(
            f"DuckDB took {found} of the {wanted} rows of {table.name}",
            remedy="Export to csv, and report it with the version of DuckDB.",
        )


def _limits(work: Path) -> dict[str, Any]:
    return {
        "autoinstall_known_extensions": False,
        "autoload_known_extensions": False,
        "memory_limit": _MEMORY,
        "temp_directory": str(work / "spill"),
        "threads": 1,
    }


def _statement(table: Exported, texts: Path, folder: Path, known: str) -> str:
    types = ", ".join(f"{_text(c.name)}: {_text(_typed(c))}" for c in table.columns)
    return (
        f"COPY (SELECT * FROM read_csv({_text(str(texts / table.name))} || '.csv', "
        f"columns = {{{types}}}, auto_detect = false, header = true, delim = ',', "
        "quote = '\"', escape = '\"', nullstr = '', "
        "allow_quoted_nulls = false, strict_mode = true, parallel = false, "
        f"max_line_size = {_LINE_BYTES})) "
        f"TO {_text(str(folder / table.name) + '.parquet')} "
        "(FORMAT parquet, COMPRESSION zstd, PARQUET_VERSION v2, "
        f"ROW_GROUP_SIZE {_GROUP_ROWS}, "
        f"KV_METADATA {{tidegate: {_text(known)}}})"
    )


def _typed(column: Column) -> str:
    if column.kind == "decimal":
        return f"DECIMAL({_DIGITS}, {column.decimals})"
    return _TYPES[column.kind]


def _text(text: str) -> str:
    return "'" + text.replace("'", "''") + "'"
