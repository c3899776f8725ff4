"""Whether a file of the cycle log is still what its writer wrote.

Each link covers the rows since the link before, so a fault is known to lie between
two links; where more can be told (one link altered, two rows exchanged) it is. What
cannot be seen from the file alone: rows cut off at its end together with their links.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import combinations
from typing import Final

from tidegate.cyclelog import chain, neighbours, schema
from tidegate.cyclelog.disk import cause_of
from tidegate.cyclelog.fault import Fault
from tidegate.cyclelog.neighbours import Begin
from tidegate.cyclelog.reader import Reader
from tidegate.cyclelog.walk import Batch, Link, batches, text_of

Progress = Callable[[int], None]

# Exchanged rows are looked for in batches up to this many rows; beyond, they are
# reported as altered.
_PAIRS_UP_TO: Final = 200
_TOLD_EVERY: Final = 5_000


@dataclass(slots=True)
class Examined:
    """What one file came to. ``rows`` (without links) and ``links`` are those that
    are as written; ``last`` is the last such link, ``first`` the digest of the first.

    ``found`` are the links among them that were asked for.
    """

    fault: Fault | None = None
    rows: int = 0
    links: int = 0
    first: str = ""
    last: Link | None = None
    begin: Begin | None = None
    found: dict[str, Link] = field(default_factory=dict)


def check(reader: Reader) -> Fault | None:
    """Return the first fault of the file, ``None`` when it is whole.

    The files beside it must be those that it says it follows. Errors: LogError.
    """
    examined = examine(reader)
    if examined.fault is not None:
        return examined.fault
    beside = neighbours.beside(reader.path)
    before = beside.past[-1] if beside.past else None
    tie = neighbours.tie(examined.begin, reader.path, before, beside.aside)
    return tie if isinstance(tie, Fault) else None


def examine(
    reader: Reader,
    *,
    wanted: frozenset[str] = frozenset(),
    progress: Progress | None = None,
) -> Examined:
    """Check one file by itself, as it is at one moment.

    ``wanted`` are links to look out for; ``progress`` is told how many rows are done.
    Errors: LogError.
    """
    with reader.at_one_moment() as connection:
        connection.text_factory = text_of
        try:
            foreign = _foreign(connection, reader.version)
            if foreign is not None:
                return Examined(fault=foreign)
            walk = _Walk(wanted, progress)
            damage = _damage(connection)
            fault = walk.over(connection, schema.tables(reader.version))
            out = walk.examined
            out.fault = _explained(connection, reader.version, damage, fault, out)
            if out.fault is None:
                out.begin = neighbours.begin_of(connection)
        finally:
            connection.text_factory = str
    return out


def _foreign(connection: sqlite3.Connection, version: int) -> Fault | None:
    """Return a fault when the file is not built as a log of this version is.

    Whatever the links do not cover (a trigger, an index, a view in place of a table)
    may lie to a reader.
    """
    (encoding,) = connection.execute("PRAGMA encoding").fetchone()
    if encoding != "UTF-8":
        return Fault(None, "schema", f"its text is {encoding}, a log's is UTF-8")
    wanted = {table.name: table.create for table in schema.tables(version)}
    found = connection.execute(
        "SELECT type, name, tbl_name, sql FROM sqlite_schema ORDER BY rowid"
    ).fetchall()
    for kind, name, _, sql in found:
        if kind != "table" or name not in wanted:
            what = f"it has the {kind} {name}, which no log has"
            return Fault(None, "schema", what)
        if sql != wanted[name]:
            what = f"the table {name} is not defined as in a log of version {version}"
            return Fault(None, "schema", what)
    missing = sorted(wanted.keys() - {name for _, name, _, _ in found})
    if missing:
        return Fault(None, "schema", f"the table {missing[0]} is missing")
    return None


class _Walk:
    """One way through a file, from its first row to its first fault."""

    def __init__(self, wanted: frozenset[str], progress: Progress | None) -> None:
        self.examined = Examined()
        self._wanted = wanted
        self._progress = progress
        self._before = chain.START
        self._told = 0

    def over(
        self, connection: sqlite3.Connection, tables: tuple[schema.Table, ...]
    ) -> Fault | None:
        """Return the first fault. Errors: sqlite3.Error, damage excepted."""
        try:
            return self._first_fault(batches(connection, tables))
        except sqlite3.DatabaseError as error:
            if cause_of(error) != "damaged":
                raise
            return Fault(None, "damaged", str(error))

    def _first_fault(self, found: Iterator[Batch | Fault]) -> Fault | None:
        held: Batch | None = None
        for batch in found:
            if held is not None:
                following = batch if isinstance(batch, Batch) else None
                return _broken(held, self._before, following)
            if isinstance(batch, Fault):
                return batch
            fault = self._counted(batch)
            if fault is not None:
                return fault
            assert batch.link is not None
            if batch.digest_after(self._before) == batch.link.digest:
                self._pass(batch, batch.link)
            else:
                held = batch
        return None if held is None else _broken(held, self._before, None)

    def _counted(self, batch: Batch) -> Fault | None:
        link, number, count = batch.link, self.examined.links, len(batch.ids)
        if link is None:
            return Fault(batch.ids[0], "added", "rows follow the last link")
        if link.number != number + 1 and link.rows <= count:
            what = f"link {number + 1} is missing, next comes link {link.number}"
            return Fault(link.row, "missing", what)
        lost = link.rows - count
        if lost > 0:
            what = f"{lost} of {link.rows} rows are missing"
            return Fault(link.row, "missing", what)
        if lost < 0:
            what = f"{-lost} rows more than the link covers"
            return Fault(link.row, "added", what)
        return None

    def _pass(self, batch: Batch, link: Link) -> None:
        out = self.examined
        out.first = out.first or link.digest
        out.last, out.links, out.rows = link, link.number, out.rows + len(batch.ids)
        if link.digest in self._wanted:
            out.found[link.digest] = link
        self._before = link.digest
        if self._progress is not None and out.rows - self._told >= _TOLD_EVERY:
            self._told = out.rows
            self._progress(out.rows)


def _broken(batch: Batch, before: str, following: Batch | None) -> Fault:
    """Return what is wrong with a batch whose link does not fit its rows."""
    assert batch.link is not None
    link_id = batch.link.row
    right = batch.digest_after(before)
    if (
        following is not None
        and following.link is not None
        and following.digest_after(right) == following.link.digest
    ):
        return Fault(link_id, "link_changed", "the link is not that of its rows")
    first_id = batch.ids[0] if batch.ids else link_id
    exchanged = _exchanged(batch, before)
    if exchanged is not None:
        one, other = exchanged
        return Fault(one, "reordered", f"rows {one} and {other} changed places")
    return Fault(
        first_id, "altered", f"a row from {first_id} to {link_id} is not as written"
    )


def _exchanged(batch: Batch, before: str) -> tuple[int, int] | None:
    assert batch.link is not None
    if len(batch.ids) > _PAIRS_UP_TO:
        return None
    cells = [line.partition("\t")[2] for line in batch.lines]
    for i, j in combinations(range(len(batch.ids)), 2):
        lines = list(batch.lines)
        lines[i] = f"{batch.ids[i]}\t{cells[j]}"
        lines[j] = f"{batch.ids[j]}\t{cells[i]}"
        if batch.digest_after(before, lines) == batch.link.digest:
            return batch.ids[i], batch.ids[j]
    return None


# --- a file that SQLite itself finds damaged ------------------------------------------


def _damage(connection: sqlite3.Connection) -> str | None:
    """Return what SQLite finds wrong with the file, apart from what it means."""
    try:
        said: str = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
        if cause_of(error) != "damaged":
            raise
        return str(error)
    return None if said == "ok" else " ".join(said.replace("*", "").split())


def _explained(
    connection: sqlite3.Connection,
    version: int,
    damage: str | None,
    fault: Fault | None,
    examined: Examined,
) -> Fault | None:
    """Return the fault with the damage that explains it, if there is any."""
    if damage is None and (fault is None or fault.kind != "damaged"):
        return fault
    last_id = examined.last.row if examined.last else 0
    said = damage or (fault.what if fault else "")
    if " value in " in said:  # what its STRICT tables do not allow: put in by force
        return fault or Fault(None, "altered", f"there is a {said}")
    whole = f"rows up to {last_id} are as written" if last_id else "no row is certain"
    left = _still_readable(connection, schema.tables(version), last_id)
    what = f"the file is damaged ({said}); {whole}, {left} behind can still be read"
    return replace(
        fault or Fault(None, "damaged", ""),
        row=None if fault is None else last_id + 1,
        kind="damaged",
        what=what,
    )


def _still_readable(
    connection: sqlite3.Connection, tables: tuple[schema.Table, ...], after: int
) -> int:
    """Return how many rows behind this one SQLite still gives, from either end."""
    count = 0
    for table in tables:
        ids: set[int] = set()
        for order in ("ASC", "DESC"):
            # Where a table cannot be read any further, its other end may be.
            with suppress(sqlite3.DatabaseError):
                for row_id, *_ in connection.execute(
                    f'{table.select} WHERE "id" > ? ORDER BY "id" {order}', (after,)
                ):
                    if row_id in ids:
                        break
                    ids.add(row_id)
        count += len(ids)
    return count
