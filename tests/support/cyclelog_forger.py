"""Forges a cycle log so that its chain holds: rows edited, every link made anew.

Written from the canonical form in DEVELOPERS.md and sharing no code with tidegate, as
somebody would who owns the device and has read it too.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# Columns that name another row by its id.
REFERENCES = (("intent", "trigger"), ("outcome", "intent"), ("effect", "intent"))


@dataclass(eq=False)
class Forged:
    """A row to be edited in place: its table and its columns by name."""

    id: int
    table: str
    cells: dict[str, Any]

    def __getitem__(self, column: str) -> Any:
        return self.cells[column]

    def __setitem__(self, column: str, value: Any) -> None:
        assert column in self.cells, column
        assert self.cells[column] != value, f"{column} is {value!r} already"
        self.cells[column] = value

    def edit_json(self, column: str, **values: Any) -> None:
        """Set keys of a JSON column, which stays canonical; ``a__b`` is b in a."""
        data = json.loads(self[column])
        for path, value in values.items():
            *outer, name = path.split("__")
            place = data
            for key in outer:
                place = place[key]
            place[name] = value
        self[column] = json.dumps(
            data, sort_keys=True, separators=(",", ":"), ensure_ascii=False
        )


Rows = list[Forged]
Change = Callable[[Rows], object]


def forge(source: Path, to: Path, change: Change, *, relinks: bool = True) -> Path:
    """Copy a closed log and change it. ``relinks``: ids and links are made to fit.

    Without that only columns may change, and the chain breaks.
    """
    for path in source.parent.glob(source.name + "*"):
        shutil.copy(path, to.with_name(path.name.replace(source.name, to.name)))
    with closing(sqlite3.connect(to)) as database, database:
        rows = _read(database)
        known = [row.id for row in rows]
        change(rows)
        if relinks:
            rows = _relinked(rows)
        assert relinks or [row.id for row in rows] == known
        _write(database, rows)
    return to


def copied(row: Forged) -> Forged:
    """Return a row to insert, equal to this one. It is no one's trigger or intent."""
    return Forged(0, row.table, dict(row.cells))


def _read(database: sqlite3.Connection) -> Rows:
    rows = []
    for (table,) in database.execute("SELECT name FROM sqlite_schema").fetchall():
        cursor = database.execute(f'SELECT * FROM "{table}"')
        _, *columns = [each[0] for each in cursor.description]
        for row_id, *cells in cursor:
            named = dict(zip(columns, cells, strict=True))
            rows.append(Forged(row_id, table, named))
    return sorted(rows, key=lambda row: row.id)


def _write(database: sqlite3.Connection, rows: Rows) -> None:
    for (table,) in database.execute("SELECT name FROM sqlite_schema").fetchall():
        database.execute(f'DELETE FROM "{table}"')
    for row in rows:
        marks = ", ".join("?" * (1 + len(row.cells)))
        database.execute(
            f'INSERT INTO "{row.table}" VALUES ({marks})', (row.id, *row.cells.values())
        )


def _relinked(rows: Rows) -> Rows:
    """Give the rows ids without holes, and make every link anew."""
    rows = _without_empty_links(rows)
    renamed = {row.id: n for n, row in enumerate(rows, start=1) if row.id}
    for number, row in enumerate(rows, start=1):
        for table, column in REFERENCES:
            if row.table == table:
                old = row.cells[column]
                row.cells[column] = renamed.get(old, old)
        row.id = number
    before, since, count = "0" * 64, [], 0
    for row in rows:
        if row.table != "link":
            since.append(_line(row))
            continue
        count += 1
        row.cells |= {"number": count, "rows": len(since)}
        before = _digest([before, *since, _line(row)])
        row.cells["digest"] = bytes.fromhex(before)
        since = []
    assert not since, "rows follow the last link"
    return rows


def _without_empty_links(rows: Rows) -> Rows:
    kept: Rows = []
    for row in rows:
        if row.table == "link" and (not kept or kept[-1].table == "link"):
            continue
        kept.append(row)
    return kept


def _line(row: Forged) -> str:
    cells = [cell for name, cell in row.cells.items() if name != "digest"]
    if row.table == "link":
        assert "digest" in row.cells
    return "\t".join([str(row.id), row.table, *map(_cell, cells)])


def _cell(cell: object) -> str:
    if cell is None:
        return "\\N"
    if not isinstance(cell, str):
        return str(cell)
    for plain, escape in (("\\", "\\\\"), ("\t", "\\t"), ("\n", "\\n"), ("\r", "\\r")):
        cell = cell.replace(plain, escape)
    return cell


def _digest(lines: list[str]) -> str:
    return hashlib.sha256("".join(f"{each}\n" for each in lines).encode()).hexdigest()
