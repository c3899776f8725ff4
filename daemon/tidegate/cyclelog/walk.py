"""The rows of an open file as the chain sees them: line by line, link by link."""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

from tidegate.cyclelog import chain, schema
from tidegate.cyclelog.fault import Fault


@dataclass(frozen=True, slots=True)
class Link:
    """A link as it is stored, and its line."""

    row: int
    line: str
    wall_ms: int
    number: int
    rows: int
    digest: str


@dataclass(frozen=True, slots=True)
class Batch:
    """The ids and lines of the rows since a link, and the link that covers them.

    ``link`` is ``None`` for rows that follow the last link.
    """

    ids: Sequence[int]
    lines: Sequence[str]
    link: Link | None

    def digest_after(self, before: str, lines: Sequence[str] | None = None) -> str:
        """Return what the link should be."""
        assert self.link is not None
        covered = self.lines if lines is None else lines
        return chain.link(before, covered, self.link.line)


def batches(
    connection: sqlite3.Connection, tables: Sequence[schema.Table]
) -> Iterator[Batch | Fault]:
    """Yield the file link by link; last of all, a row that no writer can have made.

    Ids below 1 are looked at too. The connection's text is that of ``text_of``.
    Errors: sqlite3.Error.
    """
    ids: list[int] = []
    lines: list[str] = []
    last_id = 0
    streams = [_stream(connection, table) for table in tables]
    for row_id, line, stored in heapq.merge(*streams, key=itemgetter(0)):
        if row_id <= last_id or not line.isascii():
            fault = _impossible(row_id, line, last_id)
            if fault is not None:
                yield fault
                return
        last_id = row_id
        if stored is None:
            ids.append(row_id)
            lines.append(line)
        else:
            yield Batch(ids, lines, _link(row_id, line, stored))
            ids, lines = [], []
    if ids:
        yield Batch(ids, lines, None)


def _stream(
    connection: sqlite3.Connection, table: schema.Table
) -> Iterator[tuple[int, str, tuple[Any, ...] | None]]:
    cursor = connection.execute(f'{table.select} ORDER BY "id"')
    is_link = table is schema.LINK
    for row in cursor:
        row_id, cells = row[0], row[1:]
        yield row_id, schema.line(row_id, table, cells), cells if is_link else None


def text_of(stored: bytes) -> str:
    """Return a text of which nothing is lost, be it UTF-8 or not.

    As the connection's ``text_factory``: else such a row could not even be named.
    """
    return stored.decode("utf-8", "surrogateescape")


def _impossible(row_id: int, line: str, last_id: int) -> Fault | None:
    if row_id < 1:
        return Fault(row_id, "added", f"row {row_id} has an id that no writer gives")
    if row_id == last_id:
        return Fault(row_id, "added", f"two rows have the id {row_id}")
    if not line.isascii():
        try:
            line.encode()
        except UnicodeEncodeError:
            what = f"row {row_id} holds text that is not UTF-8"
            return Fault(row_id, "altered", what)
    return None


def _link(row_id: int, line: str, stored: tuple[Any, ...]) -> Link:
    _, wall_ms, number, rows, digest = stored
    return Link(
        row=row_id,
        line=line,
        wall_ms=_whole(wall_ms),
        number=_whole(number),
        rows=_whole(rows),
        digest=digest.hex() if isinstance(digest, bytes) else "",
    )


def _whole(value: Any) -> int:
    # A schema that was changed and changed back may have let anything in.
    return value if isinstance(value, int) else -1
