"""CSV, a file a table, and JSON Lines, all rows in one file in the order of their ids.

Both are written row by row as the log is read, so their size is no matter.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, Final, TextIO

from tidegate.cyclelog.export.columns import Exported
from tidegate.cyclelog.export.documents import of_lines, tabular
from tidegate.cyclelog.export.source import Progress, Source, Tally
from tidegate.cyclelog.export.target import (
    put_files,
    put_folder,
    refuse_folder,
    refuse_log,
    refuse_taken,
    staged,
)

METADATA: Final = "csv-metadata.json"
_BUFFER_BYTES: Final = 1 << 18
_MUST_QUOTE: Final = frozenset(',"\r\n')
_escaped: Final = json.encoder.encode_basestring


def csv_folder(
    source: Source, path: Path, *, force: bool = False, progress: Progress | None = None
) -> Tally:
    """Write a folder with a CSV file a table and their metadata; return what it came to.

    RFC 4180: comma, CRLF, double quotes. Errors: LogError, TargetTaken.
    """
    names = [f"{table.name}.csv" for table in source.tables]
    refuse_log([path], source.log.last.path)
    refuse_folder(path, [*names, METADATA], force=force)
    with staged(path) as work:
        folder = work / path.name
        folder.mkdir()
        tally = write_csv(source, folder, progress)
        write_document(tabular(source, tally, end=".csv"), folder / METADATA)
        put_folder(folder, path)
    return tally


def write_csv(source: Source, folder: Path, progress: Progress | None = None) -> Tally:
    """Write a CSV file a table into a folder; return what it came to.

    Errors: LogError, OSError.
    """
    tally = source.tally()
    with ExitStack() as stack:
        put: dict[str, tuple[Callable[[str], Any], Sequence[bool]]] = {}
        for table in source.tables:
            file = stack.enter_context(_opened(folder / f"{table.name}.csv"))
            file.write(",".join(column.name for column in table.columns) + "\r\n")
            texts = [column.kind == "text" for column in table.columns]
            put[table.name] = (file.write, texts)
        for table, cells in source.rows(tally, progress):
            write, are_texts = put[table.name]
            write(csv_line(cells, are_texts))
    return tally


def csv_line(cells: Sequence[str | None], texts: Sequence[bool]) -> str:
    """Return a line; ``texts`` says which cells are texts and may need quotes.

    An empty text is quoted, so that it is not taken for null by readers that know the
    difference.
    """
    shown = [
        "" if cell is None else _quoted(cell) if is_text else cell
        for cell, is_text in zip(cells, texts, strict=True)
    ]
    return ",".join(shown) + "\r\n"


def _quoted(text: str) -> str:
    if text and _MUST_QUOTE.isdisjoint(text) and text[0] != " " != text[-1]:
        return text
    return '"' + text.replace('"', '""') + '"'


def schema_beside(path: Path) -> Path:
    """Return where the schema of a file of JSON Lines goes."""
    return path.with_name(f"{path.name}.schema.json")


def json_lines(
    source: Source, path: Path, *, force: bool = False, progress: Progress | None = None
) -> Tally:
    """Write a file of JSON Lines and its schema beside it; return what it came to.

    Errors: LogError, TargetTaken.
    """
    beside = schema_beside(path)
    refuse_log([beside, path], source.log.last.path)
    refuse_taken([beside, path], force=force)
    with staged(path) as work:
        with _opened(work / path.name) as file:
            tally = write_json(source, file, progress)
        write_document(of_lines(source, tally), work / beside.name)
        put_files(work, [beside, path])
    return tally


def write_json(source: Source, file: TextIO, progress: Progress | None = None) -> Tally:
    """Write the rows as JSON Lines to an open file; return what it came to.

    Errors: LogError, OSError.
    """
    made = {table.name: _json_line(table) for table in source.tables}
    tally = source.tally()
    for table, cells in source.rows(tally, progress):
        file.write(made[table.name](cells))
    return tally


def _json_line(table: Exported) -> Callable[[Sequence[str | None]], str]:
    # Numbers are written digit by digit, which no float in between would keep.
    parts = [
        (f", {_escaped(column.name)}: ", column.kind in ("text", "time"))
        for column in table.columns
    ]
    begin = f'{{"table": {_escaped(table.name)}'

    def line(cells: Sequence[str | None]) -> str:
        out = [begin]
        for (key, is_text), cell in zip(parts, cells, strict=True):
            out.append(key)
            if cell is None:
                out.append("null")
            else:
                out.append(_escaped(cell) if is_text else cell)
        out.append("}\n")
        return "".join(out)

    return line


def write_document(document: dict[str, Any], path: Path) -> None:
    """Write a schema file. Errors: OSError."""
    text = json.dumps(document, indent=2, ensure_ascii=False)
    path.write_text(text + "\n", encoding="utf-8")


def _opened(path: Path) -> TextIO:
    return path.open("w", encoding="utf-8", newline="", buffering=_BUFFER_BYTES)
