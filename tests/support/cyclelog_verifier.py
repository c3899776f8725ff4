"""Verifies a cycle log with nothing but the standard library.

Written from the canonical form in DEVELOPERS.md and sharing no code with tidegate, as
an auditor would write it. Run it with the files of a log, oldest first; it prints one
line and exits 0 when every link is that of its rows and each file goes on from the
one before.
"""

from __future__ import annotations

import hashlib
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

SCHEMA_1 = "02455cbfe75609d5e5d2921166a8063cef9f451a149526cc478dd5606a1cc591"
WANTED = {"application_id": 0x74696465, "user_version": 1, "encoding": "UTF-8"}


def line(row_id: int, table: str, cells: list[object]) -> str:
    """The line of a row: tab-parted, null as \\N, four escapes."""
    out = [str(row_id), table]
    for cell in cells:
        text = "\\N" if cell is None else str(cell)
        if isinstance(cell, str):
            for plain, escaped in zip("\\\t\n\r", "\\tnr", strict=True):
                text = text.replace(plain, "\\" + escaped)
        out.append(text)
    return "\t".join(out)


def digest(lines: list[str]) -> str:
    return hashlib.sha256("".join(f"{each}\n" for each in lines).encode()).hexdigest()


def all_rows(path: Path) -> list[tuple[int, str, list[object]]]:
    """Every row of every table, in the order of the ids; raise if it is no log."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as database:
        for name, wanted in {**WANTED, "integrity_check": "ok"}.items():
            (found,) = database.execute(f"PRAGMA {name}").fetchone()
            if found != wanted:
                raise ValueError(f"no link can hold: {name} is {found}")
        schema = database.execute(
            "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY name"
        ).fetchall()
        if digest(["\t".join(map(str, each)) for each in schema]) != SCHEMA_1:
            raise ValueError("no link can hold: the schema is another")
        rows = [
            (row_id, table, cells)
            for _, table, _, _ in schema
            for row_id, *cells in database.execute(f'SELECT * FROM "{table}"')
        ]
    return sorted(rows, key=lambda row: row[0])


def links_of(path: Path) -> tuple[str | None, list[str]]:
    """Return the link that the file says it follows, and its own; raise on a fault."""
    links, since, follows, last_id = ["0" * 64], [], None, 0
    for row_id, table, cells in all_rows(path):
        if row_id <= last_id:
            raise ValueError(f"rows: {row_id} is below 1 or there twice")
        last_id = row_id
        if table == "run" and follows is None:
            follows = str(cells[8])
        if table != "link":
            since.append(line(row_id, table, cells))
            continue
        since.append(line(row_id, table, cells[:4]))
        if cells[2] != len(links) or cells[3] != len(since) - 1:
            raise ValueError(f"link {row_id}: rows or links are missing or too many")
        links.append(digest([links[-1], *since]))
        if links[-1] != cells[4].hex():  # type: ignore[attr-defined]
            raise ValueError(f"link {row_id} is not that of its rows")
        since = []
    if since:
        raise ValueError("rows follow the last link")
    return follows, links[1:]


def verify(*paths: Path) -> tuple[int, str]:
    """Return how many links the last file has, and its last; raise on a fault."""
    before = None
    for path in paths:
        follows, links = links_of(path)
        if before is not None and follows != before:
            raise ValueError(f"the first link of {path} follows another file")
        before = links[-1] if links else "0" * 64
    return len(links), before or ""


if __name__ == "__main__":
    try:
        count, head = verify(*map(Path, sys.argv[1:]))
    except (ValueError, sqlite3.Error) as error:
        sys.exit(str(error))
    print(f"{count} links, head {head}")  # noqa: T201
