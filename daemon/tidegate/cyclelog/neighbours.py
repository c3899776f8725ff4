"""The files beside a file of the cycle log, and whether one goes on from another.

The run row that begins a file carries the last link of the file before. A damaged
file that was set aside may be unreadable to its end; then the file that follows says
in a gap row, which its own links cover, that this happened.
"""

from __future__ import annotations

import re
import sqlite3
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tidegate.cyclelog import schema
from tidegate.cyclelog.disk import (
    aside_files,
    last_readable,
    opened_to_read,
    past_files,
    past_named,
    read_tail,
)
from tidegate.cyclelog.fault import Fault
from tidegate.cyclelog.walk import text_of
from tidegate.errors import LogError

_SET_ASIDE: Final = ("damaged", "newer_schema")


@dataclass(frozen=True, slots=True, kw_only=True)
class Begin:
    """How a file begins: the id of its first row, and what its first run row says.

    ``run`` is the id of that row, ``None`` without any. ``lost`` is why the file
    before could not be used, by the log's own words.
    """

    first_id: int
    run: int | None
    prev_link: str
    machine: str
    lost: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """How a file ends, and which machine began it; ``year`` is by its first links."""

    path: Path
    last_id: int
    link: str
    machine: str
    year: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Beside:
    """Past files, oldest first; those by name that nothing is read from; set aside."""

    past: tuple[End, ...]
    unreadable: tuple[Path, ...]
    aside: tuple[Path, ...]


def beside(path: Path) -> Beside:
    """Return what lies beside a file of the log."""
    readable = past_files(path)
    ends = [(file, _end_of(file)) for file in readable]
    broken = {file for file, end in ends if end is None}
    broken |= set(past_named(path)) - set(readable)
    return Beside(
        past=tuple(end for _, end in ends if end is not None),
        unreadable=tuple(sorted(broken)),
        aside=tuple(aside_files(path)),
    )


def begin_of(connection: sqlite3.Connection) -> Begin | None:
    """Return how an open file begins, ``None`` while it has no link."""
    (link_id,) = connection.execute('SELECT min("id") FROM "link"').fetchone()
    if link_id is None:
        return None
    run = connection.execute(
        'SELECT "id", "prev_link", "machine" FROM "run" ORDER BY "id" LIMIT 1'
    ).fetchone()
    lost = connection.execute(
        'SELECT "why" FROM "gap" WHERE "id" < ? AND "station" = \'\' '
        "AND \"why\" IN ('damaged', 'newer_schema', 'removed')",
        (link_id,),
    ).fetchone()
    firsts = (
        connection.execute(f'SELECT min("id") FROM "{name}"').fetchone()[0]
        for name in schema.TABLES
    )
    return Begin(
        first_id=min(row_id for row_id in firsts if row_id is not None),
        run=run[0] if run else None,
        prev_link=run[1] if run else "",
        machine=run[2] if run else "",
        lost=lost[0] if lost else None,
    )


def tie(
    begin: Begin | None, path: Path, before: End | None, aside: tuple[Path, ...]
) -> Fault | str | None:
    """Return a fault when a file does not go on from the one before it.

    A sentence is returned where that cannot be known, ``None`` where it does. For the
    oldest file there is nothing ``before``: what it follows may have been put away.
    """
    if begin is None:
        return None
    tails = [tail for tail in map(last_readable, aside) if tail.number]
    ends = {tail.link for tail in tails} | ({before.link} if before else set())
    if begin.prev_link in ends:
        return None
    if begin.lost in _SET_ASIDE and aside:
        return (
            f"{path.name} follows a file that was set aside ({begin.lost}): whether it "
            "is one of those here, and was whole, cannot be known."
        )
    if before is None:
        return _beginning(begin, path)
    return _torn(begin, path, before)


def _beginning(begin: Begin, path: Path) -> str | None:
    if not begin.prev_link and begin.lost is None:
        return None
    link = f", with the last link {begin.prev_link}" if begin.prev_link else ""
    return f"{path.name} follows a file that is not here{_why_gone(begin)}{link}."


def _why_gone(begin: Begin) -> str:
    if begin.lost in _SET_ASIDE:
        return f" (it was set aside: {begin.lost})"
    return " (it was removed while the daemon ran)" if begin.lost else ""


def _torn(begin: Begin, path: Path, before: End) -> Fault:
    row, one, other = begin.run or begin.first_id, before.path.name, path.name
    if begin.machine and before.machine and begin.machine != before.machine:
        return Fault(row, "swapped", f"{one} and {other} are of different machines")
    if not begin.prev_link and begin.lost is None:
        what = f"{other} begins a log, it does not go on from {one}"
        return Fault(row, "swapped", what)
    if before.last_id + 1 >= begin.first_id:
        what = f"{other} goes on from another file than {one}"
        return Fault(row, "swapped", what)
    what = (
        f"{one} ends at row {before.last_id} and {other} begins at row "
        f"{begin.first_id}: the end of the one was cut off, or a file between them is "
        f"not here{_why_gone(begin)}"
    )
    return Fault(row, "missing", what)


def misnamed(end: End, path: Path) -> Fault | None:
    """Return a fault when a past file has the name of another year than its own."""
    named = re.match(rf"{re.escape(path.stem)}-(\d{{4}}|undated)", end.path.name)
    own = str(end.year or "undated")
    if named is None or named[1] == own:
        return None
    what = f"{end.path.name} holds the rows of {own}"
    return Fault(end.last_id, "swapped", what)


def _end_of(path: Path) -> End | None:
    try:
        with opened_to_read(path) as connection:
            tail = read_tail(connection)
            connection.text_factory = text_of
            run = connection.execute(
                'SELECT "machine" FROM "run" ORDER BY "id" DESC LIMIT 1'
            ).fetchone()
    except (LogError, sqlite3.Error):
        return None  # it is named as one that nothing is read from
    return End(
        path=path,
        last_id=tail.last_id,
        link=tail.link,
        machine=str(run[0]) if run else "",
        year=tail.year,
    )
