"""Verifies a cycle log with nothing but the standard library.

Written from the canonical form in DEVELOPERS.md and sharing no code with tidegate, as
an auditor would write it. Run it with the file's name; it prints one line and exits 0
when every link is that of its rows.
"""

from __future__ import annotations

import hashlib
import sqlite3
import sys
from pathlib import Path


def line(row_id: int, table: str, cells: list[object]) -> str:
    """The line of a row: tab-parted, null as \\N, four escapes."""
    out = [str(row_id), table]
    for cell in cells:
        if cell is None:
            out.append("\\N")
        elif isinstance(cell, int):
            out.append(str(cell))
        else:
            text = str(cell)
            for plain, escaped in (
                ("\\", "\\\\"),
                ("\t", "\\t"),
                ("\n", "\\n"),
                ("\r", "\\r"),
            ):
                text = text.replace(plain, escaped)
            out.append(text)
    return "\t".join(out)


def all_rows(path: Path) -> list[tuple[int, str, list[object]]]:
    """Every row of every table, in the order of the ids."""
    database = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    tables = database.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
    rows = []
    for (table,) in tables.fetchall():
        for row_id, *cells in database.execute(f'SELECT * FROM "{table}"'):
            rows.append((row_id, table, cells))
    database.close()
    return sorted(rows, key=lambda row: row[0])


def verify(path: Path) -> tuple[int, str]:
    """Return the number of links that hold and the last one; raise on a fault."""
    before, links, since = "0" * 64, 0, []
    for row_id, table, cells in all_rows(path):
        if table != "link":
            since.append(line(row_id, table, cells))
            continue
        boot_ms, wall_ms, number, rows, digest = cells
        since.append(line(row_id, table, [boot_ms, wall_ms, number, rows]))
        if number != links + 1 or rows != len(since) - 1:
            raise ValueError(f"link {row_id}: rows or links are missing or too many")
        text = "".join(each + "\n" for each in [before, *since])
        if hashlib.sha256(text.encode("utf-8")).digest() != digest:
            raise ValueError(f"link {row_id} is not that of its rows")
        before, links, since = digest.hex(), links + 1, []
    if since:
        raise ValueError("rows follow the last link")
    return links, before


if __name__ == "__main__":
    try:
        count, head = verify(Path(sys.argv[1]))
    except ValueError as error:
        sys.exit(str(error))
    print(f"{count} links, head {head}")  # noqa: T201
